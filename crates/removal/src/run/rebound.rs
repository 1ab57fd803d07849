//! What the same sensor reads when a unit comes back to a reservoir some hours or days after it stopped there.
//!
//! A loop that was dried ahead of its rest gets water back from it within a day: the rise goes with what the run took and
//! not with the hours. Ingress goes with the hours, during rests of weeks as well. Within one run both leave a tail
//! that a level to tend to explains as well; between runs they differ, and how much came back is how much less of the
//! whole was dried. Readings of one sensor are compared, so that its zero and gain cancel.

use drydown_stats::robust;

use super::RunInput;
use super::fit::Fit;
use super::model::{Model, Values, at_outlet};
use super::status::{end_ppm, noise_ppm};
use crate::config::RunFitConfig;

/// A rest of at most this is one in which ingress changes little, h; a longer one tells the usual ingress. Common practice,
/// no source.
const REST_MOST_H: f64 = 120.0;
/// A shorter stop has not let the rest give back anything that shows, h.
const REST_LEAST_H: f64 = 3.0;
/// No rest says more than this as a deviance: oil may have been filled in, or a leak begun.
const MOST: f64 = 6.0;
/// What a law of the rises is good for itself, share of what it says.
const LAW_SD: f64 = 0.3;
/// How probable bad mixing is before its runs are seen. Common practice, no source.
const BADLY_MIXED: f64 = 0.3;

/// The reading at the next start, for a run's fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct NextStart {
    /// What this run's sensor would read, ppm.
    pub(super) reading_ppm: f64,
    /// Its standard deviation with that of the ingress, ppm.
    pub(super) sd_ppm: f64,
    /// What ingress brought meanwhile, ppm.
    pub(super) ingress_ppm: f64,
}

impl NextStart {
    /// Residual of a predicted reading; bounded, as something else may have happened to the oil.
    pub(super) fn residual(self, predicted_ppm: f64) -> f64 {
        const ELSE: f64 = 0.05;
        let z = (self.reading_ppm - predicted_ppm) / self.sd_ppm;
        let likely = ((-0.5 * z * z).exp() + ELSE) / (1.0 + ELSE);
        z.signum() * (-2.0 * likely.ln()).max(0.0).sqrt()
    }
}

impl Model<'_> {
    /// What the loop got back by the next start, by the law that knows a rest.
    pub(super) fn push_next(&self, values: &Values, water: &[f64], out: &mut Vec<f64>) {
        let next = self.priors.mixing.next.filter(|_| self.shape.mixing);
        let node = self.points.next_node.and_then(|node| water.get(node));
        if let Some((next, content)) = next.zip(node) {
            out.push(next.residual(self.reading_ppm(values, content + next.ingress_ppm)));
        }
    }

    /// What the sensor reads of a content at the run's middling conditions, ppm.
    fn reading_ppm(&self, values: &Values, content_ppm: f64) -> f64 {
        let seen = if self.points.sensor_at_outlet {
            at_outlet(values, None, content_ppm)
        } else {
            content_ppm
        };
        values.gain * seen + values.offset_ppm
    }
}

/// What the rests between the runs of one reservoir say of its mixing.
#[derive(Clone, Debug, Default)]
pub(super) struct Rebounds {
    /// For each run the reading at the next start, where it tells something.
    pub(super) next: Vec<Option<NextStart>>,
    /// Water comes back as from a rest of the oil, and ingress does not explain it.
    pub(super) shown: bool,
    /// Probability of bad mixing where ingress does not usually bring so much, and still might; else 0.
    pub(super) doubt: f64,
}

impl Rebounds {
    /// The reading at the start after a run.
    pub(super) fn of(&self, run: usize) -> Option<NextStart> {
        self.next.get(run).copied().flatten()
    }
}

/// One rest of a unit beside its reservoir.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rest {
    /// Place of the run before it.
    run: usize,
    pub(super) hours: f64,
    /// What the run took, what came back, and the start after it, as the sensor reads.
    fall_ppm: f64,
    pub(super) rise_ppm: f64,
    pub(super) reading_ppm: f64,
    pub(super) sd_ppm: f64,
}

/// A rest of a reservoir without a unit, long enough to tell ingress; water in the oil.
#[derive(Clone, Copy, Debug)]
pub(super) struct Long {
    hours: f64,
    fall_ppm: f64,
    rise_ppm: f64,
    /// The start after it, as its sensor reads.
    pub(super) start_ppm: f64,
}

/// What lies between the runs of one reservoir.
#[derive(Clone, Debug, Default)]
pub(super) struct Gaps {
    pub(super) rests: Vec<Rest>,
    pub(super) long: Vec<Long>,
}

/// A run's ends as its sensor reads them, with the scatter of one reading.
struct Ends {
    start_ppm: f64,
    end_ppm: f64,
    sd_ppm: f64,
    level_ppm: [f64; 2],
}

fn ends(fit: &Fit<'_>) -> Option<Ends> {
    let values = fit.model.values(&fit.theta);
    let end = end_ppm(fit);
    let points = fit.model.points;
    (!points.sensor.is_empty()).then(|| Ends {
        start_ppm: fit.model.reading_ppm(&values, values.start_ppm),
        end_ppm: fit.model.reading_ppm(&values, end),
        sd_ppm: noise_ppm(fit, end),
        level_ppm: [values.start_ppm, end],
    })
}

/// The place of the next run on the reservoir after each, by time.
fn followers(inputs: &[RunInput<'_>]) -> Vec<(usize, usize)> {
    let mut order: Vec<usize> = (0..inputs.len()).collect();
    order.sort_by_key(|idx| inputs.get(*idx).map(|input| input.run.started_at));
    let next = order.iter().copied().skip(1);
    order.iter().copied().zip(next).collect()
}

/// Hours from the end of a run to the start of the next; None where another unit came.
fn rest_h(inputs: &[RunInput<'_>], run: usize, next: usize) -> Option<(f64, bool)> {
    let (run, next) = (inputs.get(run)?.run, inputs.get(next)?.run);
    Some((
        next.started_at.hours_after(run.ended_at),
        run.unit_id == next.unit_id,
    ))
}

/// For each run, hours from its end to the next start of its unit on the reservoir, where that follows within days.
pub(super) fn next_starts(inputs: &[RunInput<'_>]) -> Vec<Option<f64>> {
    let mut out = vec![None; inputs.len()];
    for (run, next) in followers(inputs) {
        let Some((hours, true)) = rest_h(inputs, run, next) else {
            continue;
        };
        if let Some(cell) = out.get_mut(run)
            && (REST_LEAST_H..REST_MOST_H).contains(&hours)
        {
            *cell = Some(hours);
        }
    }
    out
}

/// The rests between runs, from the fits of one body (None where a run had none).
pub(super) fn gaps(inputs: &[RunInput<'_>], fits: &[Option<&Fit<'_>>]) -> Gaps {
    let ends: Vec<Option<Ends>> = fits.iter().map(|fit| ends((*fit)?)).collect();
    let mut gaps = Gaps::default();
    for (run, next) in followers(inputs) {
        let pair = ends.get(run).zip(ends.get(next));
        let (Some((Some(one), Some(other))), Some((hours, same_unit))) =
            (pair, rest_h(inputs, run, next))
        else {
            continue;
        };
        if hours >= REST_MOST_H {
            let [start, end] = one.level_ppm;
            gaps.long.push(Long {
                hours,
                fall_ppm: start - end,
                rise_ppm: other.level_ppm[0] - end,
                start_ppm: other.start_ppm,
            });
        } else if same_unit && hours >= REST_LEAST_H {
            gaps.rests.extend(rest(run, hours, one, other));
        }
    }
    gaps
}

fn rest(run: usize, hours: f64, one: &Ends, other: &Ends) -> Option<Rest> {
    /// A start is reached back to along the curve from the first bins; share of it.
    const START_CV: f64 = 0.03;
    let fall_ppm = one.start_ppm - one.end_ppm;
    let sd_ppm = one
        .sd_ppm
        .hypot(other.sd_ppm)
        .hypot(START_CV * other.start_ppm)
        .hypot(0.5);
    (fall_ppm > 4.0 * sd_ppm && fall_ppm > 0.25 * one.start_ppm).then_some(Rest {
        run,
        hours,
        fall_ppm,
        rise_ppm: other.start_ppm - one.end_ppm,
        reading_ppm: other.start_ppm,
        sd_ppm,
    })
}

/// Compares the explanations of the rises.
pub(super) fn rebounds(gaps: &Gaps, n_runs: usize, config: &RunFitConfig) -> Rebounds {
    let Gaps { rests, long } = gaps;
    const N_REST_MIN: usize = 4;
    const N_LONG_MIN: usize = 2;
    const SHARE_MIN: f64 = 0.05;
    let unknown_per_h = config.sample_ingress_ppm_per_day / 24.0;
    let of_long = |share: f64, p: f64| {
        let rates: Vec<f64> = long
            .iter()
            .map(|long| (long.rise_ppm - share * long.fall_ppm) / long.hours)
            .collect();
        let rate = robust::quantile(&rates, p).filter(|_| rates.len() >= N_LONG_MIN);
        rate.unwrap_or(unknown_per_h).max(0.0)
    };
    let median = |of: &dyn Fn(&Rest) -> f64| {
        let values: Vec<f64> = rests.iter().map(of).collect();
        robust::median(&values).unwrap_or(0.0)
    };
    // Ingress alone, of whatever size; and a share of the fall, with the ingress that long rests tell beside it.
    let leak_per_h = median(&|rest| rest.rise_ppm / rest.hours).max(0.0);
    let (mut share, mut ingress_per_h) = (0.0, of_long(0.0, 0.5).min(leak_per_h));
    for _ in 0..4 {
        share = median(&|rest| (rest.rise_ppm - ingress_per_h * rest.hours) / rest.fall_ppm)
            .clamp(0.0, 0.9);
        ingress_per_h = of_long(share, 0.5).min(leak_per_h);
    }
    let misfit = |of: &dyn Fn(&Rest) -> (f64, f64)| -> f64 {
        let one = |rest: &Rest| {
            let (mean, spread) = of(rest);
            ((rest.rise_ppm - mean) / rest.sd_ppm.hypot(LAW_SD * spread))
                .powi(2)
                .min(MOST)
        };
        rests.iter().map(one).sum()
    };
    let by_leak = misfit(&|rest| {
        let mean = leak_per_h * rest.hours;
        (mean, mean)
    });
    let by_rest = misfit(&|rest| {
        let back = share * rest.fall_ppm;
        (back + ingress_per_h * rest.hours, back)
    });
    let usual_most = of_long(0.0, 0.85);
    let unusual: f64 = rests
        .iter()
        .map(|rest| {
            let z = (rest.rise_ppm - usual_most * rest.hours) / rest.sd_ppm;
            z.signum() * (z * z).min(MOST)
        })
        .sum();
    let is_material = share > 0.08 && unusual > 0.5 * MOST;
    let gain = by_leak - by_rest;
    let odds = BADLY_MIXED / (1.0 - BADLY_MIXED) * (gain / 6.0).exp();
    let mut next = vec![None; n_runs];
    for rest in rests {
        let ingress_ppm = ingress_per_h * rest.hours;
        let ingress_sd = (0.5 * ingress_ppm).max(0.2 * unknown_per_h * rest.hours);
        // A rest of less than a day has not given all back, and at a rate that the run tells badly: oil that stands mixes
        // otherwise than oil that is pumped.
        let not_back_ppm = 0.25 * rest.fall_ppm * (-rest.hours / 12.0).exp();
        if let Some(cell) = next.get_mut(rest.run) {
            *cell = Some(NextStart {
                reading_ppm: rest.reading_ppm,
                sd_ppm: rest.sd_ppm.hypot(ingress_sd).hypot(not_back_ppm),
                ingress_ppm,
            });
        }
    }
    Rebounds {
        next,
        shown: is_material && rests.len() >= N_REST_MIN && gain > config.mixing_deviance_together,
        doubt: if is_material {
            Some(odds / (1.0 + odds))
                .filter(|share| *share > SHARE_MIN)
                .unwrap_or(0.0)
        } else {
            0.0
        },
    }
}
