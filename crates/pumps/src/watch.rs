//! The three witnesses of one unit's pump, reset where maintenance made something new.

use std::collections::BTreeMap;

use drydown_physics::saturation;
use drydown_quantity::{Stamp, UnitId};
use drydown_runs::Run;
use drydown_runs::history::{BarometerBasis, Maintenance, MaintenanceAction, PumpKind, Unit};

use crate::base_path::BasePoint;
use crate::covariates::{of_base, of_speed, of_steady};
use crate::flowing::flowing_speed;
use crate::futures::Draws;
use crate::judge::UnitRecords;
use crate::monitor::{Monitor, Observation, Seen};
use crate::observed::{View, no_weather, weather_kpa};
use crate::past::ln_rated;
use crate::prior::{Era, FleetPrior, KindPrior};
use crate::rest::Rests;
use crate::set_point::SetPoint;
use crate::spans::{Renewal, starts_elsewhere};
use crate::start::base_counts;
use crate::witnesses::{
    RENEWED_BASE_SD_KPA, RENEWED_SPEED_SD, base_setting, speed_setting, steady_setting,
};
use crate::{PumpStart, PumpsConfig};

/// Steady pressure alone speaks for the pump where no start was heard for this long, days.
const STARTS_SPEAK_DAYS: f64 = 45.0;

/// What a season does to the base of a liquid-ring pump, which holds no less than the saturation
/// pressure of its seal water, kPa: from 8 to 30 °C (1.07 to 4.25 kPa, IAPWS-IF97). Where no
/// temperature of it is logged a smaller rise is no fault of the pump's.
const SEAL_SEASON_KPA: f64 = 3.2;

#[derive(Debug)]
pub(crate) struct Watch<'a> {
    unit_id: UnitId,
    unit: Option<&'a Unit>,
    prior: &'a FleetPrior,
    config: &'a PumpsConfig,
    pub(crate) speed: Monitor,
    pub(crate) base: Monitor,
    pub(crate) steady: Monitor,
    pub(crate) last_start: Option<Stamp>,
    pub(crate) last_run: Option<Stamp>,
    pub(crate) gauge_at: Option<Stamp>,
    pub(crate) renewed_at: Option<Stamp>,
    /// When the pump itself was made new.
    pub(crate) renewed_pump_at: Option<Stamp>,
    /// When the era began by which the monitors judge.
    era_from: Option<Stamp>,
    /// The first starts of the pump when it was first seen: ln of relative speed.
    new_starts: Vec<Observation>,
    /// Whether the speed is watched from the pump's own first level (it was made new).
    made_new: bool,
    /// Base pressures of the pump on this frame, through oil changes and mended leaks.
    pub(crate) base_points: Vec<BasePoint>,
    /// Pump temperature at the last start, °C; of the last run where starts do not log it.
    pump_degc: Option<f64>,
    /// How well the place's barometer is known where it is assumed, kPa; 0 where it is measured.
    place_sd_kpa: f64,
    /// Since when the base stands too high, through oil changes that did not mend it.
    pub(crate) base_since: Option<Stamp>,
    pub(crate) draws: Draws,
    /// The first accepted start of each run, as it was seen.
    views: Vec<(drydown_quantity::RunId, View)>,
    /// Starts since the last renewal that do not count, by why.
    refused: BTreeMap<String, usize>,
    pub(crate) rests: Rests,
    pub(crate) set_point: SetPoint,
    /// Whether the speeds seen are of starts at which oil flowed.
    oil_flows: bool,
}

impl<'a> Watch<'a> {
    pub(crate) fn new(
        unit_id: &UnitId,
        unit: Option<&'a Unit>,
        at: Stamp,
        prior: &'a FleetPrior,
        config: &'a PumpsConfig,
    ) -> Self {
        let kind = unit.and_then(|row| row.vacuum_pump_kind);
        let rated = unit.and_then(ln_rated);
        let era = prior.era_at(at);
        Self {
            unit_id: unit_id.clone(),
            unit,
            prior,
            config,
            speed: Monitor::new(speed_setting(era, kind, config, rated, None), at),
            base: Monitor::new(base_setting(era, kind, config), at),
            steady: Monitor::new(steady_setting(era, kind, config), at),
            last_start: None,
            last_run: None,
            gauge_at: None,
            renewed_at: None,
            renewed_pump_at: None,
            era_from: era.map(|era| era.from),
            new_starts: Vec::new(),
            made_new: false,
            base_points: Vec::new(),
            pump_degc: None,
            place_sd_kpa: 0.0,
            base_since: None,
            draws: Draws::new(),
            views: Vec::new(),
            refused: BTreeMap::new(),
            rests: Rests::default(),
            set_point: SetPoint::default(),
            oil_flows: false,
        }
    }

    pub(crate) fn kind(&self) -> Option<PumpKind> {
        self.unit.and_then(|row| row.vacuum_pump_kind)
    }

    fn era(&self, at: Stamp) -> Option<&'a Era> {
        self.prior.era_at(at)
    }

    pub(crate) fn kind_prior(&self, at: Stamp) -> Option<&'a KindPrior> {
        self.era(at).map(|era| era.kind(self.kind()))
    }

    fn speed_setting(&self, at: Stamp) -> crate::monitor::Setting {
        let rated = self.unit.and_then(ln_rated);
        let old_level = self.new_level().filter(|_| self.made_new);
        let era = self.era(at);
        speed_setting(era, self.kind(), self.config, rated, old_level)
    }

    /// Learns the levels since the reset afresh where the fleet has taught something new since: one
    /// prior a quarter, each from data before its own start.
    fn enter_era(&mut self, at: Stamp) {
        let Some(era) = self.era(at) else { return };
        if self.era_from == Some(era.from) {
            return;
        }
        self.era_from = Some(era.from);
        let kind = self.kind();
        self.speed = self.speed.relearnt(self.speed_setting(at));
        let era = Some(era);
        self.base = self.base.relearnt(base_setting(era, kind, self.config));
        self.steady = self.steady.relearnt(steady_setting(era, kind, self.config));
    }

    /// Resets what a maintenance action made new.
    pub(crate) fn renew(&mut self, renewal: Renewal, row: &Maintenance, records: &UnitRecords<'_>) {
        let (kind, at) = (self.kind(), row.at);
        self.enter_era(at);
        let level_sd = |of: &dyn Fn(&KindPrior) -> f64| self.kind_prior(at).map_or(1.0, of);
        let base_sd = level_sd(&|prior| prior.base.level_sd);
        let steady_sd = level_sd(&|prior| prior.steady.level_sd);
        self.refused.clear();
        match renewal {
            Renewal::Pump => {
                self.renewed_at = Some(at);
                self.renewed_pump_at = Some(at);
                self.set_point.clear();
                self.base_since = None;
                self.base_points.clear();
                self.made_new = row.action != MaintenanceAction::PumpSwap;
                let era = self.era(at);
                self.base = Monitor::new(base_setting(era, kind, self.config), at);
                self.steady = Monitor::new(steady_setting(era, kind, self.config), at);
                if !self.made_new {
                    self.new_starts.clear();
                    self.oil_flows = false;
                }
                self.speed = Monitor::new(self.speed_setting(at), at);
                if !self.made_new {
                    self.follow_pump(at, records);
                }
            }
            // The oil of a dry pump lies in its gears and seals nothing.
            Renewal::Base
                if row.action == MaintenanceAction::PumpOil && kind == Some(PumpKind::Dry) => {}
            Renewal::Base => {
                self.renewed_at = Some(at);
                if row.action == MaintenanceAction::LeakRepair {
                    self.base_since = None;
                }
                self.base.renew(at, RENEWED_BASE_SD_KPA);
                // New oil moves a steady pressure by less than runs differ: what a sound one's chart has
                // gathered stays.
                if self.steady.alert {
                    self.steady.renew(at, steady_sd);
                }
            }
            Renewal::Passage | Renewal::SomeFilter => {
                self.renewed_at = Some(at);
                self.speed.renew(at, RENEWED_SPEED_SD);
                self.steady.renew(at, steady_sd);
            }
            Renewal::Gauge => {
                self.gauge_at = Some(at);
                self.rests.clear();
                self.set_point.clear();
                self.base_since = None;
                self.base_points.clear();
                self.base.renew(at, base_sd);
                self.steady.renew(at, steady_sd);
            }
        }
    }

    /// Takes in what the pump now fitted did on the frames it came from. Speeds are brought to
    /// this frame's chamber; base pressures stay behind (they are the frame's leaks as much).
    fn follow_pump(&mut self, at: Stamp, records: &UnitRecords<'_>) {
        let Some(litres) = self
            .unit
            .and_then(|row| row.chamber_volume_l)
            .filter(|l| *l > 0.0)
        else {
            return;
        };
        let earlier = starts_elsewhere(&self.unit_id, at, records.starts, records.maintenance);
        let Some(first) = earlier.first() else {
            return;
        };
        let from = first.started_at;
        self.speed = Monitor::new(self.speed_setting(at), from);
        for start in earlier {
            let Some(m3h) = start.speed_m3h.filter(|v| *v > 0.0) else {
                continue;
            };
            self.see_speed(start, (m3h / 3.6 / litres).ln());
        }
    }

    /// Takes note of a start that does not count. Where oil flows at every start of a unit, they are compared
    /// among themselves: its gas slows every fall alike. Its vapour lifts the base by what it likes.
    pub(crate) fn refuse(&mut self, start: &PumpStart) {
        self.rests.take(start);
        let alike = self.oil_flows || self.speed.seen.is_empty();
        if let Some((start, speed)) = flowing_speed(start, self.config).filter(|_| alike) {
            self.enter_era(start.started_at);
            self.last_start = Some(start.started_at);
            self.oil_flows = true;
            self.view_speed(&start, speed);
            return;
        }
        let word = start.reason.as_deref().unwrap_or("refused");
        *self.refused.entry(word.to_owned()).or_default() += 1;
    }

    /// Starts since the last renewal that do not count, by why.
    pub(crate) const fn refused(&self) -> &BTreeMap<String, usize> {
        &self.refused
    }

    /// Takes one accepted start in.
    pub(crate) fn take_start(&mut self, start: &PumpStart) {
        let at = start.started_at;
        self.enter_era(at);
        self.last_start = Some(at);
        self.rests.take(start);
        self.pump_degc = start.vacuum_pump_degc.or(self.pump_degc);
        if let Some(speed) = start.relative_speed_per_s.filter(|s| *s > 0.0) {
            if self.oil_flows {
                // Without oil the pump empties the chamber at another speed.
                self.oil_flows = false;
                self.new_starts.clear();
                self.speed = Monitor::new(self.speed_setting(at), at);
            }
            self.view_speed(start, speed);
        }
        let base = start.base_kpa.zip(start.base_kpa_se);
        if let Some((kpa, se)) = base.filter(|_| base_counts(start, self.config)) {
            let assumed = start.barometer_basis == Some(BarometerBasis::Altitude);
            let weather_sd = self.config.weather_sd_kpa;
            let place_sd = self.config.place_barometer_sd_kpa;
            self.place_sd_kpa = if assumed { place_sd } else { 0.0 };
            if self.kind() == Some(PumpKind::LiquidRing) && start.vacuum_pump_degc.is_none() {
                let least = self.config.least_base_rise_kpa;
                self.base.count_from(least.max(SEAL_SEASON_KPA));
            }
            let level_sd = self.base.filter().level().1;
            let stood = self.base.alert;
            let seen = self.base.observe(Observation {
                at,
                raw: kpa,
                x: of_base(start, self.kind()),
                se: if assumed {
                    no_weather(se, weather_sd)
                } else {
                    se
                },
                shared_sd: if assumed { weather_sd } else { 0.0 },
                datum: start
                    .ambient_kpa
                    .filter(|_| assumed)
                    .map(|kpa| (kpa, place_sd)),
            });
            if stood && !self.base.alert && self.steady.alert {
                // Somebody mended it and wrote nothing down: what the runs held since is another pump's.
                let steady_sd = self
                    .kind_prior(at)
                    .map_or(1.0, |prior| prior.steady.level_sd);
                self.steady.renew(at, steady_sd);
            }
            self.base_since = if self.base.alert {
                let onset = self.base.onset.unwrap_or(at);
                Some(self.base_since.map_or(onset, |since| since.min(onset)))
            } else {
                // Work on the pump ends the alert; whether it mended the base, the next starts tell.
                self.base_since.filter(|_| !self.base.is_judged())
            };
            self.base_points.push(BasePoint {
                by_air: BasePoint::by_air(start, self.kind(), &self.base),
                at,
                kpa: seen.y,
                se: seen.se,
                level: seen.level,
                level_sd,
                sealed_kpa: start
                    .vacuum_pump_degc
                    .map(saturation::pressure_kpa)
                    .filter(|kpa| kpa.is_finite()),
            });
        }
    }

    /// Takes a start's speed in and keeps how the run's first one was seen.
    fn view_speed(&mut self, start: &PumpStart, speed: f64) {
        let seen = self.see_speed(start, speed.ln());
        if !self.views.iter().any(|(run, _)| run == &start.run_id) {
            let view = View {
                indicator: seen.y - self.reset_level(&seen),
                expected: seen.expected.mean - self.reset_level(&seen),
                sd: seen.expected.sd,
            };
            self.views.push((start.run_id.clone(), view));
        }
    }

    fn see_speed(&mut self, start: &PumpStart, raw: f64) -> Seen {
        let observation = Observation {
            at: start.started_at,
            raw,
            x: of_speed(start),
            se: start.ln_speed_se.unwrap_or(0.0),
            shared_sd: 0.0,
            datum: None,
        };
        if !self.made_new && self.new_starts.len() < 5 {
            self.new_starts.push(observation);
        }
        self.speed.observe(observation)
    }

    /// Level of the pump when it was first seen, ln of relative speed: the median of five starts.
    fn new_level(&self) -> Option<f64> {
        if self.new_starts.len() < 5 {
            return None;
        }
        let first: Vec<f64> = self
            .new_starts
            .iter()
            .map(|start| self.speed.level_of(start))
            .collect();
        drydown_stats::robust::median(&first)
    }

    /// Level after the last reset as it was known before an observation: the median of the first
    /// starts, or the filter's level while there are fewer.
    fn reset_level(&self, seen: &Seen) -> f64 {
        let before: Vec<f64> = self
            .speed
            .seen
            .iter()
            .filter(|s| s.at < seen.at)
            .take(5)
            .map(|s| s.y)
            .collect();
        if before.len() < 3 {
            return seen.level;
        }
        drydown_stats::robust::median(&before).unwrap_or(seen.level)
    }

    /// Takes a run's steady pressure in.
    pub(crate) fn take_run(&mut self, run: &Run) {
        self.last_run = Some(run.ended_at);
        self.pump_degc = self.pump_degc.or(run.vacuum_pump_degc);
        self.enter_era(run.ended_at);
        let spoiled = run.has_flag("pressure_stuck") || run.hours < 1.0;
        if let Some(kpa) = run.steady_kpa.filter(|kpa| *kpa > 0.0 && !spoiled) {
            self.set_point.take(run, kpa);
            if self.kind() == Some(PumpKind::LiquidRing) && run.vacuum_pump_degc.is_none() {
                let season = (SEAL_SEASON_KPA / kpa).ln_1p();
                self.steady
                    .count_from(self.config.least_steady_rise.max(season));
            }
            let assumed = self.place_sd_kpa > 0.0 && !self.base.alert;
            let start = self.base_points.last().filter(|_| assumed);
            let weather = start.map_or(0.0, |of| weather_kpa(of, run, self.config.weather_sd_kpa));
            self.steady.observe(Observation {
                at: run.ended_at,
                raw: (kpa - weather).max(0.5 * kpa).ln(),
                x: of_steady(run),
                se: 0.0,
                shared_sd: 0.0,
                datum: None,
            });
        }
    }

    /// Whether starts tell of the speed: a base alone, all that a slow log shows, says nothing of a
    /// restriction.
    pub(crate) fn starts_speak(&self, at: Stamp) -> bool {
        let lately = |last: Stamp| at.days_after(last) <= STARTS_SPEAK_DAYS;
        self.speed.is_judged() && self.speed.seen.last().is_some_and(|seen| lately(seen.at))
    }

    /// Whether enough was seen, lately enough, to judge the pump.
    pub(crate) fn is_judged(&self, at: Stamp) -> bool {
        let heard = |last: Option<Stamp>| {
            last.is_some_and(|last| at.days_after(last) <= self.config.stale_days)
        };
        ((self.speed.is_judged() || self.base.is_judged()) && heard(self.last_start))
            || (self.steady_tells() && heard(self.steady.seen.last().map(|seen| seen.at)))
    }

    /// Whether steady pressures tell of the pump: there are enough, and no set point holds them.
    fn steady_tells(&self) -> bool {
        self.steady.is_judged() && self.set_point.held_kpa().is_none()
    }

    /// Whether the pump itself is out of control: by its starts, or by the steady pressure where
    /// no starts speak.
    pub(crate) fn pump_alert(&self, at: Stamp) -> bool {
        let runs_alert = self.steady.alert || self.set_point.lost_since().is_some();
        self.starts_alert() || (runs_alert && !self.starts_speak(at))
    }

    /// Whether the starts themselves show the change.
    pub(crate) fn starts_alert(&self) -> bool {
        self.speed.alert || self.base.alert
    }

    pub(crate) fn steady_alert(&self) -> bool {
        self.steady.alert
    }

    /// Earliest onset among the witnesses in alert.
    pub(crate) fn onset(&self) -> Option<Stamp> {
        let starts = [self.speed.onset, self.base.onset]
            .into_iter()
            .flatten()
            .min();
        starts
            .or(self.steady.onset)
            .or_else(|| self.set_point.lost_since())
    }

    pub(crate) fn view_of(&self, run: &Run) -> Option<View> {
        self.views
            .iter()
            .rev()
            .find(|(id, _)| id == &run.run_id)
            .map(|(_, view)| *view)
    }

    pub(crate) fn place_sd_kpa(&self) -> f64 {
        self.place_sd_kpa
    }

    /// Saturation pressure of water at the pump's temperature, kPa.
    pub(crate) fn saturation_kpa(&self) -> Option<f64> {
        self.pump_degc
            .map(saturation::pressure_kpa)
            .filter(|kpa| kpa.is_finite())
    }

    /// ln of the rated volume flow, m³/h.
    pub(crate) fn ln_rated_m3h(&self) -> Option<f64> {
        let rated = self.unit.and_then(|row| row.vacuum_pump_m3h);
        rated.filter(|m3h| *m3h > 0.0).map(f64::ln)
    }

    /// Pump speed in m³/h of a level of ln relative speed; None without volume and rating.
    pub(crate) fn ln_m3h(&self, level: f64) -> Option<f64> {
        let litres = self
            .unit
            .and_then(|row| row.chamber_volume_l)
            .filter(|l| *l > 0.0);
        let by_volume = litres.map(|litres| level + (3.6 * litres).ln());
        // Without a volume, the pump is taken to have had its rated speed when first seen.
        let rated = self
            .unit
            .and_then(|row| row.vacuum_pump_m3h)
            .filter(|v| *v > 0.0);
        by_volume.or_else(|| Some(rated?.ln() + level - self.new_level()?))
    }
}
