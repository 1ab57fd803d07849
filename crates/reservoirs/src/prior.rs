//! What the fleet says about a reservoir's ingress before its own data.
//!
//! ln g = μ + β·(ln mass − mean) + service + site + reservoir, all normal; each reservoir's own data
//! come in as a pseudo-value with a variance. For given spreads the rest is solved exactly (services
//! as penalised columns, sites by Schur complement); the spreads are integrated over a grid with
//! half-normal priors (statistics: empirical Bayes with the uncertainty of its own fit). A
//! reservoir's prior leaves its own pseudo-value out. Reservoirs of one site and service enter as
//! sums, so that a large fleet costs one pass per spread.

use std::collections::BTreeMap;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// What one reservoir's own data say of ln ingress.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Evidence {
    pub(crate) site: usize,
    pub(crate) service: usize,
    /// ln of the oil mass less the fleet's mean.
    pub(crate) ln_mass: f64,
    /// Pseudo-value of ln g/h; ignored where the variance is infinite.
    pub(crate) ln_g: f64,
    pub(crate) var: f64,
}

/// A normal law of ln ingress, g/h.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LnIngress {
    pub(crate) mean: f64,
    pub(crate) var: f64,
}

/// Before any data: some 3 g/h, anywhere between leak-free breathing (0.1 g/h) and a leaking cooler
/// (100 g/h). Common practice, no source.
pub(crate) const VAGUE: LnIngress = LnIngress {
    mean: 1.1,
    var: 2.9,
};
/// Ingress grows with the oil's mass, but less than in proportion (common practice, no source).
const MASS_SLOPE: (f64, f64) = (0.5, 0.3);

const SITE_SD: [f64; 4] = [0.05, 0.25, 0.5, 0.9];
const SERVICE_SD: [f64; 4] = [0.05, 0.25, 0.5, 0.9];
const RESERVOIR_SD: [f64; 7] = [0.15, 0.3, 0.45, 0.65, 0.9, 1.25, 1.7];
/// Scales of the half-normal priors of the three.
const SPREAD_SCALE: (f64, f64, f64) = (0.5, 0.5, 1.0);
/// A spread of less weight than this is left out.
const NEGLIGIBLE: f64 = 1e-6;

#[derive(Clone, Copy, Debug)]
struct Spread {
    site: f64,
    service: f64,
    reservoir: f64,
}

/// How many sites and services there are.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Groups {
    pub(crate) sites: usize,
    pub(crate) services: usize,
}

/// The law of each reservoir's ln ingress from everybody else's data; `vague` before any.
#[must_use]
pub(crate) fn fit_prior(evidence: &[Evidence], groups: Groups, vague: LnIngress) -> Vec<LnIngress> {
    let mut solved = Vec::new();
    for reservoir in RESERVOIR_SD {
        let sums = Sums::new(evidence, reservoir, vague);
        for site in SITE_SD {
            for service in SERVICE_SD {
                let spread = Spread {
                    site,
                    service,
                    reservoir,
                };
                solved.extend(Solved::new(&sums, groups, spread, vague));
            }
        }
    }
    let logs = solved.iter().map(|part| part.ln_weight);
    let top = logs.fold(f64::NEG_INFINITY, f64::max);
    let weight = |part: &Solved| (part.ln_weight - top).exp();
    let total: f64 = solved.iter().map(weight).sum();
    // mean and square of each reservoir's law over the spreads
    let mut moments = vec![(0.0, 0.0); evidence.len()];
    let mut kept = 0.0;
    for part in &solved {
        let share = weight(part) / total;
        if share < NEGLIGIBLE {
            continue;
        }
        kept += share;
        let reaches = part.reaches(evidence);
        for (row, moment) in evidence.iter().zip(&mut moments) {
            let law = part.law_of(row, &reaches, vague);
            moment.0 += share * law.mean;
            moment.1 += share * (law.var + law.mean * law.mean);
        }
    }
    let to_law = |(first, second): (f64, f64)| {
        let mean = first / kept;
        let var = second / kept - mean * mean;
        if mean.is_finite() && var > 0.0 {
            LnIngress { mean, var }
        } else {
            vague
        }
    };
    moments.into_iter().map(to_law).collect()
}

/// Weighted sums over the reservoirs of one site and service: of 1, mass, mass², value, mass·value.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    weight: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
}

/// What one spread between reservoirs makes of the evidence.
struct Sums {
    by_group: BTreeMap<(usize, usize), Sum>,
    square: f64,
    ln_det: f64,
}

/// Weight of a reservoir's own value.
fn weight_of(row: &Evidence, reservoir_sd: f64) -> f64 {
    if row.var.is_finite() {
        1.0 / (row.var + reservoir_sd.powi(2))
    } else {
        0.0
    }
}

/// The pseudo-value less the vague mean.
fn centred(row: &Evidence, vague: LnIngress) -> f64 {
    row.ln_g - vague.mean - MASS_SLOPE.0 * row.ln_mass
}

impl Sums {
    fn new(evidence: &[Evidence], reservoir_sd: f64, vague: LnIngress) -> Self {
        let mut sums = Self {
            by_group: BTreeMap::new(),
            square: 0.0,
            ln_det: 0.0,
        };
        for row in evidence {
            let w = weight_of(row, reservoir_sd);
            if w <= 0.0 {
                continue;
            }
            let (x, y) = (row.ln_mass, centred(row, vague));
            let sum = sums.by_group.entry((row.site, row.service)).or_default();
            sum.weight += w;
            sum.x += w * x;
            sum.xx += w * x * x;
            sum.y += w * y;
            sum.xy += w * x * y;
            sums.square += w * y * y;
            sums.ln_det -= w.ln();
        }
        sums
    }
}

/// Sums of one site.
struct SiteSums {
    weight: f64,
    columns: DVector<f64>,
    value: f64,
}

/// The solution for one spread: columns are the mean, the mass, the services.
struct Solved {
    spread: Spread,
    ln_weight: f64,
    sites: Vec<SiteSums>,
    factor: Cholesky<f64, Dyn>,
    theta: DVector<f64>,
}

/// How the law of a reservoir of one site and service depends on its mass x: its mean is
/// `mean.0 + mean.1·x`, its variance `var.0 + var.1·x + var.2·x²`.
#[derive(Clone, Copy, Debug)]
struct Reach {
    mean: (f64, f64),
    var: (f64, f64, f64),
}

impl Solved {
    fn new(sums: &Sums, groups: Groups, spread: Spread, vague: LnIngress) -> Option<Self> {
        let p = 2 + groups.services;
        let prior_precision = DVector::from_fn(p, |row, _| match row {
            0 => 1.0 / vague.var,
            1 => 1.0 / MASS_SLOPE.1.powi(2),
            _ => 1.0 / spread.service.powi(2),
        });
        let mut matrix = DMatrix::from_diagonal(&prior_precision);
        let mut right = DVector::zeros(p);
        let mut sites: Vec<SiteSums> = (0..groups.sites)
            .map(|_| SiteSums {
                weight: 0.0,
                columns: DVector::zeros(p),
                value: 0.0,
            })
            .collect();
        let mut square = sums.square;
        let mut ln_det = sums.ln_det;
        for ((site, service), sum) in &sums.by_group {
            let of_service = 2 + service;
            for (row, column, value) in [
                (0, 0, sum.weight),
                (0, 1, sum.x),
                (1, 0, sum.x),
                (1, 1, sum.xx),
                (0, of_service, sum.weight),
                (of_service, 0, sum.weight),
                (1, of_service, sum.x),
                (of_service, 1, sum.x),
                (of_service, of_service, sum.weight),
            ] {
                *matrix.get_mut((row, column))? += value;
            }
            for (row, value) in [(0, sum.y), (1, sum.xy), (of_service, sum.y)] {
                *right.get_mut(row)? += value;
            }
            let of_site = sites.get_mut(*site)?;
            of_site.weight += sum.weight;
            of_site.value += sum.y;
            for (row, value) in [(0, sum.weight), (1, sum.x), (of_service, sum.weight)] {
                *of_site.columns.get_mut(row)? += value;
            }
        }
        let site_precision = 1.0 / spread.site.powi(2);
        for sums in &sites {
            let total = site_precision + sums.weight;
            matrix.ger(-1.0 / total, &sums.columns, &sums.columns, 1.0);
            right.axpy(-sums.value / total, &sums.columns, 1.0);
            square -= sums.value * sums.value / total;
            ln_det += (sums.weight / site_precision).ln_1p();
        }
        let factor = Cholesky::new(matrix)?;
        let theta = factor.solve(&right);
        ln_det += factor.ln_determinant() - prior_precision.map(f64::ln).sum();
        Some(Self {
            spread,
            ln_weight: -0.5 * (ln_det + square - right.dot(&theta)) + ln_spread_prior(spread),
            sites,
            factor,
            theta,
        })
    }

    /// The reach of every site and service that occurs.
    fn reaches(&self, evidence: &[Evidence]) -> BTreeMap<(usize, usize), Reach> {
        let p = self.theta.len();
        let site_precision = 1.0 / self.spread.site.powi(2);
        let mass = self
            .factor
            .solve(&DVector::from_fn(p, |row, _| f64::from(u8::from(row == 1))));
        let theta = |row: usize| self.theta.get(row).copied().unwrap_or(0.0);
        let mut reaches = BTreeMap::new();
        for row in evidence {
            reaches.entry((row.site, row.service)).or_insert_with(|| {
                let of_service = 2 + row.service;
                let mut still = DVector::from_fn(p, |row, _| {
                    f64::from(u8::from(row == 0 || row == of_service))
                });
                let (mean, var) = match self.sites.get(row.site) {
                    Some(sums) => {
                        let total = site_precision + sums.weight;
                        still.axpy(-1.0 / total, &sums.columns, 1.0);
                        (sums.value / total, 1.0 / total)
                    }
                    None => (0.0, 1.0 / site_precision),
                };
                Reach {
                    mean: (mean + still.dot(&self.theta), theta(1)),
                    var: (
                        var + still.dot(&self.factor.solve(&still)),
                        2.0 * still.dot(&mass),
                        mass.get(1).copied().unwrap_or(0.0),
                    ),
                }
            });
        }
        reaches
    }

    /// Law of μ + βx + service + site + reservoir for one reservoir, its own value taken out.
    fn law_of(
        &self,
        row: &Evidence,
        reaches: &BTreeMap<(usize, usize), Reach>,
        vague: LnIngress,
    ) -> LnIngress {
        let Some(reach) = reaches.get(&(row.site, row.service)) else {
            return vague;
        };
        let x = row.ln_mass;
        let mean = reach.mean.0 + reach.mean.1 * x;
        let var = reach.var.0 + reach.var.1 * x + reach.var.2 * x * x;
        let base = vague.mean + MASS_SLOPE.0 * x;
        let own = weight_of(row, self.spread.reservoir);
        let between = self.spread.reservoir.powi(2);
        let precision = 1.0 / var - own;
        if own <= 0.0 || precision <= 1e-3 / var {
            return LnIngress {
                mean: base + mean,
                var: var + between,
            };
        }
        let without = (mean / var - own * centred(row, vague)) / precision;
        LnIngress {
            mean: base + without,
            var: 1.0 / precision + between,
        }
    }
}

fn ln_spread_prior(spread: Spread) -> f64 {
    let half = |sd: f64, scale: f64| -0.5 * (sd / scale).powi(2);
    // the grids are roughly geometric: density times step goes with the sd itself
    half(spread.site, SPREAD_SCALE.0)
        + half(spread.service, SPREAD_SCALE.1)
        + half(spread.reservoir, SPREAD_SCALE.2)
        + (spread.site * spread.service * spread.reservoir).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn evidence(site: usize, ln_g: f64, var: f64) -> Evidence {
        Evidence {
            site,
            service: 0,
            ln_mass: 0.0,
            ln_g,
            var,
        }
    }

    fn groups(sites: usize) -> Groups {
        Groups { sites, services: 1 }
    }

    #[test]
    fn without_data_the_prior_is_vague() {
        let law = fit_prior(&[evidence(0, 0.0, f64::INFINITY)], groups(1), VAGUE)[0];
        assert!((law.mean - VAGUE.mean).abs() < 1e-9);
        assert!(law.var > VAGUE.var);
    }

    #[test]
    fn neighbours_speak_and_oneself_does_not() {
        let alike: Vec<Evidence> = (0..10)
            .map(|i| evidence(0, 2.0 + 0.01 * f64::from(i), 0.01))
            .collect();
        let laws = fit_prior(&alike, groups(1), VAGUE);
        assert!(
            (laws[0].mean - 2.05).abs() < 0.1 && laws[0].var < 0.3,
            "{:?}",
            laws[0]
        );
        let mut changed = alike;
        changed[0].ln_g = 2.6;
        let moved = fit_prior(&changed, groups(1), VAGUE)[0];
        // the spreads learn of it a little, the mean of the others does not
        assert!(
            (moved.mean - laws[0].mean).abs() < 0.05,
            "{moved:?} {:?}",
            laws[0]
        );
    }

    #[test]
    fn a_wet_site_lifts_its_own_reservoirs_most() {
        let mut rows: Vec<Evidence> = (0..8).map(|_| evidence(0, 3.0, 0.05)).collect();
        rows.extend((0..8).map(|_| evidence(1, 1.0, 0.05)));
        rows.push(evidence(0, 0.0, f64::INFINITY));
        rows.push(evidence(1, 0.0, f64::INFINITY));
        let laws = fit_prior(&rows, groups(2), VAGUE);
        assert!(
            laws[16].mean > 2.5 && laws[17].mean < 1.5,
            "{:?} {:?}",
            laws[16],
            laws[17]
        );
    }

    /// One reservoir's law from the dense joint normal law of all values, its own left out.
    fn dense(rows: &[Evidence], idx: usize, spread: Spread) -> LnIngress {
        let prior = |a: &Evidence, b: &Evidence| {
            let same = |yes: bool, sd: f64| f64::from(u8::from(yes)) * sd * sd;
            VAGUE.var
                + MASS_SLOPE.1.powi(2) * a.ln_mass * b.ln_mass
                + same(a.service == b.service, spread.service)
                + same(a.site == b.site, spread.site)
        };
        let others: Vec<&Evidence> = rows
            .iter()
            .enumerate()
            .filter(|(k, row)| *k != idx && row.var.is_finite())
            .map(|(_, row)| row)
            .collect();
        let n = others.len();
        let noise = |k: usize| others[k].var + spread.reservoir.powi(2);
        let cov = DMatrix::from_fn(n, n, |i, j| {
            prior(others[i], others[j]) + if i == j { noise(i) } else { 0.0 }
        });
        let cross = DVector::from_fn(n, |i, _| prior(&rows[idx], others[i]));
        let values = DVector::from_fn(n, |i, _| centred(others[i], VAGUE));
        let gain = Cholesky::new(cov).unwrap().solve(&cross);
        LnIngress {
            mean: VAGUE.mean + MASS_SLOPE.0 * rows[idx].ln_mass + gain.dot(&values),
            var: prior(&rows[idx], &rows[idx]) - gain.dot(&cross) + spread.reservoir.powi(2),
        }
    }

    #[test]
    fn sums_over_groups_give_the_dense_answer() {
        let rows: Vec<Evidence> = (0..12)
            .map(|k| {
                let x = f64::from(k);
                Evidence {
                    site: k as usize % 3,
                    service: k as usize % 2,
                    ln_mass: 0.3 * (x - 5.0),
                    ln_g: 1.0 + (1.7 * x).sin(),
                    var: if k == 7 {
                        f64::INFINITY
                    } else {
                        0.05 + 0.01 * x
                    },
                }
            })
            .collect();
        let spread = Spread {
            site: 0.5,
            service: 0.25,
            reservoir: 0.45,
        };
        let groups = Groups {
            sites: 3,
            services: 2,
        };
        let sums = Sums::new(&rows, spread.reservoir, VAGUE);
        let solved = Solved::new(&sums, groups, spread, VAGUE).unwrap();
        let reaches = solved.reaches(&rows);
        for (idx, row) in rows.iter().enumerate() {
            let (got, want) = (
                solved.law_of(row, &reaches, VAGUE),
                dense(&rows, idx, spread),
            );
            assert!((got.mean - want.mean).abs() < 1e-9, "{got:?} {want:?}");
            assert!((got.var - want.var).abs() < 1e-9, "{got:?} {want:?}");
        }
    }
}
