//! Samples that carry another reservoir's label, found by what the two reservoirs read before and after.
//!
//! Each result is held against the neighbouring results of its reservoir on the same filling of oil (water
//! and particles also between the same runs). Two results of one laboratory and site from the same days that each
//! fit the other's reservoir far better than their own were exchanged. A result that neither its
//! predecessor nor its successor knows of, where the two agree, is a stray: another reservoir's bottle, or
//! a dirty one.

use std::collections::BTreeMap;

use drydown_quantity::{ReservoirId, SiteId, Stamp};
use drydown_runs::Run;
use drydown_runs::history::{Censor, Registers, ReservoirAction, Sample};
use drydown_stats::robust;

/// A sample that does not fit the reservoir on its label.
#[derive(Clone, Debug, PartialEq)]
pub struct StraySample {
    /// The laboratory.
    pub lab: String,
    /// Its number of the sample.
    pub sample_id: String,
    /// The reservoir on the label.
    pub reservoir_id: ReservoirId,
    /// When it was drawn.
    pub taken_at: Stamp,
    /// When its result, and that of the other one, were known.
    pub known_at: Stamp,
    /// What it says of the water, ppm.
    pub water_ppm: Option<f64>,
    /// What the samples around it say, ppm.
    pub around_ppm: Option<f64>,
    /// The same for viscosity at 40 °C, mm²/s.
    pub viscosity_mm2s: Option<f64>,
    /// What the samples around it say of that, mm²/s.
    pub around_mm2s: Option<f64>,
    /// The sample it was exchanged with: its number and its reservoir; None for a stray.
    pub exchanged_with: Option<(String, ReservoirId)>,
}

/// Quantities that tell reservoirs apart, and the least scatter of each: water, viscosity and acid as ln.
const QUANTITIES: usize = 5;
const WATER: usize = 0;
const VISCOSITY: usize = 1;
/// Quantities that runs change: water and the two codes.
const DRIED: [bool; QUANTITIES] = [true, false, false, true, true];
const LEAST_SD: [f64; QUANTITIES] = [0.1, 0.003, 0.05, 0.5, 0.5];
/// Bottles drawn within so many days lie beside each other in a laboratory.
const BESIDE_DAYS: f64 = 4.0;
/// Gain in log likelihood from which on an exchange is told: some one sample in two hundred is exchanged,
/// with one of some five of its day (common practice, no source), and the odds left must be good.
const LEAST_GAIN: f64 = 9.0;
/// An exchanged result fits the other reservoir within so many standard deviations.
const FITS_SD: f64 = 3.0;
/// A stray is further than this from both neighbours, which agree within the second.
const STRAY_SD: f64 = 5.0;
const AGREE_SD: f64 = 1.5;

/// What one sample reads, None where it does not say.
type Reads = [Option<f64>; QUANTITIES];

fn reads(sample: &Sample) -> Reads {
    let exact = !matches!(sample.water_censor, Some(Censor::Below | Censor::Above));
    let ln = |x: Option<f64>| x.filter(|x| *x > 0.0).map(f64::ln);
    let code = |code: Option<i64>| code.map(|code| code as f64);
    [
        ln(sample.water_ppm.filter(|_| exact)),
        ln(sample.viscosity_40c_mm2s),
        ln(sample.acid_mgkoh_g),
        code(sample.iso4406_6um),
        code(sample.iso4406_14um),
    ]
}

/// A sample among those of its reservoir.
struct Placed<'a> {
    sample: &'a Sample,
    id: &'a ReservoirId,
    taken_at: Stamp,
    known_at: Stamp,
    reads: Reads,
    /// Of the neighbours that compare: before and after.
    before: Reads,
    after: Reads,
}

impl Placed<'_> {
    /// What the reservoir would read by its neighbours.
    fn around(&self, q: usize) -> Option<f64> {
        let of = |reads: &Reads| reads.get(q).copied().flatten();
        match (of(&self.before), of(&self.after)) {
            (Some(a), Some(b)) => Some(0.5 * (a + b)),
            (a, b) => a.or(b),
        }
    }

    fn read(&self, q: usize) -> Option<f64> {
        self.reads.get(q).copied().flatten()
    }

    fn off(&self, q: usize) -> Option<f64> {
        Some(self.read(q)? - self.around(q)?)
    }
}

/// Every sample known before `as_of` that does not fit its label, by reservoir and time.
#[must_use]
pub fn stray_samples(
    registers: &Registers,
    samples: &[Sample],
    runs: &[Run],
    as_of: Stamp,
) -> Vec<StraySample> {
    let placed = place(registers, samples, runs, as_of);
    let sd: [f64; QUANTITIES] = std::array::from_fn(|q| {
        let off: Vec<f64> = placed.iter().filter_map(|row| row.off(q)).collect();
        let least = LEAST_SD.get(q).copied().unwrap_or(1.0);
        robust::mad(&off).unwrap_or(least).max(least)
    });
    let mut found: BTreeMap<usize, Option<usize>> = BTreeMap::new();
    let mut gains: Vec<(f64, usize, usize)> = Vec::new();
    for group in by_laboratory(registers, &placed).values() {
        for (k, a) in group.iter().enumerate() {
            for b in group.iter().skip(k + 1) {
                let (Some(one), Some(other)) = (placed.get(*a), placed.get(*b)) else {
                    continue;
                };
                if other.taken_at.hours_after(one.taken_at) > 24.0 * BESIDE_DAYS {
                    break;
                }
                if one.id != other.id
                    && let Some(gain) = gain(one, other, &sd)
                {
                    gains.push((gain, *a, *b));
                }
            }
        }
    }
    gains.sort_by(|x, y| y.0.total_cmp(&x.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    for (_, a, b) in gains {
        if !found.contains_key(&a) && !found.contains_key(&b) {
            found.insert(a, Some(b));
            found.insert(b, Some(a));
        }
    }
    for (idx, row) in placed.iter().enumerate() {
        // a neighbour of an exchanged sample looks strange for its sake
        let beside = |step: usize| {
            let near = placed.get(step).filter(|near| near.id == row.id);
            near.is_some() && found.contains_key(&step)
        };
        let clear = !beside(idx + 1) && !idx.checked_sub(1).is_some_and(beside);
        if clear && is_stray(row, &sd) {
            found.entry(idx).or_insert(None);
        }
    }
    found
        .into_iter()
        .filter_map(|(idx, other)| {
            let row = placed.get(idx)?;
            let other = other.and_then(|other| placed.get(other));
            Some(StraySample {
                lab: row.sample.lab.clone(),
                sample_id: row.sample.sample_id.clone(),
                reservoir_id: row.id.clone(),
                taken_at: row.taken_at,
                known_at: other.map_or(row.known_at, |other| other.known_at.max(row.known_at)),
                water_ppm: row.sample.water_ppm,
                around_ppm: row.around(WATER).map(f64::exp),
                viscosity_mm2s: row.sample.viscosity_40c_mm2s,
                around_mm2s: row.around(VISCOSITY).map(f64::exp),
                exchanged_with: other
                    .map(|other| (other.sample.sample_id.clone(), other.id.clone())),
            })
        })
        .collect()
}

/// The samples by reservoir and time, with the neighbours that compare.
fn place<'a>(
    registers: &Registers,
    samples: &'a [Sample],
    runs: &[Run],
    as_of: Stamp,
) -> Vec<Placed<'a>> {
    let mut ends: BTreeMap<&ReservoirId, Vec<(Stamp, Stamp)>> = BTreeMap::new();
    for run in runs {
        if let Some(id) = &run.reservoir_id {
            let span = (run.started_at, run.ended_at);
            ends.entry(id).or_default().push(span);
        }
    }
    let mut placed: Vec<Placed<'a>> = samples
        .iter()
        .filter(|sample| sample.informs_reservoir())
        .filter_map(|sample| {
            let known_at = sample.known_at().filter(|at| *at < as_of)?;
            Some(Placed {
                sample,
                id: sample.reservoir_id.as_ref()?,
                taken_at: sample.taken_at?,
                known_at,
                reads: reads(sample),
                before: [None; QUANTITIES],
                after: [None; QUANTITIES],
            })
        })
        .collect();
    placed.sort_by(|a, b| {
        let key = |row: &Placed<'a>| (row.id, row.taken_at, &row.sample.lab, &row.sample.sample_id);
        key(a).cmp(&key(b))
    });
    for later in 1..placed.len() {
        let Some([first, second]) = placed.get_mut(later - 1..=later) else {
            continue;
        };
        if first.id != second.id {
            continue;
        }
        let (from, to) = (first.taken_at, second.taken_at);
        let events = registers.reservoir_events_of(first.id).iter();
        let mut between = events.filter(|event| from <= event.at && event.at <= to.plus_days(1.0));
        if between.any(|event| event.action == ReservoirAction::OilChange) {
            continue;
        }
        // a date-only stamp is a day wide
        let touches = |(start, end): &(Stamp, Stamp)| *start <= to.plus_days(1.0) && *end >= from;
        let dried = ends
            .get(first.id)
            .is_some_and(|spans| spans.iter().any(touches));
        for (q, by_runs) in DRIED.into_iter().enumerate() {
            if dried && by_runs {
                continue;
            }
            let (one, two) = (first.read(q), second.read(q));
            if let (Some(after), Some(before)) = (first.after.get_mut(q), second.before.get_mut(q))
            {
                (*after, *before) = (two, one);
            }
        }
    }
    placed
}

/// The samples of one laboratory and site, by time.
fn by_laboratory<'a>(
    registers: &'a Registers,
    placed: &[Placed<'a>],
) -> BTreeMap<(&'a str, Option<&'a SiteId>), Vec<usize>> {
    let mut groups: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (idx, row) in placed.iter().enumerate() {
        let site = registers
            .reservoir(row.id)
            .and_then(|row| row.site_id.as_ref());
        let key = (row.sample.lab.as_str(), site);
        groups.entry(key).or_default().push(idx);
    }
    for group in groups.values_mut() {
        group.sort_by_key(|idx| placed.get(*idx).map(|row| (row.taken_at, *idx)));
    }
    groups
}

/// Minus the log density of a result so many standard deviations off: heavy tails (t, 4 degrees).
fn misfit(z: f64) -> f64 {
    2.5 * (z * z / 4.0).ln_1p()
}

/// What the log likelihood gains if two samples were exchanged; None where that is no explanation.
fn gain(a: &Placed<'_>, b: &Placed<'_>, sd: &[f64; QUANTITIES]) -> Option<f64> {
    let mut gain = 0.0;
    for (q, sd) in sd.iter().enumerate() {
        for (own, other) in [(a, b), (b, a)] {
            let (Some(read), Some(others), Some(around)) =
                (own.read(q), other.read(q), own.around(q))
            else {
                continue;
            };
            let exchanged = (others - around) / sd;
            if exchanged.abs() > FITS_SD {
                return None;
            }
            gain += misfit((read - around) / sd) - misfit(exchanged);
        }
    }
    (gain > LEAST_GAIN).then_some(gain)
}

/// Whether water or viscosity is far from both neighbours, which agree.
fn is_stray(row: &Placed<'_>, sd: &[f64; QUANTITIES]) -> bool {
    [WATER, VISCOSITY].into_iter().any(|q| {
        let of = |reads: &Reads| reads.get(q).copied().flatten();
        let (Some(read), Some(before), Some(after), Some(sd)) =
            (row.read(q), of(&row.before), of(&row.after), sd.get(q))
        else {
            return false;
        };
        let far = |from: f64| (read - from).abs() > STRAY_SD * sd;
        far(before) && far(after) && (before - after).abs() < AGREE_SD * sd
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::{oil, plain_reservoir, sample};

    /// Six reservoirs of one site that read 40, 60, … ppm month by month.
    fn fleet() -> (Registers, Vec<Sample>, Stamp) {
        let as_of: Stamp = "2026-06-01".parse().unwrap();
        let mut registers = Registers {
            oils: vec![oil()],
            ..Registers::default()
        };
        let mut samples = Vec::new();
        for idx in 0..6 {
            let reservoir = plain_reservoir(&format!("R-{idx}"));
            for n in 0..9_usize {
                let at = as_of.plus_days(-30.0 * (9 - n) as f64);
                let ppm = 40.0 * 1.4_f64.powi(idx) * (1.0 + 0.06 * (n as f64 * 2.1).sin());
                let mut row = sample(&reservoir.reservoir_id, n, at, ppm);
                row.viscosity_40c_mm2s = Some(46.0 + 0.1 * (n as f64).cos());
                samples.push(row);
            }
            registers.reservoirs.push(reservoir);
        }
        (registers, samples, as_of)
    }

    #[test]
    fn a_fleet_in_order_has_none() {
        let (registers, samples, as_of) = fleet();
        assert!(stray_samples(&registers, &samples, &[], as_of).is_empty());
    }

    #[test]
    fn two_exchanged_bottles_are_named_together() {
        let (registers, mut samples, as_of) = fleet();
        let (low, high) = (samples[5].water_ppm, samples[9 * 4 + 5].water_ppm);
        samples[5].water_ppm = high;
        samples[9 * 4 + 5].water_ppm = low;
        let found = stray_samples(&registers, &samples, &[], as_of);
        let told: Vec<(&str, Option<&str>)> = found
            .iter()
            .map(|row| {
                let other = row.exchanged_with.as_ref().map(|(_, id)| id.as_str());
                (row.reservoir_id.as_str(), other)
            })
            .collect();
        assert_eq!(told, [("R-0", Some("R-4")), ("R-4", Some("R-0"))]);
        assert_eq!(found[0].sample_id, samples[5].sample_id);
        // not before both are known
        let before = samples[5].taken_at.unwrap();
        assert!(stray_samples(&registers, &samples, &[], before).is_empty());
    }

    #[test]
    fn a_wet_bottle_between_two_dry_ones_is_a_stray_but_not_after_a_run() {
        let (registers, mut samples, as_of) = fleet();
        samples[4].water_ppm = Some(900.0);
        let found = stray_samples(&registers, &samples, &[], as_of);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].sample_id, samples[4].sample_id);
        assert!(found[0].exchanged_with.is_none());
        assert!((found[0].around_ppm.unwrap() / 40.0 - 1.0).abs() < 0.1);
        let start = samples[4].taken_at.unwrap().plus_days(5.0);
        let span = (start, start.plus_hours(30.0));
        let run = crate::world::run(&"R-0".into(), 1, span, (900.0, 40.0));
        assert!(stray_samples(&registers, &samples, &[run], as_of).is_empty());
    }
}
