//! How the base pressure of a failing pump came to where it is: leak-back of wear, a leak, or both.
//!
//! Clearances that open lift the base with the speed that they take (`leak_back`), and by some power of
//! the days where no start shows the speed. A leak adds a pressure of its own, at once or growing,
//! steadily or ever faster. Every way is followed by a Kalman filter from the base of the sound
//! pump, given the speed lost, and weighs what its likelihood says (Bayesian model averaging).
//!
//! Water in what seals a pump lifts the base as well: with the saturation pressure at the pump's
//! temperature where that is logged right, until the oil is changed (`base_filter`).

use drydown_quantity::Stamp;
use drydown_runs::history::PumpKind;

use crate::PumpStart;
use crate::base_extras::extras;
use crate::base_filter::{Extra, State, What, clock, seal_by_air};
use crate::filter::Spread;
use crate::leak_back::{LEAST_LOST, Law, LeakBack, LeakBackPrior, laws};
use crate::monitor::{Monitor, days_of};

/// Saturation pressure at 40 °C, and at 60 °C where the pump's temperature is not logged (a warm
/// oil-sealed pump, common practice), kPa (IAPWS-IF97): no more than that comes from water.
const SATURATED_KPA: f64 = 7.38;
const SATURATED_WARM_KPA: f64 = 19.95;
/// The like at 75 °C, of seal water that goes round and whose cooler is fouled (IAPWS-IF97; that it gets no
/// warmer, common practice).
pub(crate) const SATURATED_SEAL_KPA: f64 = 38.6;
const LEAST_WEIGHT: f64 = 2e-3;
/// A day's pressure this far back no longer says what is now: points looked at.
const MOST_POINTS: usize = 120;

/// One base pressure and what was known of the level before it came.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BasePoint {
    pub(crate) at: Stamp,
    pub(crate) kpa: f64,
    pub(crate) se: f64,
    pub(crate) level: f64,
    pub(crate) level_sd: f64,
    /// Saturation pressure at the pump's temperature; None where that is not logged.
    pub(crate) sealed_kpa: Option<f64>,
    /// What the weather makes of water in a seal whose temperature is not logged, over that in air of 15 °C.
    pub(crate) by_air: Option<f64>,
}

impl BasePoint {
    /// What the weather makes of the seal water at a start, where nothing else tells its temperature and bases of
    /// sound pumps were seen to go with it.
    pub(crate) fn by_air(start: &PumpStart, kind: Option<PumpKind>, base: &Monitor) -> Option<f64> {
        let air = start.ambient_degc?;
        (kind == Some(PumpKind::LiquidRing) && base.goes_with_air()).then(|| seal_by_air(air))
    }
}

/// One way in which the base may have come to where it is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct BasePath {
    /// Probability.
    pub(crate) weight: f64,
    pub(crate) back: LeakBack,
    /// ln speed lost by now.
    pub(crate) lost: f64,
    /// Means and covariances of the sound pump's base, the leak and its growth per day of its
    /// clock: kPa at the speed of now for the first two as they stand, the growth likewise.
    pub(crate) mean: [f64; 3],
    pub(crate) cov: [[f64; 3]; 3],
    /// What lifts the base beside lost speed, where anything does, and since which day.
    pub(crate) beside: Option<What>,
    pub(crate) leak_since: Option<f64>,
    /// Day that the path is told of.
    pub(crate) now: f64,
    pub(crate) pace: f64,
}

impl BasePath {
    /// A base that nothing was seen of but what pumps of its kind hold, kPa.
    pub(crate) fn unseen((kpa, sd): (f64, f64), ln_gamma: f64, now: f64) -> Self {
        Self {
            weight: 1.0,
            back: LeakBack::Factor(ln_gamma.exp()),
            lost: 0.0,
            mean: [kpa, 0.0, 0.0],
            cov: [[sd * sd, 0.0, 0.0], [0.0; 3], [0.0; 3]],
            beside: None,
            leak_since: None,
            now,
            pace: 1.0,
        }
    }

    /// Days of the leak's clock from now until so many days later.
    pub(crate) fn clock_ahead(&self, days: f64) -> f64 {
        clock(self.leak_since, self.pace, self.now, self.now + days)
    }

    /// Pressure held without any gas from the oil, kPa: mean.
    pub(crate) fn kpa(&self) -> f64 {
        self.mean[0] + self.back.added_kpa(self.lost) + self.mean[1].max(0.0)
    }
}

/// What holds the water that lifts a pump's base.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wet {
    /// Its oil: an oil change takes the water with it.
    Oil,
    /// Its seal water.
    Seal,
}

/// What is asked of a base pressure.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Question<'a> {
    /// All points since the pump was made new, in time.
    pub(crate) points: &'a [BasePoint],
    pub(crate) spread: Spread,
    /// Base of a sound pump of the kind, kPa: mean and standard deviation.
    pub(crate) of_kind: (f64, f64),
    /// How the base goes with lost speed, beforehand.
    pub(crate) leak_back: LeakBackPrior,
    /// Whether starts tell the speed: wear that takes none is then rare …
    pub(crate) speed_seen: bool,
    /// … but in a pump without oil or water in its clearances, whose gas slips back through them.
    pub(crate) slips: bool,
    /// Growth of a leak per day, kPa: mean and standard deviation.
    pub(crate) growth: (f64, f64),
    pub(crate) now: f64,
    /// Day of the first change of any witness.
    pub(crate) onset: Option<f64>,
    /// Day of the base's own alert.
    pub(crate) base_onset: Option<f64>,
    /// Day of the last oil change or mended leak.
    pub(crate) renewed: Option<f64>,
    /// Whether water may get into what seals the pump, and whether it goes with the oil.
    pub(crate) wet: Option<Wet>,
    /// Whether the barometer is assumed, and how well it is then known, kPa.
    pub(crate) place_sd: f64,
}

/// Ways of a base and how likely each kind of them makes what was seen.
#[derive(Clone, Debug)]
pub(crate) struct BaseWays {
    pub(crate) ways: Vec<BasePath>,
    /// Log likelihood of the bases where speed is lost to wear and where something stands in the way; by nothing
    /// else, a leak, water in what seals the pump. None where that was not asked.
    pub(crate) ln_evidence: [[Option<f64>; 3]; 2],
    /// Log likelihood of the bases over all ways.
    pub(crate) ln_total: f64,
}

/// The ways in which the base may have come to where it is, by weight. `lost` gives the ln speed lost
/// on a day since the onset.
pub(crate) fn base_paths(ask: &Question<'_>, lost: impl Fn(f64) -> f64) -> BaseWays {
    let onset = ask.onset.unwrap_or(ask.now);
    let split = ask.points.partition_point(|p| days_of(p.at) < onset);
    let (before, since) = ask.points.split_at(split);
    let level = before
        .last()
        .map_or(ask.of_kind, |point| (point.level, point.level_sd));
    let from = before.last().map_or(onset, |point| days_of(point.at));
    let since = since
        .get(since.len().saturating_sub(MOST_POINTS)..)
        .unwrap_or(since);
    let points: Vec<(f64, f64, &BasePoint)> = since
        .iter()
        .map(|point| {
            let day = days_of(point.at);
            (day, lost(day), point)
        })
        .collect();
    let lost_now = lost(ask.now);
    let logged = points
        .iter()
        .any(|(_, _, point)| point.sealed_kpa.or(point.by_air).is_some());
    let leaks = extras(ask, lost_now, logged);
    let no_leak = 1.0 - leaks.iter().map(|leak| leak.prior).sum::<f64>();
    let mut classes: [[Vec<(f64, f64)>; 3]; 2] = Default::default();
    let mut ways = Vec::new();
    let mut follow = |laws: &[Law], share: f64, extra: Option<&Extra>| {
        let begun = State::new(level, ask, from);
        let mut known: Option<(State, f64)> = None;
        for law in laws {
            // Where no speed is lost, one course stands for every law.
            let (state, ln_course) = match known.filter(|_| lost_now <= LEAST_LOST) {
                Some(known) => known,
                None => begun.through(&points, law.back, extra, ask),
            };
            known = Some((state, ln_course));
            let mut ln_likelihood = ln_course;
            if extra.is_some_and(|extra| extra.what == What::Wet) {
                // No more comes from water than its saturation pressure.
                let (kpa, most) = match (ask.wet, extra.is_some_and(|extra| extra.with_saturation))
                {
                    (Some(Wet::Seal), _) => (state.shown_kpa(), SATURATED_SEAL_KPA),
                    (_, true) if logged => (state.extra_kpa(), SATURATED_KPA),
                    _ => (state.extra_kpa(), SATURATED_WARM_KPA),
                };
                let beyond = (kpa - most).max(0.0);
                ln_likelihood -= 0.5 * beyond * beyond;
            }
            let class = extra.map_or(0, |extra| match extra.what {
                What::Clearance => 0,
                What::Leak => 1,
                What::Wet => 2,
            });
            let ln_of = |prior: f64| (prior * share).max(1e-12).ln() + ln_likelihood;
            for (row, prior) in classes.iter_mut().zip([law.worn, law.in_the_way]) {
                if let Some(class) = row.get_mut(class).filter(|_| prior > 0.0) {
                    class.push((ln_of(prior), prior * share));
                }
            }
            let path = state.path(law.back, lost_now, extra, ask.now);
            ways.push((ln_of(law.prior()), path));
        }
    };
    follow(&laws(&ask.leak_back, lost_now, false), no_leak, None);
    let coarse = laws(&ask.leak_back, lost_now, true);
    for extra in &leaks {
        if extra.what == What::Clearance {
            let worn = Law::of_wear(LeakBack::Factor(1.0), 1.0);
            follow(&[worn], extra.prior, Some(extra));
        } else {
            follow(&coarse, extra.prior, Some(extra));
        }
    }
    let top = ways
        .iter()
        .map(|way| way.0)
        .fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    BaseWays {
        ways: weighed(ways),
        ln_total: top + sum.ln(),
        ln_evidence: classes.map(|row| row.map(|class| ln_evidence(&class))),
    }
}

/// Log of the mean likelihood of some ways, given log of likelihood times prior, and the prior.
pub(crate) fn ln_evidence(ways: &[(f64, f64)]) -> Option<f64> {
    let top = ways
        .iter()
        .map(|way| way.0)
        .fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    let prior: f64 = ways.iter().map(|way| way.1).sum();
    (prior > 0.0).then(|| top + (sum / prior).ln())
}

/// Log weights to probabilities, the likeliest first.
fn weighed(mut ways: Vec<(f64, BasePath)>) -> Vec<BasePath> {
    ways.sort_by(|a, b| b.0.total_cmp(&a.0));
    let top = ways.first().map_or(0.0, |way| way.0);
    ways.retain(|way| way.0 > top + LEAST_WEIGHT.ln());
    let total: f64 = ways.iter().map(|way| (way.0 - top).exp()).sum();
    ways.into_iter()
        .map(|(ln_weight, path)| BasePath {
            weight: (ln_weight - top).exp() / total,
            ..path
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPREAD: Spread = Spread {
        noise_sd: 0.12,
        shared_sd: 0.05,
        phi_per_day: 0.6,
        diffusion_sd: 0.005,
        drift_mean: 0.0,
        drift_sd: 1e-3,
    };

    /// Base pressures every other day of 160 days, the onset on day 80, with a course of the base
    /// since, kPa.
    fn points(course: impl Fn(f64) -> f64) -> Vec<BasePoint> {
        let point = |k: u32| {
            let since = (f64::from(k) - 80.0).max(0.0);
            BasePoint {
                at: Stamp::from_micros(0).plus_days(f64::from(k)),
                kpa: course(since) + 0.1 * (f64::from(k) * 1.7).sin(),
                se: 0.05,
                level: 4.0,
                level_sd: 0.1,
                sealed_kpa: None,
                by_air: None,
            }
        };
        (0..160).step_by(2).map(point).collect()
    }

    fn question(points: &[BasePoint], base_onset: Option<f64>) -> Question<'_> {
        Question {
            points,
            spread: SPREAD,
            of_kind: (3.0, 2.0),
            leak_back: LeakBackPrior {
                ln_gamma: (0.3, 0.4),
                by_power: 0.25,
            },
            speed_seen: true,
            slips: false,
            growth: (0.05, 0.1),
            now: 160.0,
            onset: Some(80.0),
            base_onset,
            renewed: None,
            wet: Some(Wet::Oil),
            place_sd: 0.0,
        }
    }

    fn ways(points: &[BasePoint], lost_per_day: f64, base_onset: Option<f64>) -> Vec<BasePath> {
        let ask = question(points, base_onset);
        base_paths(&ask, |day| lost_per_day * (day - 80.0).max(0.0)).ways
    }

    /// Exponent by which a way's base goes with lost speed at a loss of 0.8.
    fn gamma_of(way: &BasePath) -> f64 {
        (way.back.factor(0.8) + way.back.added_kpa(0.8) / 4.0).ln() / 0.8
    }

    fn mean(ways: &[BasePath], of: impl Fn(&BasePath) -> f64) -> f64 {
        ways.iter().map(|way| way.weight * of(way)).sum()
    }

    #[test]
    fn the_exponent_of_leak_back_is_learnt_from_the_pump_itself() {
        for gamma in [1.0, 1.7, 2.5] {
            let worn = points(|since| 4.0 * (gamma * 0.01 * since).exp());
            let found = ways(&worn, 0.01, Some(95.0));
            assert!(
                (mean(&found, gamma_of) / gamma - 1.0).abs() < 0.2,
                "{gamma}"
            );
            let now = 4.0 * (gamma * 0.8f64).exp();
            assert!(
                (mean(&found, BasePath::kpa) / now - 1.0).abs() < 0.1,
                "{gamma}"
            );
        }
        // Nothing seen since the onset leaves it as vague as it was.
        let found = ways(&points(|_| 4.0)[..40], 0.01, None);
        let gamma = mean(&found, gamma_of);
        let sd = mean(&found, |way| (gamma_of(way) - gamma).powi(2)).sqrt();
        assert!((1.0..1.6).contains(&gamma) && sd > 0.4, "{gamma} {sd}");
    }

    #[test]
    fn a_restriction_lifts_no_base_and_a_leak_is_no_wear() {
        let still = ways(&points(|_| 4.0), 0.01, None);
        assert!(mean(&still, gamma_of) < 0.1);
        // A leak that grows by 0.1 kPa a day with the speed as it was.
        let leak = ways(&points(|since| 4.0 + 0.1 * since), 0.0, Some(85.0));
        assert!((mean(&leak, |way| way.mean[1]) - 8.0).abs() < 0.6);
        let ahead = mean(&leak, |way| {
            way.mean[1] + way.mean[2] * way.clock_ahead(50.0)
        });
        assert!((ahead - 13.0).abs() < 2.0, "{ahead}");
    }

    #[test]
    fn what_stands_in_the_way_lifts_the_part_that_leaks_in() {
        let apart = |course: &dyn Fn(f64) -> f64| {
            let ask = question(&[], None);
            let points = points(|since| 4.0 * course(0.012 * since));
            let ask = Question {
                points: &points,
                ..ask
            };
            let lost = |day: f64| 0.012 * (day - 80.0).max(0.0);
            let [worn, in_the_way] = base_paths(&ask, lost).ln_evidence;
            in_the_way[0].unwrap() - worn[0].unwrap()
        };
        // Little of the base leaks in, a half, all of it, and clearances that opened as well.
        let of_share = |share: f64| apart(&|lost: f64| 1.0 + share * lost.exp_m1());
        assert!(of_share(0.1) > 1.0, "{}", of_share(0.1));
        assert!(of_share(0.5) > 1.0, "{}", of_share(0.5));
        assert!(of_share(1.0).abs() < 2.0, "{}", of_share(1.0));
        let opened = apart(&|lost: f64| (1.7 * lost).exp());
        assert!(opened < -10.0, "{opened}");
    }

    #[test]
    fn a_leak_beside_wear_is_seen_as_both() {
        let both = points(|since| {
            let worn = 4.0 * (1.3 * 0.005 * since).exp();
            let leak: f64 = if since > 20.0 { 6.0 } else { 0.0 };
            worn + leak * (0.005 * since).exp()
        });
        let found = ways(&both, 0.005, Some(101.0));
        let leaking = mean(&found, |way| f64::from(u8::from(way.leak_since.is_some())));
        assert!(leaking > 0.95, "{leaking}");
        let leak = mean(&found, |way| way.mean[1]);
        assert!((leak - 6.0 * 0.4f64.exp()).abs() < 2.0, "{leak}");
    }

    #[test]
    fn water_that_a_warm_pump_dries_is_no_leak() {
        let dries = points(|since| {
            4.0 + if since > 0.0 {
                3.0 * (-since / 4.0).exp()
            } else {
                0.0
            }
        });
        let [[_, leak, wet], _] = base_paths(&question(&dries, Some(82.0)), |_| 0.0).ln_evidence;
        assert!(wet.unwrap() > leak.unwrap() + 2.0, "{leak:?} {wet:?}");
    }
}
