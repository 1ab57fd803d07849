//! Control charts with a false-alarm budget: one-sided CUSUM (Page 1954) and EWMA (Roberts 1959).
//!
//! The charts take standardised values that are independent of each other when nothing is wrong. On
//! values that remember each other, chart the innovations of their lag-one model: the designs below
//! then hold at every correlation.

mod run_length;

pub use run_length::{
    cusum_arl, cusum_arl_two_sided, cusum_arl_under_drift, design_limit, ewma_arl, siegmund_arl,
};

/// A one-sided upper CUSUM: C = max(0, C + z - reference), alarm above the limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    /// Reference value k, in standard deviations.
    pub reference: f64,
    /// Decision limit h, in standard deviations.
    pub limit: f64,
}

/// A chart run over a series.
#[derive(Clone, Debug, PartialEq)]
pub struct CusumRun {
    /// Statistic after each value.
    pub path: Vec<f64>,
    /// Index of the first value at which the statistic exceeds the limit.
    pub alarm: Option<usize>,
    /// Index of the first value after the last zero before the alarm (the quick estimate of onset).
    pub onset: Option<usize>,
}

impl Cusum {
    /// One step: the statistic after a value. A value that is not finite leaves it as it is.
    #[must_use]
    pub fn step(&self, statistic: f64, z: f64) -> f64 {
        if z.is_finite() {
            (statistic + z - self.reference).max(0.0)
        } else {
            statistic
        }
    }

    /// Runs over the whole series without resetting, starting from `start` (0, or limit/2 for a
    /// head start).
    #[must_use]
    pub fn run(&self, values: &[f64], start: f64) -> CusumRun {
        let mut path = Vec::with_capacity(values.len());
        let (mut statistic, mut since, mut alarm, mut onset) = (start, 0, None, None);
        for (i, z) in values.iter().enumerate() {
            statistic = self.step(statistic, *z);
            if statistic <= 0.0 {
                since = i + 1;
            }
            if alarm.is_none() && statistic > self.limit {
                alarm = Some(i);
                onset = Some(since);
            }
            path.push(statistic);
        }
        CusumRun { path, alarm, onset }
    }
}

/// Exponentially weighted moving average after each value, from `start`; values that are not finite
/// leave it as it is.
#[must_use]
pub fn ewma_path(values: &[f64], weight: f64, start: f64) -> Vec<f64> {
    let mut average = start;
    values
        .iter()
        .map(|z| {
            if z.is_finite() {
                average += weight * (z - average);
            }
            average
        })
        .collect()
}

/// Long-run standard deviation of the average of independent values with unit variance.
#[must_use]
pub fn ewma_sd(weight: f64) -> f64 {
    (weight / (2.0 - weight)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statistic_never_falls_below_zero_and_marks_the_onset() {
        let chart = Cusum {
            reference: 0.5,
            limit: 3.0,
        };
        let z = [-1.0, 0.2, -3.0, 2.0, 2.0, 2.0, 2.0];
        let run = chart.run(&z, 0.0);
        assert_eq!(run.path, vec![0.0, 0.0, 0.0, 1.5, 3.0, 4.5, 6.0]);
        assert_eq!((run.alarm, run.onset), (Some(5), Some(3)));
        assert_eq!(chart.run(&[0.0; 5], 0.0).alarm, None);
        assert_eq!(chart.run(&[f64::NAN, 4.0], 0.0).path, vec![0.0, 3.5]);
    }

    #[test]
    fn average_settles_at_the_level() {
        let path = ewma_path(&[1.0; 200], 0.1, 0.0);
        assert!((path[199] - 1.0).abs() < 1e-8 && (path[0] - 0.1).abs() < 1e-12);
        assert!((ewma_sd(1.0) - 1.0).abs() < 1e-12);
    }
}
