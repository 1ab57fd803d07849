//! The likelihood of one reservoir's usual ingress: on which rates, under which variants of the law.

use crate::filter::{FINE_LEAP_H, Filtered, ROUGH_LEAP_H, Slot, filter};
use crate::law::{Law, LevelPrior, Visible};
use crate::timeline::Timeline;

/// Step of a grid, ln: sums over a smooth law are exact long before a step is a standard deviation of
/// it, and hardly any rate is known better than by a quarter. At least and at most so many points.
const STEP: f64 = 0.25;
const POINTS: (usize, usize) = (13, 25);
/// The same for a grid that only the integral is taken of.
const ROUGH_STEP: f64 = 0.5;
const ROUGH_POINTS: (usize, usize) = (9, 15);
/// Points that find where the likelihood lies.
const SCAN_POINTS: usize = 21;
/// A way for water to show whose likelihood stays this far behind (ln) is given up.
const FAR_BEHIND: f64 = 7.0;
/// A saturation whose likelihood stays this far behind (ln) another's is not followed further away from it.
const LEFT_BEHIND: f64 = 2.0;
/// A saturation this many times what was ever seen plays no part in what was seen.
const FAR_ABOVE: f64 = 1.3;
/// ln of the slowest and fastest rise thought of: 0.0024 to 2400 ppm a day.
const LN_RATE_RANGE: (f64, f64) = (-9.2, 4.6);

/// Points over an interval, ends included, a step apart if their number allows.
fn stepped((low, high): (f64, f64), step: f64, (least, most): (usize, usize)) -> Vec<f64> {
    let n = ((high - low) / step).ceil() as usize + 1;
    grid((low, high), n.clamp(least, most))
}

/// `n` points over an interval, ends included.
fn grid((low, high): (f64, f64), n: usize) -> Vec<f64> {
    let step = (high - low) / (n.max(2) - 1) as f64;
    (0..n).map(|idx| low + step * idx as f64).collect()
}

/// The likelihood over all rates, on a coarse grid, then only where it is not negligible.
#[must_use]
pub(crate) fn likelihood(timeline: &Timeline, law: &Law, level: LevelPrior) -> Filtered {
    let variants = law.variants();
    let seen_ppm = timeline.highest_ppm();
    let is_far = |of: &Law| of.visible.solubility_ppm > FAR_ABOVE * seen_ppm;
    let (mut range, top) = scan(timeline, law, level);
    // where water is shed unseen, faster rates are as likely; and either may be out of the question
    let shows_like = |of: &Law| of.visible.shows_like(law.visible);
    let mut lead = 0.0;
    if let Some(other) = holding(&variants, seen_ppm, |of| !shows_like(of))
        && !(is_far(other) && is_far(law))
    {
        let ((low, high), other_top) = scan(timeline, other, level);
        range = (range.0.min(low), range.1.max(high));
        lead = top - other_top;
    }
    let is_likely = |of: &Law| {
        let behind = if shows_like(of) { -lead } else { lead };
        behind < FAR_BEHIND
    };
    let rates = stepped(range, STEP, POINTS);
    let mut all = Filtered::default();
    let likely = variants
        .iter()
        .enumerate()
        .filter(|(_, (_, of))| is_likely(of));
    // far below saturation nothing was seen of how the water shows above it: one table serves all
    let mut of_far: Vec<(f64, Filtered)> = Vec::new();
    let mut judged = Judged::default();
    let usual_exchange = law.exchange_per_h;
    for (variant, (ln_weight, law)) in likely {
        if !is_far(law) && judged.rules_out(law.visible) {
            continue;
        }
        let exchanges_like =
            |(exchange, _): &&(f64, Filtered)| exchange.total_cmp(&law.exchange_per_h).is_eq();
        let known = of_far.iter().find(exchanges_like).filter(|_| is_far(law));
        let table = match known {
            Some((_, table)) => table.clone(),
            None => filter(timeline, rates.clone(), law, level, FINE_LEAP_H),
        };
        if known.is_none() && is_far(law) {
            of_far.push((law.exchange_per_h, table.clone()));
        }
        if law.exchange_per_h.total_cmp(&usual_exchange).is_eq() {
            judged.0.push((law.visible, highest(&table)));
        }
        all.take(table, variant, *ln_weight);
    }
    all
}

/// Ways for water to show that have been tried, with the highest log likelihood of each.
#[derive(Default)]
struct Judged(Vec<(Visible, f64)>);

impl Judged {
    /// Whether a further saturation lies beyond one that another has left behind.
    fn rules_out(&self, visible: Visible) -> bool {
        let alike = || self.0.iter().filter(|(of, _)| of.shows_like(visible));
        let off = |of: &Visible| (of.solubility_ppm / visible.solubility_ppm).ln().abs();
        let best = alike().map(|(_, top)| *top).reduce(f64::max);
        let next = alike().min_by(|a, b| off(&a.0).total_cmp(&off(&b.0)));
        best.zip(next)
            .is_some_and(|(best, (_, top))| *top < best - LEFT_BEHIND)
    }
}

/// Of the laws of a kind the one of the lowest saturation that holds about what was seen; else of the highest.
fn holding(variants: &[(f64, Law)], seen_ppm: f64, is_of: impl Fn(&Law) -> bool) -> Option<&Law> {
    let solubility = |law: &Law| law.visible.solubility_ppm;
    let of_kind = || variants.iter().map(|(_, law)| law).filter(|law| is_of(law));
    let order = |a: &&Law, b: &&Law| solubility(a).total_cmp(&solubility(b));
    of_kind()
        .filter(|law| solubility(law) > 0.9 * seen_ppm)
        .min_by(order)
        .or_else(|| of_kind().max_by(order))
}

impl Filtered {
    /// Either this history or another of the same rates and variants, which has this probability; what came in
    /// of late is known no longer back than in the shorter.
    pub(crate) fn or(self, other: Self, probability: f64) -> Self {
        let mut both = Self::default();
        let recent_h = self.recent_h.min(other.recent_h);
        for (part, share) in [(self, 1.0 - probability), (other, probability)] {
            let variants = part.variant.clone();
            both.take(part, 0, share.ln());
            let first = both.variant.len() - variants.len();
            both.variant.truncate(first);
            both.variant.extend(variants);
        }
        both.recent_h = recent_h;
        both
    }

    /// Takes in the table of a further variant of the law.
    fn take(&mut self, mut table: Self, variant: usize, ln_weight: f64) {
        self.recent_h = table.recent_h;
        let n = self.variant.len() + table.ln_rate.len();
        self.variant.resize(n, variant);
        self.ln_rate.append(&mut table.ln_rate);
        self.slots.extend(table.slots.into_iter().map(|slots| {
            slots.map(|slot| Slot {
                ln_weight: slot.ln_weight + ln_weight,
                ..slot
            })
        }));
        let logs = table.ln_likelihood.iter().map(|ln| ln + ln_weight);
        self.ln_likelihood.extend(logs);
    }
}

/// The likelihood on a few points of a range of ln rates: enough for its integral.
#[must_use]
pub(crate) fn coarse_likelihood(
    timeline: &Timeline,
    law: &Law,
    level: LevelPrior,
    range: (f64, f64),
) -> Filtered {
    let rates = stepped(range, ROUGH_STEP, ROUGH_POINTS);
    filter(timeline, rates, law, level, FINE_LEAP_H)
}

/// Where the likelihood is not negligible.
pub(crate) fn likely_range(timeline: &Timeline, law: &Law, level: LevelPrior) -> (f64, f64) {
    scan(timeline, law, level).0
}

fn highest(table: &Filtered) -> f64 {
    let logs = table.ln_likelihood.iter().copied();
    logs.fold(f64::NEG_INFINITY, f64::max)
}

/// Where the likelihood is not negligible, and its highest log.
fn scan(timeline: &Timeline, law: &Law, level: LevelPrior) -> ((f64, f64), f64) {
    let rates = grid(LN_RATE_RANGE, SCAN_POINTS);
    let coarse = filter(timeline, rates, law, level, ROUGH_LEAP_H);
    let top = highest(&coarse);
    let alive = |l: &f64| *l > top - 14.0;
    let first = coarse.ln_likelihood.iter().position(alive).unwrap_or(0);
    let last = coarse.ln_likelihood.iter().rposition(alive);
    let at = |idx: usize, default: f64| coarse.ln_rate.get(idx).copied().unwrap_or(default);
    let range = (
        at(first.saturating_sub(1), LN_RATE_RANGE.0),
        at(last.unwrap_or(SCAN_POINTS) + 1, LN_RATE_RANGE.1),
    );
    (range, top)
}
