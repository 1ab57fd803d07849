//! Water that lies under the oil, as a sample from the bottom tells it.
//!
//! Oil over settled water need not be saturated: what settled weeks ago dissolves by diffusion alone, and a
//! mid-stream sample then shows none of it. A sample from the bottom that reads more than the oil can hold
//! shows that water lies there; how much, it hardly tells.

use drydown_quantity::Stamp;
use drydown_runs::history::{Censor, ReservoirAction, Sample, SamplePoint};
use drydown_stats::normal;

use crate::history::ReservoirHistory;

/// Water under the oil as of a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Settled {
    /// What the sample from the bottom read, ppm.
    pub(crate) bottom_ppm: f64,
    /// Probability that water lies there.
    probability: f64,
    /// ln of its amount, ppm of all the oil, if so: mean.
    ln_ppm: f64,
}

/// A bottom sample must read so many times the mid-stream ones about its time.
const FAR_ABOVE: f64 = 1.5;
/// Mid-stream samples within so many days of it are about its time.
const ABOUT_DAYS: f64 = 90.0;
/// A bottle from the bottom tells of water there, not of a dirty valve (common practice, no source).
const BELIEVED: f64 = 0.9;
/// Settled water over what the bottom sample has beyond the oil above it, and the standard deviation of the ln:
/// the last litres of a tank hold some times what an even spread would, from the layer's depth and where
/// the valve sits (common practice, no source).
const SHARE: f64 = 0.25;
const LN_SHARE_SD: f64 = 1.0;
/// Share of it that a run leaves: dried oil takes up more (common practice, no source).
const LEFT_BY_RUN: f64 = 0.6;
/// Less than this is no water that lies there, ppm.
const LEAST_PPM: f64 = 10.0;
/// Middles of five equal parts of a standard normal law.
const FIFTHS: [f64; 5] = [-1.2816, -0.5244, 0.0, 0.5244, 1.2816];
/// z of a two-sided 90 % interval.
const Z_90: f64 = 1.645;

/// What the last sample from the bottom tells that no drain or oil change has followed. `holds`: what the oil
/// holds in service, ppm, and the standard deviation of the ln of it; `lab_cv` the laboratory's.
pub(crate) fn settled(
    history: &ReservoirHistory<'_>,
    (holds_ppm, holds_ln_sd): (f64, f64),
    lab_cv: f64,
) -> Option<Settled> {
    let empties = |action: ReservoirAction| {
        matches!(
            action,
            ReservoirAction::BottomDrain | ReservoirAction::OilChange
        )
    };
    let emptied = history
        .events
        .iter()
        .filter(|event| empties(event.action))
        .map(|event| event.at)
        .max();
    let value = |sample: &&Sample| Some((sample.taken_at?, sample.water_ppm?));
    let (taken, bottom_ppm) = history
        .samples
        .iter()
        .filter(|sample| sample.sample_point == Some(SamplePoint::ReservoirBottom))
        .filter_map(value)
        .max_by_key(|(at, _)| *at)
        .filter(|(at, _)| emptied.is_none_or(|emptied| *at > emptied))?;
    let about = |at: Stamp| at.hours_after(taken).abs() < 24.0 * ABOUT_DAYS;
    let above_ppm = history
        .samples
        .iter()
        .filter(|sample| sample.informs_reservoir() && sample.water_censor != Some(Censor::Above))
        .filter_map(value)
        .filter(|(at, _)| about(*at))
        .fold(0.0, |most, (_, ppm)| f64::max(most, ppm));
    if bottom_ppm < FAR_ABOVE * above_ppm || bottom_ppm <= 0.0 {
        return None;
    }
    let beyond = (bottom_ppm / holds_ppm).ln() / holds_ln_sd.hypot(lab_cv);
    let runs = history.run_ends.iter().filter(|run| run.ended_at > taken);
    let oil_ppm = above_ppm.min(holds_ppm);
    Some(Settled {
        bottom_ppm,
        probability: BELIEVED * normal::cdf(beyond),
        ln_ppm: (SHARE * (bottom_ppm - oil_ppm)).ln() + runs.count() as f64 * LEFT_BY_RUN.ln(),
    })
}

impl Settled {
    /// Amounts, ppm, with weights that sum to one.
    pub(crate) fn amounts(self) -> impl Iterator<Item = (f64, f64)> + Clone {
        let lies = FIFTHS.into_iter().map(move |z| {
            let weight = self.probability / FIFTHS.len() as f64;
            (weight, (self.ln_ppm + z * LN_SHARE_SD).exp())
        });
        std::iter::once((1.0 - self.probability, 0.0)).chain(lies)
    }

    /// Probability that there is water worth the name.
    pub(crate) fn lies(self) -> f64 {
        self.probability * normal::cdf((self.ln_ppm - LEAST_PPM.ln()) / LN_SHARE_SD)
    }

    /// 90 % ends of the amount if water lies there, ppm.
    pub(crate) fn ends_ppm(self) -> (f64, f64) {
        let at = |z: f64| (self.ln_ppm + z * LN_SHARE_SD).exp();
        (at(-Z_90), at(Z_90))
    }
}

#[cfg(test)]
mod tests {
    use drydown_runs::history::{Registers, ReservoirEvent};

    use super::*;
    use crate::history::histories;
    use crate::world::{config, oil, plain_reservoir, run, sample};
    use crate::{ReservoirRisk, assess};

    /// The row of a reservoir with three mid samples of some 110 ppm and one from the bottom on day 40, `runs`
    /// runs after it, and a drain on a day.
    fn row(bottom_ppm: f64, runs: usize, drained: Option<f64>) -> ReservoirRisk {
        let reservoir = plain_reservoir("R-1");
        let id = reservoir.reservoir_id.clone();
        let start: Stamp = "2026-01-01".parse().unwrap();
        let mut samples: Vec<Sample> = [(0.0, 105.0), (20.0, 110.0), (45.0, 112.0)]
            .iter()
            .enumerate()
            .map(|(n, (day, ppm))| sample(&id, n, start.plus_days(*day), *ppm))
            .collect();
        let mut bottom = sample(&id, 9, start.plus_days(40.0), bottom_ppm);
        bottom.sample_point = Some(SamplePoint::ReservoirBottom);
        samples.push(bottom);
        let runs: Vec<_> = (0..runs)
            .map(|n| {
                let from = start.plus_days(50.0 + n as f64);
                run(&id, n, (from, from.plus_hours(9.0)), (112.0, 108.0))
            })
            .collect();
        let drain = drained.map(|day| ReservoirEvent {
            reservoir_id: id.clone(),
            at: start.plus_days(day),
            action: ReservoirAction::BottomDrain,
            volume_l: None,
            oil_type: None,
            water_ppm: None,
            note: None,
        });
        let registers = Registers {
            reservoirs: vec![reservoir],
            oils: vec![oil()],
            reservoir_events: drain.into_iter().collect(),
            ..Registers::default()
        };
        let as_of = start.plus_days(60.0);
        let known = histories(&registers, &samples, &runs, &[], &[], as_of);
        assess(&known, as_of, &config()).remove(0)
    }

    fn parts(row: &ReservoirRisk) -> (f64, bool) {
        let settled = row.water_all_ppm.unwrap() - row.water_sample_ppm.unwrap();
        (settled, row.driver.contains("drain the bottom first"))
    }

    #[test]
    fn a_bottom_sample_beyond_what_the_oil_holds_parts_the_two_waters() {
        let wet = row(3000.0, 0, None);
        let (settled, told) = parts(&wet);
        assert!(
            told && (200.0..1500.0).contains(&settled),
            "{settled} {}",
            wet.driver
        );
        assert!(wet.driver.contains("3000 ppm"), "{}", wet.driver);
        assert!(wet.p_free_water.unwrap() > 0.8, "{wet:?}");
        // one that reads like the oil above it, and one that was followed by a drain, tell of nothing
        let (dry, told) = parts(&row(115.0, 0, None));
        assert!(!told && dry < 1.0, "{dry}");
        let (drained, told) = parts(&row(3000.0, 0, Some(42.0)));
        assert!(!told && drained < 1.0, "{drained}");
        // a drain before it does not speak of it
        assert!(parts(&row(3000.0, 0, Some(30.0))).1);
        let (after, _) = parts(&row(3000.0, 3, None));
        assert!(after < 0.5 * settled, "{after} {settled}");
    }

    #[test]
    fn what_the_oil_can_hold_need_not_have_settled() {
        // 870 ppm are dissolved in this oil at 50 °C
        let (settled, told) = parts(&row(400.0, 0, None));
        assert!(!told && settled < 20.0, "{settled}");
    }
}
