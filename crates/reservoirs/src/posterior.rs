//! Ingress and level of one reservoir after its data and the fleet's.

use drydown_stats::normal;
use drydown_stats::rng::{Pcg64, standard_normal, uniform};

use crate::filter::Filtered;
use crate::law::{Law, Visible};
use crate::net_ingress::{NetIngress, Recent};
use crate::prior::LnIngress;
use crate::scenario::{THREE_NODES, leak_lift};
use crate::state::{State, merge};

/// How the rate of the level (ppm/h) stands to the ingress (g/h): ln r = ln g − ln(mass/1000 kg).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mass {
    /// ln of the oil mass in tonnes.
    pub(crate) ln_tonnes: f64,
    /// Its standard deviation: how the volume is known.
    pub(crate) sd: f64,
}

impl Mass {
    /// Law of the ln rate from a law of the ln ingress.
    pub(crate) fn ln_rate(self, ingress: LnIngress) -> LnIngress {
        LnIngress {
            mean: ingress.mean - self.ln_tonnes,
            var: ingress.var + self.sd.powi(2),
        }
    }
}

/// A mixture over the grid of usual rates and the regimes: weight, and a normal state for each.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Posterior {
    cells: Vec<Cell>,
    /// Step of the grid, ln.
    step: f64,
    recent_h: f64,
    ingress: LnIngress,
    mass: Mass,
    lab_bias: f64,
    /// Usual rate of reservoirs like this one, ppm/h.
    likes_per_h: f64,
}

/// A point of the grid of less weight is left out.
const NEGLIGIBLE: f64 = 1e-7;
/// Neighbours on the grid become one cell until it has this weight: many unlikely cells cost time, and
/// leaving them out would leave out what is unlikely but bad.
const PORTION: f64 = 0.02;

/// Weights of a grid under a prior of the ln rate; and the log of their sum times the step.
pub(crate) fn weigh(filtered: &Filtered, prior: LnIngress) -> (Vec<f64>, f64) {
    let logs: Vec<f64> = filtered
        .ln_rate
        .iter()
        .zip(&filtered.ln_likelihood)
        .map(|(x, l)| l - 0.5 * (x - prior.mean).powi(2) / prior.var)
        .collect();
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let raw: Vec<f64> = logs.iter().map(|l| (l - top).exp()).collect();
    let total: f64 = raw.iter().sum();
    let step = step_of(filtered).max(1e-9);
    let evidence = top + (total * step).ln() - 0.5 * prior.var.ln() - normal::LN_SQRT_2PI;
    (raw.iter().map(|w| w / total).collect(), evidence)
}

/// Mean and variance of the ln rate under weights.
pub(crate) fn moments(ln_rate: &[f64], weights: &[f64]) -> (f64, f64) {
    let mean: f64 = ln_rate.iter().zip(weights).map(|(x, w)| x * w).sum();
    let var: f64 = ln_rate
        .iter()
        .zip(weights)
        .map(|(x, w)| w * (x - mean).powi(2))
        .sum();
    (mean, var)
}

impl Posterior {
    /// The posterior under the fleet's law of the ingress.
    ///
    /// The likelihood's grid ends where the likelihood is negligible, whatever the prior: it serves
    /// every prior that is not narrower than its step.
    #[must_use]
    pub(crate) fn new(
        filtered: &Filtered,
        (ingress, mass): (LnIngress, Mass),
        (law, lab_bias): (&Law, f64),
    ) -> Self {
        let (weights, _) = weigh(filtered, mass.ln_rate(ingress));
        let laws = law.variants();
        let law_of = |variant: usize| {
            let law = laws.get(variant).map_or(law, |(_, law)| law);
            (law.exchange_per_h, law.air_ppm)
        };
        let mut cells = Vec::new();
        let variants = filtered.variant.last().map_or(0, |last| last + 1);
        for (variant, (mode, factor)) in (0..variants).flat_map(|variant| {
            law.moves
                .factors
                .into_iter()
                .enumerate()
                .map(move |m| (variant, m))
        }) {
            let grid = filtered.ln_rate.iter().zip(&filtered.ln_likelihood);
            let rows = grid.zip(weights.iter().zip(&filtered.slots));
            let of_variant = rows
                .zip(&filtered.variant)
                .filter(|(_, of)| **of == variant);
            let of_mode = of_variant.filter_map(|(((ln_rate, ln_all), (weight, slots)), _)| {
                let slot = slots.get(mode)?;
                let weight = weight * (slot.ln_weight - ln_all).exp();
                (weight > NEGLIGIBLE).then_some((weight, *ln_rate, slot.state))
            });
            let (exchange_per_h, air_ppm) = law_of(variant);
            let first = cells.len();
            gather(of_mode, (variant, mode, factor), &mut cells);
            for cell in cells.iter_mut().skip(first) {
                cell.lost_per_h = exchange_per_h * (cell.state.level - air_ppm).max(0.0);
            }
        }
        let total: f64 = cells.iter().map(|cell| cell.weight).sum();
        for cell in &mut cells {
            cell.weight /= total;
        }
        Self {
            cells,
            step: step_of(filtered),
            recent_h: filtered.recent_h,
            ingress,
            mass,
            lab_bias,
            likes_per_h: mass.ln_rate(ingress).mean.exp(),
        }
    }

    /// How much more a new leak brings than its size times one cell's usual rate.
    pub(crate) fn leak_lift(&self, cell: &Cell) -> f64 {
        leak_lift(self.likes_per_h / cell.usual_per_h)
    }

    /// The cells that matter; their weights sum to one.
    pub(crate) fn cells(&self) -> impl Iterator<Item = &Cell> + Clone + '_ {
        self.cells.iter()
    }

    /// Standard deviation of a cell's level, with what the laboratory may be off in all results alike.
    fn level_sd(&self, cell: &Cell) -> f64 {
        let bias = self.lab_bias * cell.state.level;
        (cell.state.cov.cc.max(1e-9) + bias * bias).sqrt()
    }

    /// Mean level, ppm.
    #[must_use]
    pub(crate) fn level_mean_ppm(&self) -> f64 {
        self.cells()
            .map(|cell| cell.weight * cell.state.level)
            .sum()
    }

    /// Quantile of the level of all water, ppm; never below zero.
    #[must_use]
    pub(crate) fn level_quantile_ppm(&self, p: f64) -> f64 {
        let law = |x: f64| {
            self.cells()
                .map(|cell| {
                    cell.weight * normal::quick_cdf((x - cell.state.level) / self.level_sd(cell))
                })
                .sum::<f64>()
        };
        let ends = self
            .cells()
            .map(|cell| (cell.state.level, 8.0 * self.level_sd(cell)));
        bisect(law, ends, p).max(0.0)
    }

    /// The same with water that lies under the oil, amounts (ppm) with weights that sum to one: what of it the
    /// level already has beyond what a sample shows is not counted twice. `law`: as the posterior was made.
    #[must_use]
    pub(crate) fn all_quantile_ppm(
        &self,
        p: f64,
        law: &Law,
        amounts: impl Iterator<Item = (f64, f64)> + Clone,
    ) -> f64 {
        let variants = law.variants();
        let mut parts: Vec<(f64, f64, f64)> = Vec::new();
        for cell in self.cells() {
            let of = variants.get(cell.variant);
            let visible = of.map_or(law.visible, |(_, law)| law.visible);
            let level = cell.state.level;
            let unseen = (level - visible.sample_ppm(level)).max(0.0);
            let sd = self.level_sd(cell);
            parts.extend(amounts.clone().map(|(weight, ppm)| {
                let more = (ppm - unseen).max(0.0);
                (weight * cell.weight, level + more, sd)
            }));
        }
        let below = |x: f64| {
            let part =
                |(weight, mean, sd): &(f64, f64, f64)| weight * normal::quick_cdf((x - mean) / sd);
            parts.iter().map(part).sum::<f64>()
        };
        let ends = parts.iter().map(|(_, mean, sd)| (*mean, 8.0 * sd));
        bisect(below, ends, p).max(0.0)
    }

    /// Quantile of what a sample would show now, ppm; never below zero. `law`: as the posterior was made.
    #[must_use]
    pub(crate) fn shown_quantile_ppm(&self, p: f64, law: &Law) -> f64 {
        let variants = law.variants();
        let visible = |cell: &Cell| {
            let variant = variants.get(cell.variant);
            variant.map_or(law.visible, |(_, law)| law.visible)
        };
        let parts: Vec<(f64, f64, f64, Visible)> = self
            .cells()
            .map(|cell| {
                (
                    cell.weight,
                    cell.state.level,
                    self.level_sd(cell),
                    visible(cell),
                )
            })
            .collect();
        let below = |x: f64| {
            parts
                .iter()
                .map(|(weight, level, sd, visible)| {
                    weight * normal::quick_cdf((visible.all_ppm(x) - level) / sd)
                })
                .sum::<f64>()
        };
        let ends = parts.iter().map(|(_, level, sd, _)| (*level, 8.0 * sd));
        bisect(below, ends, p).max(0.0)
    }

    /// Quantile of the mean net ingress of the last thirty days (since the last recorded repair where
    /// that is later), g/h, below zero where the air took more than came in. The volume's own uncertainty
    /// comes in through what the rate and the fleet say of the usual ingress together.
    #[must_use]
    pub(crate) fn ingress_quantile_g_per_h(&self, p: f64) -> f64 {
        let rate = self.mass.ln_rate(self.ingress);
        let pull = self.ingress.var / rate.var;
        let volume_var = self.ingress.var * self.mass.sd.powi(2) / rate.var;
        // between the grid's points the mixture is read as continuous
        let between = (pull * self.step).powi(2) / 12.0;
        let mut parts: Vec<NetIngress> = Vec::with_capacity(self.cells.len());
        for cell in &self.cells {
            let usual = self.ingress.mean + pull * (cell.usual_per_h.ln() - rate.mean);
            let tonnes = (usual - cell.usual_per_h.ln()).exp();
            let seen = cell.recent(self.recent_h);
            let var = between + seen.ln_var;
            for (sunk, recent) in seen.with_sunk(cell.usual_per_h) {
                let weight = sunk * cell.weight;
                if recent.lost_per_h > 0.0 {
                    // what is lost goes with the same mass
                    parts.extend(THREE_NODES.iter().map(|(z, share)| {
                        let tonnes = tonnes * (z * volume_var.sqrt()).exp();
                        NetIngress::new(share * weight, recent, tonnes, var)
                    }));
                } else {
                    let part = NetIngress::new(weight, recent, tonnes, volume_var + var);
                    parts.push(part);
                }
            }
        }
        let law = |x: f64| parts.iter().map(|part| part.below(x)).sum::<f64>();
        bisect(law, parts.iter().map(NetIngress::reach), p)
    }

    /// One draw of a cell with level and wander known.
    #[must_use]
    pub(crate) fn draw(&self, rng: &mut Pcg64) -> Option<Cell> {
        let mut left = uniform(rng);
        let (z_level, z_wander) = (standard_normal(rng), standard_normal(rng));
        let mut chosen = self.cells.last()?;
        for cell in &self.cells {
            left -= cell.weight;
            if left <= 0.0 {
                chosen = cell;
                break;
            }
        }
        let State {
            level, wander, cov, ..
        } = chosen.state;
        let slope = cov.cu / cov.cc.max(1e-9);
        let moved = z_level * cov.cc.sqrt();
        let rest = (cov.uu - slope * cov.cu).max(0.0).sqrt();
        let mut drawn = *chosen;
        drawn.weight = 1.0;
        drawn.state.level = (level + moved).max(0.0);
        drawn.state.wander = wander + slope * moved + rest * z_wander;
        drawn.state.cov.cc = 0.0;
        drawn.state.cov.cu = 0.0;
        drawn.state.cov.uu = 0.0;
        Some(drawn)
    }
}

/// Usual rate, regime and state of one part of the mixture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cell {
    pub(crate) weight: f64,
    pub(crate) usual_per_h: f64,
    /// Variant of the law.
    pub(crate) variant: usize,
    pub(crate) mode: usize,
    /// What its regime multiplies the rate by.
    pub(crate) factor: f64,
    /// About what the air takes of such a level, ppm/h; never below zero.
    lost_per_h: f64,
    pub(crate) state: State,
}

impl Cell {
    /// A sound cell of all the weight.
    #[cfg(test)]
    pub(crate) fn of(usual_per_h: f64, state: State) -> Self {
        Self {
            weight: 1.0,
            usual_per_h,
            variant: 0,
            mode: 0,
            factor: 1.0,
            lost_per_h: 0.0,
            state,
        }
    }

    /// Rate of the level now, ppm/h.
    pub(crate) fn rate_now_per_h(&self) -> f64 {
        self.usual_per_h * self.factor * (1.0 + self.state.wander).max(LEAST_SHARE)
    }

    /// About what the air takes now, ppm/h; never below zero.
    pub(crate) fn lost_per_h(&self) -> f64 {
        self.lost_per_h
    }

    /// The recent ingress of this cell.
    fn recent(&self, recent_h: f64) -> Recent {
        let (net, var) = if recent_h > 24.0 {
            let hours = recent_h;
            (
                self.state.recent / hours,
                self.state.cov.aa / (hours * hours),
            )
        } else {
            let rate = self.usual_per_h * self.factor;
            let net = (1.0 + self.state.wander) * rate - self.lost_per_h;
            (net, rate * rate * self.state.cov.uu)
        };
        let gross = (net + self.lost_per_h).max(LEAST_SHARE * self.usual_per_h);
        let ln_var = (var / (gross * gross)).ln_1p();
        Recent {
            ln_gross: gross.ln() - 0.5 * ln_var,
            ln_var,
            lost_per_h: self.lost_per_h,
        }
    }
}

/// Cells of one regime from the points (weight, ln rate, state) of the grid, in its order.
fn gather(
    points: impl Iterator<Item = (f64, f64, State)>,
    (variant, mode, factor): (usize, usize, f64),
    cells: &mut Vec<Cell>,
) {
    let mut pending: Option<(f64, f64, State)> = None;
    let mut emit = |(weight, ln_rate, state): (f64, f64, State)| {
        cells.push(Cell {
            weight,
            usual_per_h: ln_rate.exp(),
            variant,
            mode,
            factor,
            lost_per_h: 0.0,
            state,
        });
    };
    for point in points {
        let (weight, ln_rate, state) = pending.take().map_or(point, |(w, ln_rate, state)| {
            let (total, state) = merge((w, state), (point.0, point.2));
            (total, (w * ln_rate + point.0 * point.1) / total, state)
        });
        if weight >= PORTION {
            emit((weight, ln_rate, state));
        } else {
            pending = Some((weight, ln_rate, state));
        }
    }
    pending.into_iter().for_each(emit);
}

/// Ingress never falls below this share of the usual: wander is normal only near one.
const LEAST_SHARE: f64 = 0.1;

fn step_of(filtered: &Filtered) -> f64 {
    match filtered.ln_rate.as_slice() {
        [a, b, ..] => b - a,
        _ => 0.0,
    }
}

/// A quantile is found to this share of itself.
const FINE_ENOUGH: f64 = 1e-5;

/// Where a mixture's distribution function reaches `p`; the ends are (mean, reach) of its parts.
fn bisect(law: impl Fn(f64) -> f64, ends: impl Iterator<Item = (f64, f64)>, p: f64) -> f64 {
    let (mut low, mut high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (m, w)| {
        (l.min(m - w), h.max(m + w))
    });
    if !(low.is_finite() && high.is_finite()) {
        return f64::NAN;
    }
    for _ in 0..44 {
        if high - low <= FINE_ENOUGH * low.abs().max(high.abs()) {
            break;
        }
        let middle = 0.5 * (low + high);
        if law(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
