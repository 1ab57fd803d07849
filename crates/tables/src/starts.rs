//! Start curves: one record per start, one row of `start_points` per logged point.

use std::cmp::Ordering;

use arrow::array::ArrayRef;
use drydown_quantity::{RunId, Stamp, UnitId};
use drydown_runs::StartCurve;
use drydown_runs::history::BarometerBasis;

use crate::error::TableError;
use crate::frame::Frame;
use crate::record::{Record, record};

/// One row of `start_points`; all but `seconds` and `chamber_kpa` repeat within a start.
#[derive(Clone, Debug, PartialEq)]
struct StartPoint {
    unit_id: UnitId,
    started_at: Stamp,
    seconds: f64,
    run_id: RunId,
    /// None only in the single row of a start without a point.
    chamber_kpa: Option<f64>,
    ambient_kpa: Option<f64>,
    barometer_basis: Option<BarometerBasis>,
    oil_flow_from_s: Option<f64>,
    vent_open_from_s: Option<f64>,
    vent_logged: bool,
    oil_degc: Option<f64>,
    vacuum_pump_degc: Option<f64>,
    ambient_degc: Option<f64>,
    step_s: f64,
    idle_h: Option<f64>,
}

record!(StartPoint, "start_points", key(unit_id, started_at), {
    unit_id, started_at, seconds, run_id, chamber_kpa, ambient_kpa, barometer_basis,
    oil_flow_from_s, vent_open_from_s, vent_logged, oil_degc, vacuum_pump_degc, ambient_degc,
    step_s, idle_h,
});

impl Record for StartCurve {
    const TABLE: &'static str = StartPoint::TABLE;

    fn columns(rows: &[Self]) -> Vec<(&'static str, ArrayRef)> {
        let points: Vec<StartPoint> = rows.iter().flat_map(to_points).collect();
        StartPoint::columns(&points)
    }

    fn read(frame: &dyn Frame) -> Result<Vec<Self>, TableError> {
        let mut points = StartPoint::read(frame)?;
        points.sort_by(|a, b| a.order(b).then_with(|| a.seconds.total_cmp(&b.seconds)));
        let mut curves: Vec<Self> = Vec::new();
        for point in points {
            match curves.last_mut().filter(|curve| {
                curve.unit_id == point.unit_id && curve.started_at == point.started_at
            }) {
                Some(curve) => push_point(curve, point.seconds, point.chamber_kpa),
                None => curves.push(to_curve(point)),
            }
        }
        Ok(curves)
    }

    fn order(&self, other: &Self) -> Ordering {
        self.unit_id
            .cmp(&other.unit_id)
            .then_with(|| self.started_at.cmp(&other.started_at))
    }
}

fn to_points(curve: &StartCurve) -> Vec<StartPoint> {
    let point = |seconds, chamber_kpa| StartPoint {
        unit_id: curve.unit_id.clone(),
        started_at: curve.started_at,
        seconds,
        run_id: curve.run_id.clone(),
        chamber_kpa,
        ambient_kpa: curve.ambient_kpa,
        barometer_basis: curve.barometer_basis,
        oil_flow_from_s: curve.oil_flow_from_s,
        vent_open_from_s: curve.vent_open_from_s,
        vent_logged: curve.vent_logged,
        oil_degc: curve.oil_degc,
        vacuum_pump_degc: curve.vacuum_pump_degc,
        ambient_degc: curve.ambient_degc,
        step_s: curve.step_s,
        idle_h: curve.idle_h,
    };
    let pairs = curve.seconds.iter().zip(&curve.chamber_kpa);
    let mut points: Vec<StartPoint> = pairs
        .filter(|(seconds, chamber_kpa)| seconds.is_finite() && chamber_kpa.is_finite())
        .map(|(seconds, chamber_kpa)| point(*seconds, Some(*chamber_kpa)))
        .collect();
    if points.is_empty() {
        points.push(point(0.0, None));
    }
    points
}

fn to_curve(point: StartPoint) -> StartCurve {
    let mut curve = StartCurve {
        unit_id: point.unit_id,
        run_id: point.run_id,
        started_at: point.started_at,
        seconds: Vec::new(),
        chamber_kpa: Vec::new(),
        ambient_kpa: point.ambient_kpa,
        barometer_basis: point.barometer_basis,
        oil_flow_from_s: point.oil_flow_from_s,
        vent_open_from_s: point.vent_open_from_s,
        vent_logged: point.vent_logged,
        oil_degc: point.oil_degc,
        vacuum_pump_degc: point.vacuum_pump_degc,
        ambient_degc: point.ambient_degc,
        step_s: point.step_s,
        idle_h: point.idle_h,
    };
    push_point(&mut curve, point.seconds, point.chamber_kpa);
    curve
}

fn push_point(curve: &mut StartCurve, seconds: f64, chamber_kpa: Option<f64>) {
    if let Some(chamber_kpa) = chamber_kpa {
        curve.seconds.push(seconds);
        curve.chamber_kpa.push(chamber_kpa);
    }
}
