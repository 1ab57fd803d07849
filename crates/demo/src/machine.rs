//! A unit in time: its pump, its instruments' wander, its counters, and the work done on it.

use crate::calendar::{DAY, HOUR};
use crate::config::DemoConfig;
use crate::draw::Draw;
use crate::fleet::{Fleet, Unit};
use crate::log::{Log, Service};
use crate::pump::{Cause, Pump};

/// The state of one unit.
#[derive(Clone, Debug)]
pub(crate) struct Machine {
    pub(crate) idx: usize,
    pub(crate) pump: Pump,
    pub(crate) draw: Draw,
    /// When it is next free to be sent.
    pub(crate) free_at: i64,
    pub(crate) hours: f64,
    pub(crate) total_l: f64,
    pub(crate) pump_degc: f64,
    /// Water in the pump's oil, 0..1 of saturation.
    pub(crate) wet_oil: f64,
    pub(crate) wet_since: Option<i64>,
    /// Slow wander of pressure and of the sensor (AR(1), unit variance).
    pub(crate) pressure_wander: f64,
    pub(crate) sensor_wander: f64,
    pub(crate) gauge_offset_kpa: f64,
    pub(crate) sensor_offset: f64,
    /// When the sensor was last calibrated.
    pub(crate) sensor_since: i64,
    pub(crate) stuck_until: i64,
    pub(crate) stuck_at: f64,
    pub(crate) sump_l: f64,
    pub(crate) filter_dp_kpa: f64,
    pub(crate) last_worked: i64,
    serial: u32,
    next_pump_oil: i64,
    next_gauge: i64,
    next_sensor: i64,
    repaired: bool,
}

impl Machine {
    pub(crate) fn new(config: &DemoConfig, fleet: &Fleet, idx: usize) -> Self {
        let unit = &fleet.units[idx];
        let start = fleet.calendar.start;
        let mut draw = Draw::of(config.seed, &format!("machine {}", unit.id));
        let after = |draw: &mut Draw, days: f64| start + (draw.wait(days) * DAY as f64) as i64;
        Self {
            idx,
            pump: Pump::new(config, &fleet.calendar, unit),
            // The first unit works from the first hours on, so that the smallest fleet has runs.
            free_at: if idx == 0 {
                start + 3 * HOUR
            } else {
                after(&mut draw, 3.0)
            },
            hours: unit.hours_meter,
            total_l: (unit.hours_meter * unit.size.flow_lpm * 50.0).round(),
            pump_degc: 20.0,
            wet_oil: 0.0,
            wet_since: None,
            pressure_wander: 0.0,
            sensor_wander: 0.0,
            gauge_offset_kpa: unit.gauge_offset_kpa,
            sensor_offset: unit.sensor.map_or(0.0, |sensor| sensor.offset_activity),
            sensor_since: start,
            stuck_until: 0,
            stuck_at: f64::NAN,
            sump_l: 0.0,
            filter_dp_kpa: draw.uniform(20.0, 60.0),
            last_worked: start - 10 * DAY,
            serial: 100 + draw.below(800) as u32,
            next_pump_oil: after(&mut draw, 60.0),
            next_gauge: after(&mut draw, 5.0 * 365.0),
            next_sensor: after(&mut draw, 500.0),
            repaired: false,
            draw,
        }
    }

    /// Work that has come due between two jobs.
    pub(crate) fn serve(&mut self, unit: &Unit, at: i64, log: &mut Log) {
        let episode = self.pump.episode;
        if let Some((episode, done)) = episode.and_then(|e| e.repaired.map(|done| (e, done)))
            && !self.repaired
            && done <= at
        {
            self.repaired = true;
            self.wet_oil = 0.0;
            if episode.action == "pump_swap" {
                self.serial += 1000;
            }
            let note = match episode.cause {
                Cause::Wear => "poor vacuum at start",
                Cause::Leak => "vacuum leak found with soap",
                Cause::Restriction => "exhaust separator element changed",
            };
            self.note(log, done, (episode.action, note), episode.recorded);
        }
        if at >= self.next_pump_oil {
            self.next_pump_oil = at + (self.draw.uniform(60.0, 150.0) * DAY as f64) as i64;
            self.dry_oil(log, at);
            let recorded = self.draw.chance(0.9);
            self.note(log, at - 2 * HOUR, ("pump_oil", "routine"), recorded);
        }
        if at >= self.next_gauge {
            self.next_gauge = at + (self.draw.wait(5.0 * 365.0) * DAY as f64) as i64;
            self.gauge_offset_kpa = self.draw.gauss(0.8);
            self.note(log, at - 3 * HOUR, ("gauge", "vacuum gauge replaced"), true);
        }
        if unit.sensor.is_some() && at >= self.next_sensor {
            self.next_sensor = at + (self.draw.wait(500.0) * DAY as f64) as i64;
            self.sensor_offset = self.draw.gauss(0.010);
            self.sensor_since = at;
            self.note(log, at - 4 * HOUR, ("calibration", "water sensor"), true);
        }
        if self.filter_dp_kpa > 160.0 {
            self.filter_dp_kpa = 25.0;
            let recorded = self.draw.chance(0.6);
            self.note(
                log,
                at - 5 * HOUR,
                ("filter", "oil filter element"),
                recorded,
            );
        }
    }

    /// The pump's oil is dry again.
    pub(crate) fn dry_oil(&mut self, log: &mut Log, at: i64) {
        self.wet_oil = 0.0;
        if let Some(since) = self.wet_since.take() {
            log.wet_spells.push((self.idx, since, at));
        }
    }

    fn note(
        &mut self,
        log: &mut Log,
        at: i64,
        (action, note): (&'static str, &'static str),
        recorded: bool,
    ) {
        log.services.push(Service {
            unit: self.idx,
            at: at - at.rem_euclid(60),
            action,
            note,
            serial: format!("VP-{:05}", self.serial * 10 + self.idx as u32 % 10),
            hours_meter: self.hours.round(),
            recorded,
        });
    }
}
