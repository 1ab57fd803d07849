//! Variance components integrated over, by importance sampling around their posterior mode.
//!
//! Half-t(3) priors on the standard deviations (t(3) on the log of a factor on stated ones); the mode of the log standard deviations; draws from
//! a t(5) law around it; every draw carries the conditional law of all effects.

use super::mode::{find_mode, spread_at};
use super::model::{CrossedModel, Outliers};
use super::posterior::Posterior;
use super::reml::reweight;
use super::sample::sample;
use super::system::System;
use crate::error::StatsError;

/// Fits the model with the variance components integrated over.
///
/// `n_draws`: importance draws (80 is enough for intervals); `seed`: start of the random stream.
///
/// # Errors
/// A model that does not hold together, or equations singular everywhere.
pub fn fit_integrated(
    model: &CrossedModel,
    n_draws: usize,
    seed: u64,
) -> Result<Posterior, StatsError> {
    let mut system = System::new(model)?;
    let mut mode = find_mode(&system, None)?;
    if let Outliers::StudentT { df } = model.outliers {
        for _ in 0..6 {
            let moved = reweight(&mut system, &mode.solution, df);
            mode = find_mode(&system, Some(&mode.logs))?;
            if moved < 1e-2 {
                break;
            }
        }
    }
    let spread = spread_at(&system, &mode)?;
    let draws = sample(&system, (&mode, spread), n_draws, seed);
    Ok(Posterior {
        system,
        mode: mode.solution,
        draws,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::LinearPrediction;
    use crate::mixed::{Group, Level, Residual, Spread};
    use crate::rng::{self, Pcg64};

    /// A layout with known truth: first factor x second, 55 % of cells visited, 1 to 5 observations each
    /// (standard deviations .15, .35, .10, .12; standard errors .03 to .5).
    struct Crossed {
        model: CrossedModel,
        /// Truth of every cell, first factor outermost.
        truth: Vec<f64>,
        n_first: usize,
        n_second: usize,
    }

    fn half_t() -> Spread {
        Spread::Estimated { prior_scale: 0.3 }
    }

    fn crossed(n_first: usize, n_second: usize, seed: u64) -> Crossed {
        let mut rng = rng::seeded(seed, "crossed");
        let normal = |sd: f64, n: usize, rng: &mut Pcg64| -> Vec<f64> {
            rng::standard_normals(rng, n)
                .into_iter()
                .map(|z| z * sd)
                .collect()
        };
        let first = normal(0.15, n_first, &mut rng);
        let second = normal(0.35, n_second, &mut rng);
        let cells = normal(0.10, n_first * n_second, &mut rng);
        let truth: Vec<f64> = (0..n_first * n_second)
            .map(|c| 3.0 + first[c / n_second] + second[c % n_second] + cells[c])
            .collect();
        let (mut y, mut known_var, mut x) = (Vec::new(), Vec::new(), Vec::new());
        let mut levels = vec![Vec::new(), Vec::new(), Vec::new()];
        for (c, value) in truth.iter().enumerate() {
            if rng::uniform(&mut rng) > 0.55 {
                continue;
            }
            for _ in 0..=rng::index(&mut rng, 5) {
                let se = 0.03 * (0.5_f64 / 0.03).powf(rng::uniform(&mut rng));
                let covariate = rng::standard_normal(&mut rng);
                let noise = normal(1.0, 2, &mut rng);
                y.push(value + 0.2 * covariate + 0.12 * noise[0] + se * noise[1]);
                known_var.push(se * se);
                x.push(covariate);
                levels[0].push(c / n_second);
                levels[1].push(c % n_second);
                levels[2].push(c);
            }
        }
        let counts = [n_first, n_second, n_first * n_second];
        let groups = levels
            .into_iter()
            .zip(counts)
            .map(|(levels, n_levels)| Group {
                levels,
                n_levels,
                spread: half_t(),
            })
            .collect();
        let model = CrossedModel {
            fixed: Design::with_intercept(y.len(), vec![x]).unwrap(),
            y,
            known_var,
            fixed_priors: Vec::new(),
            groups,
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        };
        Crossed {
            model,
            truth,
            n_first,
            n_second,
        }
    }

    fn cells(f: &Crossed, include_residual: bool) -> Vec<LinearPrediction> {
        (0..f.n_first * f.n_second)
            .map(|c| LinearPrediction {
                fixed_row: vec![1.0, 0.0],
                levels: vec![
                    Level::Seen(c / f.n_second),
                    Level::Seen(c % f.n_second),
                    Level::Seen(c),
                ],
                include_residual,
            })
            .collect()
    }

    fn cell_coverage(f: &Crossed, posterior: &Posterior) -> f64 {
        let inside = posterior
            .predict(&cells(f, false))
            .unwrap()
            .iter()
            .zip(&f.truth)
            .filter(|(p, t)| p.interval(0.9).contains(**t))
            .count();
        inside as f64 / f.truth.len() as f64
    }

    #[test]
    fn intervals_of_small_layouts_hold_the_truth_nine_times_in_ten() {
        // Over many layouts of 8 x 4 the share is 0.90 to 0.91; 40 layouts scatter by 0.012.
        let (mut share, mut effective, mut new_value, mut n_new) = (0.0, 0.0, 0.0, 0.0);
        for seed in 0..40 {
            let f = crossed(8, 4, seed);
            let posterior = fit_integrated(&f.model, 80, seed).unwrap();
            share += cell_coverage(&f, &posterior) / 40.0;
            effective += posterior.effective_draws() / 40.0;
            let mut rng = rng::seeded(seed, "new observations");
            for (p, t) in posterior
                .predict(&cells(&f, true))
                .unwrap()
                .iter()
                .zip(&f.truth)
            {
                let value = t + 0.12 * rng::standard_normal(&mut rng);
                new_value += if p.interval(0.9).contains(value) {
                    1.0
                } else {
                    0.0
                };
                n_new += 1.0;
            }
        }
        println!(
            "coverage of 90 % intervals, 40 layouts of 8 x 4: cells {share:.3}, new observations {:.3}; effective draws {effective:.0}",
            new_value / n_new
        );
        assert!((0.84..=0.96).contains(&share), "{share}");
        assert!(
            (0.86..=0.94).contains(&(new_value / n_new)),
            "{}",
            new_value / n_new
        );
        assert!(effective > 25.0, "{effective}");
    }

    #[test]
    fn intervals_of_large_layouts_hold_the_truth_nine_times_in_ten() {
        let mut share = 0.0;
        for seed in 0..10 {
            let f = crossed(25, 8, 1000 + seed);
            share += cell_coverage(&f, &fit_integrated(&f.model, 80, seed).unwrap()) / 10.0;
        }
        println!("coverage of 90 % intervals, 10 layouts of 25 x 8: {share:.3}");
        assert!((0.86..=0.94).contains(&share), "{share}");
    }

    #[test]
    fn components_hold_the_truth() {
        let (mut inside, mut all) = (0.0, 0.0);
        for seed in 0..10 {
            let f = crossed(25, 8, 2000 + seed);
            let posterior = fit_integrated(&f.model, 80, seed).unwrap();
            let groups = posterior.group_components();
            let found = groups
                .iter()
                .flatten()
                .cloned()
                .chain(posterior.residual_component());
            for (component, truth) in found.zip([0.15, 0.35, 0.10, 0.12]) {
                inside += if component.interval(0.9).contains(truth) {
                    1.0
                } else {
                    0.0
                };
                all += 1.0;
            }
        }
        println!("variance components inside their 90 % intervals: {inside} of {all}");
        assert!(inside / all >= 0.75, "{inside} of {all}");
    }

    #[test]
    fn thousands_of_observations_take_a_second_or_so() {
        let f = crossed(60, 10, 5);
        let mut model = f.model.clone();
        // Twice the data, twice again: about 4,000 observations.
        for _ in 0..2 {
            let n = model.y.len();
            model.y.extend_from_within(..n);
            model.known_var.extend_from_within(..n);
            let columns = model
                .fixed
                .columns()
                .iter()
                .map(|c| [c.as_slice(), c].concat())
                .collect();
            model.fixed = Design::from_columns(2 * n, columns).unwrap();
            model
                .groups
                .iter_mut()
                .for_each(|g| g.levels.extend_from_within(..n));
        }
        let begin = std::time::Instant::now();
        let posterior = fit_integrated(&model, 80, 1).unwrap();
        let fitted = begin.elapsed().as_secs_f64();
        let predictions = posterior.predict(&cells(&f, false)).unwrap();
        let widths: f64 = predictions.iter().map(|p| p.interval(0.9).width()).sum();
        println!(
            "{} observations, 60 x 10: fit {fitted:.2} s, {} cells {:.2} s",
            model.y.len(),
            predictions.len(),
            begin.elapsed().as_secs_f64() - fitted
        );
        assert!(widths > 0.0 && fitted < 20.0);
    }

    #[test]
    fn a_lone_group_shrinks_by_the_textbook_factor() {
        // One group, known components: share of own data is tau^2/(tau^2 + v/n) as the mean is known.
        let model = CrossedModel {
            y: vec![1.0, 1.4, 0.2, 0.1],
            known_var: vec![0.04; 4],
            fixed: Design::with_intercept(4, Vec::new()).unwrap(),
            fixed_priors: vec![crate::mixed::FixedPrior::Normal {
                mean: 0.5,
                sd: 1e-6,
            }],
            groups: vec![Group {
                levels: vec![0, 0, 1, 1],
                n_levels: 3,
                spread: Spread::Known { sds: vec![0.3; 3] },
            }],
            residual: Residual::Absent,
            outliers: Outliers::Normal,
        };
        let posterior = fit_integrated(&model, 80, 1).unwrap();
        let mut p = LinearPrediction {
            fixed_row: vec![1.0],
            levels: vec![Level::Seen(0)],
            include_residual: false,
        };
        let share = posterior.own_shares(&[(p.clone(), vec![0, 1])]).unwrap()[0];
        assert!((share - 0.09 / (0.09 + 0.02)).abs() < 1e-6);
        let law = &posterior.predict(std::slice::from_ref(&p)).unwrap()[0];
        assert!((law.mean - (0.5 + share * 0.7)).abs() < 1e-6);
        p.levels = vec![Level::New];
        let law = &posterior.predict(std::slice::from_ref(&p)).unwrap()[0];
        assert!((law.sd - 0.3).abs() < 1e-6 && (law.mean - 0.5).abs() < 1e-6);
        p.levels = vec![Level::Absent];
        assert!(posterior.predict(&[p]).unwrap()[0].sd < 1e-5);
    }

    #[test]
    fn joint_draws_agree_with_the_predictive_law() {
        let f = crossed(8, 4, 3);
        let posterior = fit_integrated(&f.model, 80, 3).unwrap();
        let wanted = cells(&f, true);
        let laws = posterior.predict(&wanted[..4]).unwrap();
        let mut rng = rng::seeded(3, "draws");
        let draws = posterior
            .draw_predictions(&wanted[..4], 4000, &mut rng)
            .unwrap();
        for (k, law) in laws.iter().enumerate() {
            let values: Vec<f64> = draws.iter().map(|d| d[k]).collect();
            let mean = crate::robust::mean(&values).unwrap();
            let sd = crate::robust::variance(&values).unwrap().sqrt();
            assert!((mean - law.mean).abs() < 5.0 * law.sd / 63.0);
            assert!((sd / law.sd - 1.0).abs() < 0.1);
        }
        let effects = posterior.draw_effects(10, &mut rng);
        assert!(
            effects
                .iter()
                .all(|d| d.effects[2].len() == 32 && d.fixed.len() == 2)
        );
    }

    #[test]
    fn same_seed_same_answer() {
        let f = crossed(8, 4, 7);
        let a = fit_integrated(&f.model, 40, 9)
            .unwrap()
            .predict(&cells(&f, false))
            .unwrap();
        let b = fit_integrated(&f.model, 40, 9)
            .unwrap()
            .predict(&cells(&f, false))
            .unwrap();
        assert_eq!(a, b);
    }

    #[test]
    fn a_single_observation_still_gives_an_honest_law() {
        let model = CrossedModel {
            y: vec![2.0],
            known_var: vec![0.01],
            fixed: Design::with_intercept(1, Vec::new()).unwrap(),
            fixed_priors: vec![crate::mixed::FixedPrior::Normal { mean: 0.0, sd: 2.0 }],
            groups: vec![Group {
                levels: vec![0],
                n_levels: 2,
                spread: half_t(),
            }],
            residual: Residual::Estimated { prior_scale: 0.3 },
            outliers: Outliers::Normal,
        };
        let posterior = fit_integrated(&model, 80, 2).unwrap();
        let p = |level, include_residual| LinearPrediction {
            fixed_row: vec![1.0],
            levels: vec![level],
            include_residual,
        };
        let laws = posterior
            .predict(&[
                p(Level::Seen(0), false),
                p(Level::Seen(1), false),
                p(Level::New, true),
            ])
            .unwrap();
        assert!(laws[0].sd < laws[1].sd && laws[1].sd < laws[2].sd);
        assert!(laws.iter().all(|l| l.interval(0.9).contains(2.0)));
    }
}
