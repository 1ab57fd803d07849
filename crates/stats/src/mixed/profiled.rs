//! The restricted likelihood with the residual spread taken out in closed form.
//!
//! Where every spread is unknown and nothing else is, only their ratios to the residual's need a search (Bates et al.
//! 2015, section 3.4): the matrix of the equations then holds no variance, and the best one follows from the sum of
//! squares. The search has one dimension less, the steepest.

use super::model::{FixedPrior, Residual};
use super::reduced::Scaling;
use super::system::{Components, System};

/// Minus twice the restricted log-likelihood at the best residual spread, and that spread.
#[derive(Clone, Copy, Debug)]
pub(super) struct Profiled {
    pub(super) criterion: f64,
    pub(super) residual_sd: f64,
}

impl System {
    /// Multipliers that turn standardised values into effects.
    pub(super) fn scaling(&self, components: &Components) -> Scaling {
        let mut scale = vec![1.0; self.symbolic.len()];
        for (g, group) in self.model.groups.iter().enumerate() {
            for level in 0..group.n_levels {
                scale[self.group_starts[g] + level] =
                    group.level_sd(components.group_sds[g], level);
            }
        }
        for (j, divisor) in self.fixed_scale.iter().enumerate() {
            scale[self.fixed_start + j] = 1.0 / divisor;
        }
        self.reduced.scaling(scale)
    }

    /// Whether the residual's spread scales everything: no known variance, no known spread, no prior.
    pub(super) fn scale_is_free(&self) -> bool {
        let model = &self.model;
        self.gram
            .as_ref()
            .is_some_and(|gram| gram.known_var.to_bits() == 0.0_f64.to_bits())
            && self.is_even()
            && matches!(model.residual, Residual::Estimated { .. })
            && model.groups.iter().all(super::model::Group::is_estimated)
            && (0..self.fixed_scale.len()).all(|j| matches!(model.fixed_prior(j), FixedPrior::Flat))
    }

    /// The likelihood at ratios of the groups' spreads to the residual's; None where the equations are singular.
    pub(super) fn profiled(&self, ratios: &[f64]) -> Option<Profiled> {
        let gram = self.gram.as_ref()?;
        let components = Components {
            group_sds: ratios.to_vec(),
            residual_sd: 1.0,
        };
        let mut standard = self.scaling(&components).joint;
        standard.get_mut(self.fixed_start..)?.fill(1.0);
        let (mut values, right, _) = gram.equations(&standard, 1.0);
        let constant = self.add_priors(&mut values);
        let factor = self.symbolic.factorise(values)?;
        let ln_determinant = self.symbolic.ln_determinant(&factor);
        let mut lower = vec![0.0; right.len()];
        for (value, place) in right.iter().zip(&self.symbolic.place) {
            *lower.get_mut(*place)? = *value;
        }
        self.symbolic.solve_lower(&factor, &mut lower);
        let explained: f64 = lower.iter().map(|z| z * z).sum();
        let free = (self.model.y.len() - self.fixed_scale.len()) as f64;
        let variance = (gram.target_squares - explained) / free;
        (variance > 0.0).then(|| Profiled {
            criterion: constant + ln_determinant + free * (1.0 + variance.ln()),
            residual_sd: variance.sqrt(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linear::Design;
    use crate::mixed::{CrossedModel, Group, Outliers, Spread, fit_reml};
    use crate::rng;

    fn model() -> CrossedModel {
        let mut noise = rng::seeded(4, "profiled");
        let (units, oils) = (
            rng::standard_normals(&mut noise, 40),
            rng::standard_normals(&mut noise, 8),
        );
        let (mut y, mut by_unit, mut by_oil) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..2500 {
            let (u, o) = (rng::index(&mut noise, 40), rng::index(&mut noise, 8));
            y.push(1.0 + 0.3 * units[u] + 0.5 * oils[o] + 0.2 * rng::standard_normal(&mut noise));
            by_unit.push(u);
            by_oil.push(o);
        }
        let group = |levels, n_levels| Group {
            levels,
            n_levels,
            spread: Spread::Estimated {
                prior_scale: f64::INFINITY,
            },
        };
        CrossedModel {
            known_var: vec![0.0; y.len()],
            fixed: Design::with_intercept(y.len(), Vec::new()).unwrap(),
            fixed_priors: Vec::new(),
            groups: vec![group(by_unit, 40), group(by_oil, 8)],
            residual: Residual::Estimated {
                prior_scale: f64::INFINITY,
            },
            outliers: Outliers::Normal,
            y,
        }
    }

    #[test]
    fn the_profile_is_the_full_criterion_at_its_lowest() {
        let system = System::new(&model()).unwrap();
        assert!(system.scale_is_free());
        for ratios in [[1.5, 2.0], [0.2, 0.0], [4.0, 1.0]] {
            let profiled = system.profiled(&ratios).unwrap();
            let full = |sd: f64| {
                let at = [ratios[0] * sd, ratios[1] * sd, sd];
                system.solve(&system.components(&at)).unwrap().criterion
            };
            let here = full(profiled.residual_sd);
            assert!(
                (here - profiled.criterion).abs() < 1e-7,
                "{here} {profiled:?}"
            );
            assert!(full(1.02 * profiled.residual_sd) > here);
            assert!(full(0.98 * profiled.residual_sd) > here);
        }
    }

    #[test]
    fn a_known_variance_takes_the_long_way_to_the_same_end() {
        let fit = fit_reml(&model()).unwrap();
        let mut known = model();
        // A variance too small to matter, but not none: the profile does not apply.
        known.known_var.fill(1e-14);
        assert!(!System::new(&known).unwrap().scale_is_free());
        let other = fit_reml(&known).unwrap();
        assert!((fit.criterion - other.criterion).abs() < 1e-6);
        assert!((fit.residual_sd / other.residual_sd - 1.0).abs() < 1e-5);
        for (a, b) in fit.group_sds.iter().zip(&other.group_sds) {
            assert!((a / b - 1.0).abs() < 1e-4, "{a} {b}");
        }
    }
}
