//! A reservoir in time: rest, top-ups, drains, oil changes, leaks repaired, routine samples.

use crate::balance::{Rest, Water};
use crate::calendar::{DAY, HOUR};
use crate::draw::Draw;
use crate::fleet::{Fleet, Reservoir};
use crate::lab::{self, Point};
use crate::log::{Log, Snapshot, TankEvent};

/// The state of one reservoir.
#[derive(Clone, Debug)]
pub(crate) struct Tank {
    pub(crate) idx: usize,
    /// Until when it has been worked out.
    pub(crate) at: i64,
    pub(crate) water: Water,
    pub(crate) oil_degc: f64,
    /// Particles: code at 4 µm with a fraction.
    pub(crate) dirt_code: f64,
    pub(crate) acid: f64,
    pub(crate) acid_per_year: f64,
    pub(crate) draw: Draw,
    next_month: usize,
    next_top_up: i64,
    next_sample: i64,
    next_look: i64,
    next_oil_change: i64,
    next_leak: usize,
}

impl Tank {
    pub(crate) fn new(fleet: &Fleet, idx: usize, seed: u64) -> Self {
        let reservoir = &fleet.reservoirs[idx];
        let start = fleet.calendar.start;
        let mut draw = Draw::of(seed, &format!("tank {}", reservoir.id));
        let days = |draw: &mut Draw, mean: f64| start + (draw.wait(mean) * DAY as f64) as i64;
        Self {
            idx,
            at: start,
            water: Water {
                mid_ppm: reservoir.start_ppm,
                settled_ppm: 0.0,
            },
            oil_degc: reservoir.service_degc,
            dirt_code: reservoir.service.cleanliness[0] as f64 + draw.uniform(-1.5, 0.8),
            acid: reservoir.service.acid_limit * draw.uniform(0.15, 0.6),
            acid_per_year: reservoir.service.acid_limit * draw.lognormal(0.06, 0.6),
            next_month: 0,
            next_top_up: days(&mut draw, 90.0),
            next_sample: days(&mut draw, 12.0),
            next_look: start + 7 * DAY,
            next_oil_change: days(&mut draw, 6.0 * 365.0),
            next_leak: 0,
            draw,
        }
    }

    /// Rest until a time, hour by hour.
    pub(crate) fn advance(&mut self, fleet: &Fleet, to: i64, log: &mut Log) {
        let reservoir = &fleet.reservoirs[self.idx];
        let oil = &fleet.oils[reservoir.oil];
        while self.at < to {
            let step = HOUR.min(to - self.at);
            let hours = step as f64 / 3600.0;
            let mut place = Rest::at(reservoir, oil, self.at);
            self.oil_degc += (place.oil_degc - self.oil_degc) * (1.0 - (-hours / 20.0).exp());
            place.oil_degc = self.oil_degc;
            self.water.rest(&place, hours, self.ingress_g_per_h(fleet));
            self.pass(fleet, step, log);
        }
    }

    /// Ingress now, g/h.
    pub(crate) fn ingress_g_per_h(&self, fleet: &Fleet) -> f64 {
        let path = &fleet.reservoirs[self.idx].ingress_g_per_h;
        path.get(fleet.calendar.day_of(self.at))
            .copied()
            .map_or(0.0, f64::from)
    }

    /// Let a step of time pass and do what has come due.
    pub(crate) fn pass(&mut self, fleet: &Fleet, step: i64, log: &mut Log) {
        while let Some(month) = fleet.calendar.months.get(self.next_month) {
            if self.at + step < *month {
                break;
            }
            log.snapshots.push(Snapshot {
                reservoir: self.idx,
                at: *month,
                mid_ppm: self.water.mid_ppm,
                settled_ppm: self.water.settled_ppm,
            });
            self.next_month += 1;
        }
        self.at += step;
        self.acid += self.acid_per_year * step as f64 / (365.25 * DAY as f64);
        let top = fleet.reservoirs[self.idx].service.cleanliness[0] as f64 + 2.5;
        self.dirt_code += 0.03 * step as f64 / DAY as f64 * (1.0 - self.dirt_code / (top + 1.0));
        if self.at >= fleet.calendar.end {
            return;
        }
        self.treat(fleet, log);
        if self.at >= self.next_sample {
            self.routine_sample(fleet, log);
        }
    }

    fn treat(&mut self, fleet: &Fleet, log: &mut Log) {
        let reservoir = &fleet.reservoirs[self.idx];
        if self.at >= self.next_top_up {
            self.next_top_up = self.at + (self.draw.wait(90.0) * DAY as f64) as i64;
            let volume_l = (reservoir.true_volume_l * self.draw.uniform(0.005, 0.02)).round();
            let water_ppm = (reservoir.limit_ppm * self.draw.uniform(0.15, 0.7)).round();
            let share = volume_l / reservoir.true_volume_l;
            self.water.mid_ppm += (water_ppm - self.water.mid_ppm) * share;
            let told = self.draw.chance(0.5).then_some(water_ppm);
            self.note(log, "top_up", Some(volume_l), told, 0.9);
        }
        if self.at >= self.next_oil_change {
            self.next_oil_change = self.at + (self.draw.wait(6.0 * 365.0) * DAY as f64) as i64;
            let water_ppm = (reservoir.limit_ppm * self.draw.uniform(0.1, 0.4)).round();
            self.water = Water {
                mid_ppm: water_ppm,
                settled_ppm: 0.0,
            };
            self.acid = reservoir.service.acid_limit * 0.15;
            self.note(
                log,
                "oil_change",
                Some(reservoir.register_volume_l),
                Some(water_ppm),
                1.1,
            );
        }
        if self.at >= self.next_look {
            self.next_look = self.at + 7 * DAY;
            let wet = self.water.settled_ppm > 0.3 * reservoir.limit_ppm;
            if wet && self.draw.chance(0.25) {
                let left = self.draw.uniform(0.1, 0.4);
                let litres = self.water.settled_ppm * (1.0 - left) * reservoir.mass_kg * 1e-6;
                self.water.settled_ppm *= left;
                self.note(
                    log,
                    "bottom_drain",
                    Some((litres * 10.0).round() / 10.0),
                    None,
                    0.85,
                );
            }
        }
        let leak = reservoir.leaks.get(self.next_leak);
        if let Some(leak) = leak.filter(|leak| leak.to <= self.at) {
            self.next_leak += 1;
            if leak.recorded {
                self.note(log, "leak_repair", None, None, 1.1);
            }
        }
    }

    fn note(
        &mut self,
        log: &mut Log,
        action: &'static str,
        volume_l: Option<f64>,
        water_ppm: Option<f64>,
        recorded_share: f64,
    ) {
        // Water drained may be stated; the register has volume_l for it.
        if self.draw.chance(recorded_share) {
            let reservoir = self.idx;
            log.tank_events.push(TankEvent {
                reservoir,
                at: self.at,
                action,
                volume_l,
                water_ppm,
            });
        }
    }

    fn routine_sample(&mut self, fleet: &Fleet, log: &mut Log) {
        let reservoir = &fleet.reservoirs[self.idx];
        let wet = self.water.all_ppm() / reservoir.limit_ppm;
        // Laboratories see more of a reservoir in trouble.
        let wait_days = if wet > 0.8 { 11.0 } else { 32.0 };
        let days = wait_days * self.draw.uniform(0.7, 1.4);
        self.next_sample = self.at + (days * DAY as f64) as i64;
        let point = match self.draw.below(10) {
            0 => Point::Bottom,
            1 | 2 => Point::Line,
            _ => Point::Mid,
        };
        let water_ppm = self.at_point(reservoir, point);
        lab::send(
            fleet,
            self,
            Drawn {
                point,
                water_ppm,
                unit: None,
            },
            log,
        );
    }

    /// True water at a point of the reservoir, ppm.
    pub(crate) fn at_point(&mut self, reservoir: &Reservoir, point: Point) -> f64 {
        match point {
            Point::Bottom if self.water.settled_ppm > 0.0 => {
                let concentrated = self.draw.lognormal(8.0, 0.6);
                self.water.mid_ppm + self.water.settled_ppm * concentrated
            }
            Point::Bottom => self.water.mid_ppm * self.draw.lognormal(1.1, 0.1),
            Point::Drum => reservoir.limit_ppm * 0.3,
            _ => self.water.mid_ppm,
        }
    }
}

/// A sample as it was drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Drawn {
    pub(crate) point: Point,
    /// True water in the bottle, ppm.
    pub(crate) water_ppm: f64,
    pub(crate) unit: Option<usize>,
}
