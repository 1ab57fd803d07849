//! What a gauge shows of a chamber at rest: a zero that moved, which every pressure after it carries.
//!
//! A chamber that is vented holds the barometer, whatever the pump is like. A gauge that reads higher there than
//! it used to lifts base and steady pressure by the same and leaves times between two ratios alone; a leak
//! lifts both and leaves the chamber at rest.

use drydown_quantity::Stamp;
use drydown_stats::robust;

use crate::PumpStart;

/// Readings at rest before a change, and since, that tell of one (common practice).
const LEAST: usize = 3;
/// Readings before a change that are looked at.
const MOST_BEFORE: usize = 20;
/// What the weather of some weeks leaves in a median of readings at rest, kPa (common practice).
const WEATHER_KPA: f64 = 0.3;
/// A zero has moved where it did so by this many standard errors, at least.
pub(crate) const LEAST_SES: f64 = 3.0;
/// A rise of pressure is the gauge's where what is left of it is no more than this, kPa (what a vacuum gauge may
/// drift between two calibrations, common practice), and two standard errors.
const LEFT_KPA: f64 = 0.5;

/// By how much a gauge reads off at rest, against what it read before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct GaugeOff {
    pub(crate) kpa: f64,
    pub(crate) se: f64,
    /// Its first reading at rest that was off.
    pub(crate) since: Stamp,
}

impl GaugeOff {
    /// Whether it is what a rise of a pressure, kPa, with a standard error, comes to.
    pub(crate) fn explains(&self, (rise, se): (f64, f64)) -> bool {
        let left = (rise - self.kpa).abs();
        self.kpa >= LEAST_SES * self.se
            && left <= LEFT_KPA + 2.0 * se.hypot(self.se)
            // What is left must not be most of it.
            && left <= 0.5 * rise
    }
}

/// Readings of a gauge at rest since it was fitted: less the barometer used, or as they are where an absolute
/// gauge needs none.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rests(Vec<(Stamp, f64)>);

impl Rests {
    /// Takes a start in, whether or not it counts as a test.
    pub(crate) fn take(&mut self, start: &PumpStart) {
        if let Some(kpa) = start.rest_kpa {
            let off = kpa - start.ambient_kpa.unwrap_or(0.0);
            self.0.push((start.started_at, off));
        }
    }

    /// Another gauge was fitted.
    pub(crate) fn clear(&mut self) {
        self.0.clear();
    }

    /// By how much the gauge is off by the later half of what it showed since an onset; None where too few
    /// readings tell.
    pub(crate) fn off_since(&self, onset: Stamp) -> Option<GaugeOff> {
        let (kpa, se, level) = self.off(onset, LEAST)?;
        let mut since = self.0.iter().filter(|(at, _)| *at >= onset);
        let first = since.find(|(_, off)| off - level > 0.5 * kpa)?;
        Some(GaugeOff {
            kpa,
            se,
            since: first.0,
        })
    }

    /// The like with its standard error, kPa, from the first reading since: what it is worth, the error says.
    pub(crate) fn hint_since(&self, onset: Stamp) -> Option<(f64, f64)> {
        self.off(onset, 1).map(|(kpa, se, _)| (kpa, se))
    }

    /// How far off the gauge is, its standard error and its level before, kPa, by at least so many readings since.
    fn off(&self, onset: Stamp, least: usize) -> Option<(f64, f64, f64)> {
        let (before, since) = self
            .0
            .split_at(self.0.partition_point(|(at, _)| *at < onset));
        let before: Vec<f64> = before
            .iter()
            .rev()
            .take(MOST_BEFORE)
            .map(|(_, off)| *off)
            .collect();
        let late: Vec<f64> = since
            .iter()
            .skip(since.len() / 2)
            .map(|(_, off)| *off)
            .collect();
        if before.len() < LEAST || since.len() < least {
            return None;
        }
        let level = robust::median(&before)?;
        let kpa = robust::median(&late)? - level;
        let sd = robust::mad(&before)?;
        // Variance of a median: π/2 times that of a mean.
        let of_n = |n: usize| std::f64::consts::FRAC_PI_2.sqrt() * sd / (n as f64).sqrt();
        let se = of_n(before.len())
            .hypot(of_n(late.len()))
            .hypot(WEATHER_KPA);
        Some((kpa, se, level))
    }
}
