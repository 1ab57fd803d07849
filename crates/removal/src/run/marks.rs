//! Bins that say nothing of the water: spikes and a stuck sensor.

use drydown_runs::SeriesPoint;
use drydown_runs::history::Censor;
use drydown_stats::robust;

/// A value that departs from the median of its five neighbours by far more than the series' own scatter.
pub(super) fn mark_spikes(series: &[SeriesPoint]) -> Vec<bool> {
    let values: Vec<f64> = series
        .iter()
        .map(|point| point.water_ppm.unwrap_or(f64::NAN))
        .collect();
    let away: Vec<f64> = (0..values.len())
        .map(|idx| {
            let near = values
                .get(idx.saturating_sub(2)..(idx + 3).min(values.len()))
                .unwrap_or(&[]);
            let centre = robust::median(near).unwrap_or(f64::NAN);
            values
                .get(idx)
                .map_or(f64::NAN, |value| (value - centre).abs())
        })
        .collect();
    let inner: Vec<f64> = away
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect();
    let scatter = robust::quantile(&inner, 0.75).unwrap_or(0.0).max(1.0);
    if inner.len() < 9 {
        return vec![false; values.len()];
    }
    // The ends have no neighbours on both sides: the curve's own slope would be called a spike there.
    let last = values.len().saturating_sub(2);
    away.iter()
        .enumerate()
        .map(|(idx, value)| idx >= 2 && idx < last && value.is_finite() && *value > 8.0 * scatter)
        .collect()
}

/// Six or more bins in a row with the very same value, unless the sensor was at its top or at its bottom.
pub(super) fn mark_stuck(series: &[SeriesPoint]) -> Vec<bool> {
    const N_SAME: usize = 6;
    let mut marks = vec![false; series.len()];
    let mut start = 0;
    for idx in 1..=series.len() {
        let same = match (series.get(start), series.get(idx)) {
            (Some(first), Some(now)) => match (first.water_ppm, now.water_ppm) {
                (Some(a), Some(b)) => {
                    (a - b).abs() < 1e-9 && b > 0.0 && now.water_censor != Some(Censor::Above)
                }
                _ => false,
            },
            _ => false,
        };
        if !same {
            if idx - start >= N_SAME {
                marks
                    .iter_mut()
                    .take(idx)
                    .skip(start)
                    .for_each(|mark| *mark = true);
            }
            start = idx;
        }
    }
    marks
}
