//! How fast a wearing pump's base grows with the loss of its speed.
//!
//! Clearances that open let more gas leak back and carry less: base·S grows with wear, so that the
//! base goes as `S^(−γ)` with γ of at least 1. What γ is depends on make and wear: a wide prior, and
//! the pump's own starts since the onset, each of which has both a speed and a base.

use drydown_quantity::Stamp;

use crate::shift::Shift;

/// Prior of γ: mean and standard deviation (common practice, no source; base·S constant is 1).
pub(crate) const PRIOR: (f64, f64) = (1.3, 0.4);
/// Starts of one week share what days share: so many count as one for that part.
const SHARED_BY: f64 = 3.0;

/// Base pressures that tell what it is now: so many, and no older than this.
const RECENT_POINTS: usize = 12;
const RECENT_DAYS: f64 = 40.0;
/// Days after which what days share is new (weather passes in three to five days; common practice).
const SHARED_DAYS: f64 = 7.0;

/// What does not average out: the gauge's own offset, vapour left in the chamber, kPa (common practice).
const OFFSET_SD_KPA: f64 = 0.2;

/// How much ln speed a pump has lost at a time, and how much it loses a day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Worn {
    pub(crate) now: Stamp,
    pub(crate) loss: f64,
    pub(crate) loss_per_day: f64,
}

/// Base pressure of a worn pump now.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WornBase {
    pub(crate) kpa: f64,
    pub(crate) sd_kpa: f64,
    /// Covariance with γ: a γ too high has made the base too high already.
    pub(crate) with_gamma: f64,
}

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
}

/// γ from the starts since an onset: regression of ln(base over its level at the onset) through the
/// origin on the loss of ln speed, combined with the prior by precision.
///
/// `losses` are (time, loss of ln speed) of the same starts; `noise` the base's own and shared
/// standard deviations. The level before the onset is common to all points and does not average out.
pub(crate) fn fit_leak_back(
    points: &[BasePoint],
    losses: &[(Stamp, f64)],
    onset: Stamp,
    noise: (f64, f64),
) -> (f64, f64) {
    let Some(before) = points.iter().rev().find(|point| point.at < onset) else {
        return PRIOR;
    };
    let level = before.level;
    // Below this a gauge's offset decides the logarithm.
    if level < 0.5 {
        return PRIOR;
    }
    let (mut ff, mut fl, mut sum_loss, mut n) = (0.0, 0.0, 0.0, 0.0);
    let mut weight_sum = 0.0;
    for point in points.iter().filter(|point| point.at >= onset) {
        let loss = losses.iter().find(|(at, _)| *at == point.at);
        let Some((_, loss)) = loss.filter(|(_, loss)| *loss > 0.05) else {
            continue;
        };
        let kpa = point.kpa.max(0.2 * level);
        // Weighted by what is expected, not by what was seen: that would favour what is too high.
        let sd = noise.0.hypot(point.se) / (level * (PRIOR.0 * loss).exp());
        let weight = 1.0 / (sd * sd).max(1e-6);
        ff += weight * loss * loss;
        fl += weight * loss * (kpa / level).ln();
        weight_sum += weight;
        sum_loss += weight * loss;
        n += 1.0;
    }
    if n < 1.0 || ff <= 0.0 {
        return PRIOR;
    }
    let mean_loss = sum_loss / weight_sum;
    let shared = noise.1 * noise.1 / (n / SHARED_BY).max(1.0);
    let common = (before.level_sd * before.level_sd + shared).sqrt() / level;
    let variance = 1.0 / ff + (common / mean_loss).powi(2);
    let (prior, own) = (1.0 / (PRIOR.1 * PRIOR.1), 1.0 / variance);
    let mean = (prior * PRIOR.0 + own * fl / ff) / (prior + own);
    (mean.clamp(0.3, 3.0), (1.0 / (prior + own)).sqrt())
}

/// Base pressure now of a pump that has lost so much ln speed: what leak-back makes of the level
/// before the onset, combined by precision with the base pressures seen of late since a time
/// (pump oil changed half-way makes the base better than that, and wear goes on). What was seen is
/// brought up to now by the wear since.
pub(crate) fn base_of_worn(
    points: &[BasePoint],
    (onset, since): (Stamp, Stamp),
    (gamma, gamma_sd): (f64, f64),
    worn: &Worn,
    noise: (f64, f64),
) -> Option<WornBase> {
    let loss = worn.loss;
    let before = points.iter().rev().find(|point| point.at < onset)?;
    let level = before.level.max(0.1);
    let by_wear = level * (gamma * loss).exp();
    let by_wear_sd = (gamma_sd * loss).hypot(before.level_sd / level) * by_wear;
    let last: Vec<&BasePoint> = points
        .iter()
        .rev()
        .take_while(|point| point.at >= since && worn.now.days_after(point.at) <= RECENT_DAYS)
        .take(RECENT_POINTS)
        .collect();
    if last.is_empty() {
        return Some(WornBase {
            kpa: by_wear,
            sd_kpa: by_wear_sd,
            with_gamma: by_wear * loss * gamma_sd * gamma_sd,
        });
    }
    let n = last.len() as f64;
    let grown = |at: Stamp| (gamma * worn.loss_per_day * worn.now.days_after(at)).exp();
    let seen = last.iter().map(|p| p.kpa * grown(p.at)).sum::<f64>() / n;
    let own = last.iter().map(|p| p.se * p.se).sum::<f64>() / n;
    // What days share averages out over the days that the points span.
    let span = last
        .last()
        .map_or(0.0, |oldest| worn.now.days_after(oldest.at));
    let shared = noise.1 * noise.1 / (1.0 + span / SHARED_DAYS).min(n);
    let seen_sd = ((own + noise.0 * noise.0) / n + shared).sqrt();
    let (a, b) = (by_wear_sd.powi(-2), seen_sd.hypot(OFFSET_SD_KPA).powi(-2));
    Some(WornBase {
        kpa: (a * by_wear + b * seen) / (a + b),
        sd_kpa: (a + b).sqrt().recip(),
        with_gamma: a / (a + b) * by_wear * loss * gamma_sd * gamma_sd,
    })
}

/// Whether a base rose by more than wear explains: something else lifts it too.
pub(crate) fn rose_beyond_wear(speed: Option<Shift>, base: Option<Shift>, level_kpa: f64) -> bool {
    let Some(base) = base else { return false };
    let loss = speed.map_or(0.0, |shift| (-shift.recent).max(0.0));
    let most = level_kpa.max(0.5) * (((PRIOR.0 + 2.0 * PRIOR.1) * loss).exp() - 1.0);
    base.recent > most + 2.0 * base.se
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponent_is_learnt_from_the_pump_itself_and_vague_without_it() {
        let day = |k: i32| Stamp::from_seconds(1_767_225_600).plus_days(f64::from(k));
        let loss = |k: i32| 0.01 * f64::from(k);
        let point = |k: i32| BasePoint {
            at: day(k),
            kpa: 4.0 * (1.7 * loss(k.max(0))).exp(),
            se: 0.1,
            level: 4.0,
            level_sd: 0.1,
            sealed_kpa: None,
        };
        let points: Vec<BasePoint> = (-5..60).map(point).collect();
        let losses: Vec<(Stamp, f64)> = (0..60).map(|k| (day(k), loss(k))).collect();
        let (gamma, sd) = fit_leak_back(&points, &losses, day(0), (0.1, 0.05));
        assert!((gamma - 1.7).abs() < 0.1 && sd < 0.15, "{gamma} {sd}");
        let none = fit_leak_back(&points, &[], day(0), (0.1, 0.05));
        assert_eq!(none, PRIOR);
        // A few starts at a small loss leave the prior nearly as it was.
        let (_, early) = fit_leak_back(&points[..14], &losses[..9], day(0), (0.2, 0.2));
        assert!(early > 0.3, "{early}");
        // After an oil change with nothing seen since, wear tells what the base is.
        let worn = Worn {
            now: day(59),
            loss: 0.59,
            loss_per_day: 0.01,
        };
        let of = |since: i32| {
            let spans = (day(0), day(since));
            base_of_worn(&points, spans, (1.7, 0.1), &worn, (0.1, 0.05)).unwrap()
        };
        let by_wear = of(99);
        assert!((by_wear.kpa - 4.0 * (1.7f64 * 0.59).exp()).abs() < 1e-9 && by_wear.sd_kpa > 0.4);
        assert!((by_wear.with_gamma - by_wear.kpa * 0.59 * 0.01).abs() < 1e-9);
        // What was seen, brought up to now, agrees and is the better known.
        let seen = of(0);
        assert!((seen.kpa - by_wear.kpa).abs() < 0.05 && seen.sd_kpa < 0.25);
    }
}
