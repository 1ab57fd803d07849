//! One unit's run log in memory: a struct of columns, ascending in time.

use drydown_quantity::{ReservoirId, Stamp, UnitId};

use crate::history::BarometerBasis;

/// One logged quantity. Empty where the unit never logs it; NaN marks a missing cell inside.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Column(Vec<f64>);

impl Column {
    /// A column from cells; None becomes "missing".
    #[must_use]
    pub fn from_cells(cells: impl IntoIterator<Item = Option<f64>>) -> Self {
        Self(
            cells
                .into_iter()
                .map(|cell| cell.unwrap_or(f64::NAN))
                .collect(),
        )
    }

    /// A column from raw values, NaN for missing.
    #[must_use]
    pub fn from_values(values: Vec<f64>) -> Self {
        Self(values)
    }

    /// The cell, None where missing or never logged.
    #[must_use]
    pub fn get(&self, idx: usize) -> Option<f64> {
        self.0.get(idx).copied().filter(|value| !value.is_nan())
    }

    /// Whether the unit logs this quantity at all.
    #[must_use]
    pub fn is_logged(&self) -> bool {
        self.0.iter().any(|value| !value.is_nan())
    }
}

/// The readings of one unit, strictly ascending by `at`; every column is as long as `at` or empty.
///
/// Yes/no columns hold 1 and 0. Field names are the column names of `readings`.
#[derive(Clone, Debug, PartialEq)]
pub struct Readings {
    pub unit_id: UnitId,
    pub at: Vec<Stamp>,
    /// As the file states; the deployment wins.
    pub reservoir_id: Vec<Option<ReservoirId>>,
    pub barometer_basis: Vec<Option<BarometerBasis>>,
    pub chamber_pressure_kpa: Column,
    pub ambient_kpa: Column,
    pub oil_supply_degc: Column,
    pub oil_inlet_degc: Column,
    pub oil_outlet_degc: Column,
    pub oil_flow_lpm: Column,
    pub discharge_kpa_gauge: Column,
    pub suction_kpa_gauge: Column,
    pub filter_dp_kpa: Column,
    pub oil_pump_hz: Column,
    pub water_ppm: Column,
    pub water_activity: Column,
    pub water_sensor_degc: Column,
    pub vent_open_pct: Column,
    pub heater_kw: Column,
    pub heater_on: Column,
    pub heater_setpoint_degc: Column,
    pub vacuum_pump_on: Column,
    pub vacuum_pump_amps: Column,
    pub vacuum_pump_degc: Column,
    pub chamber_level_pct: Column,
    pub sump_level_pct: Column,
    pub ambient_degc: Column,
    pub run_hours_h: Column,
    pub oil_total_l: Column,
    pub running: Column,
    pub alarm: Vec<Option<String>>,
}

impl Readings {
    /// Where the barometer of a reading came from; None where it has none. Beside an absolute sensor
    /// there is no `barometer_basis`, and what was logged as barometer was measured.
    #[must_use]
    pub fn barometer_at(&self, idx: usize) -> Option<BarometerBasis> {
        let stated = self.barometer_basis.get(idx).copied().flatten();
        let logged = self.ambient_kpa.get(idx);
        stated.or(logged.map(|_| BarometerBasis::Measured))
    }

    /// No readings of a unit.
    #[must_use]
    pub fn empty(unit_id: UnitId) -> Self {
        Self {
            unit_id,
            at: Vec::new(),
            reservoir_id: Vec::new(),
            barometer_basis: Vec::new(),
            chamber_pressure_kpa: Column::default(),
            ambient_kpa: Column::default(),
            oil_supply_degc: Column::default(),
            oil_inlet_degc: Column::default(),
            oil_outlet_degc: Column::default(),
            oil_flow_lpm: Column::default(),
            discharge_kpa_gauge: Column::default(),
            suction_kpa_gauge: Column::default(),
            filter_dp_kpa: Column::default(),
            oil_pump_hz: Column::default(),
            water_ppm: Column::default(),
            water_activity: Column::default(),
            water_sensor_degc: Column::default(),
            vent_open_pct: Column::default(),
            heater_kw: Column::default(),
            heater_on: Column::default(),
            heater_setpoint_degc: Column::default(),
            vacuum_pump_on: Column::default(),
            vacuum_pump_amps: Column::default(),
            vacuum_pump_degc: Column::default(),
            chamber_level_pct: Column::default(),
            sump_level_pct: Column::default(),
            ambient_degc: Column::default(),
            run_hours_h: Column::default(),
            oil_total_l: Column::default(),
            running: Column::default(),
            alarm: Vec::new(),
        }
    }

    /// Every logged quantity.
    pub(crate) fn columns(&self) -> [&Column; 26] {
        [
            &self.chamber_pressure_kpa,
            &self.ambient_kpa,
            &self.oil_supply_degc,
            &self.oil_inlet_degc,
            &self.oil_outlet_degc,
            &self.oil_flow_lpm,
            &self.discharge_kpa_gauge,
            &self.suction_kpa_gauge,
            &self.filter_dp_kpa,
            &self.oil_pump_hz,
            &self.water_ppm,
            &self.water_activity,
            &self.water_sensor_degc,
            &self.vent_open_pct,
            &self.heater_kw,
            &self.heater_on,
            &self.heater_setpoint_degc,
            &self.vacuum_pump_on,
            &self.vacuum_pump_amps,
            &self.vacuum_pump_degc,
            &self.chamber_level_pct,
            &self.sump_level_pct,
            &self.ambient_degc,
            &self.run_hours_h,
            &self.oil_total_l,
            &self.running,
        ]
    }

    /// The quantities that hold until they are logged again, but for flow, which a stop ends: temperatures, and what somebody
    /// or a controller sets.
    pub(crate) fn settings_mut(&mut self) -> [&mut Column; 9] {
        [
            &mut self.oil_supply_degc,
            &mut self.oil_inlet_degc,
            &mut self.oil_outlet_degc,
            &mut self.water_sensor_degc,
            &mut self.vent_open_pct,
            &mut self.heater_kw,
            &mut self.heater_on,
            &mut self.heater_setpoint_degc,
            &mut self.vacuum_pump_degc,
        ]
    }

    /// Number of readings.
    #[must_use]
    pub fn len(&self) -> usize {
        self.at.len()
    }

    /// Whether there is no reading.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.at.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_barometer_beside_an_absolute_sensor_was_measured() {
        let altitude = Some(BarometerBasis::Altitude);
        let cases = [
            (altitude, 101.325, altitude),
            (None, 99.0, Some(BarometerBasis::Measured)),
            (None, f64::NAN, None),
        ];
        for (basis, ambient, expected) in cases {
            let readings = Readings {
                barometer_basis: vec![basis],
                ambient_kpa: Column::from_values(vec![ambient]),
                ..Readings::empty(UnitId::from("U-1"))
            };
            assert_eq!(readings.barometer_at(0), expected, "{basis:?} {ambient}");
        }
    }
}
