//! How well some pumps tell a figure: forecasts of one pump go together, so that pumps are drawn anew.

use drydown_stats::rng::{seeded, uniform};
use drydown_stats::robust;

const DRAWS: usize = 2000;

/// From the 5th to the 95th percentile of a figure of sums over pumps, each pump's sums drawn as a whole (bootstrap
/// over clusters; Efron 1979).
pub(super) fn interval_90<const N: usize>(
    pumps: &[[f64; N]],
    figure: impl Fn([f64; N]) -> f64,
) -> [f64; 2] {
    let mut rng = seeded(1, "pumps drawn anew");
    let figures: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let mut sum = [0.0; N];
            for _ in pumps {
                let one = pumps[(uniform(&mut rng) * pumps.len() as f64) as usize % pumps.len()];
                for (cell, of_one) in sum.iter_mut().zip(one) {
                    *cell += of_one;
                }
            }
            figure(sum)
        })
        .collect();
    [0.05, 0.95].map(|p| robust::quantile(&figures, p).unwrap_or(f64::NAN))
}

#[test]
fn the_interval_of_a_share_is_that_of_the_pumps_and_not_of_their_forecasts() {
    // A hundred pumps of ten forecasts each that go together, half of them held: 0.5 ± 1.645 · 0.05.
    let pumps: Vec<[f64; 2]> = (0..100).map(|k| [f64::from(k % 2) * 10.0, 10.0]).collect();
    let [low, high] = interval_90(&pumps, |[held, of]| held / of);
    assert!((low - 0.418).abs() < 0.015, "{low}");
    assert!((high - 0.582).abs() < 0.015, "{high}");
}
