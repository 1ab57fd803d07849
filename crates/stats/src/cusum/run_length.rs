//! How long a chart runs until it alarms: integral equations solved at Gauss–Legendre nodes
//! (Nyström), and Siegmund's closed approximation.

use crate::normal::{cdf, pdf};
use crate::optimise::brent_root;
use nalgebra::{DMatrix, DVector};

/// Nodes of the quadrature; the kernels are smooth, so 80 give six digits and more for h up to 20.
const NODES: usize = 80;

/// Gauss–Legendre nodes and weights on [low, high] (Newton on the Legendre polynomials).
fn gauss_legendre(n: usize, low: f64, high: f64) -> Vec<(f64, f64)> {
    let half = 0.5 * (high - low);
    let middle = 0.5 * (high + low);
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut p, mut before) = (1.0, 0.0);
                for j in 0..n {
                    let next = ((2 * j + 1) as f64 * x * p - j as f64 * before) / (j + 1) as f64;
                    before = p;
                    p = next;
                }
                slope = n as f64 * (x * p - before) / (x * x - 1.0);
                let step = p / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            (
                middle + half * x,
                half * 2.0 / ((1.0 - x * x) * slope * slope),
            )
        })
        .collect()
}

/// Mean number of values to the alarm of a one-sided CUSUM started at 0, for independent normal
/// values of unit variance and mean `shift`; None for a limit that is not positive.
///
/// L(u) = 1 + L(0) Phi(k - u - shift) + integral over (0, h) of L(y) phi(y + k - u - shift).
#[must_use]
pub fn cusum_arl(reference: f64, limit: f64, shift: f64) -> Option<f64> {
    if !(limit > 0.0) || !limit.is_finite() || !reference.is_finite() || !shift.is_finite() {
        return None;
    }
    let nodes = gauss_legendre(NODES, 0.0, limit);
    let at = |i: usize| if i == 0 { 0.0 } else { nodes[i - 1].0 };
    let matrix = DMatrix::from_fn(NODES + 1, NODES + 1, |i, j| {
        let u = at(i);
        let kernel = if j == 0 {
            cdf(reference - u - shift)
        } else {
            nodes[j - 1].1 * pdf(nodes[j - 1].0 + reference - u - shift)
        };
        f64::from(u8::from(i == j)) - kernel
    });
    let solution = matrix.lu().solve(&DVector::from_element(NODES + 1, 1.0))?;
    Some(solution[0]).filter(|l| l.is_finite() && *l > 0.0)
}

/// The same for an upper and a lower CUSUM run together: 1/ARL = 1/ARL+ + 1/ARL- (exact for k > 0).
#[must_use]
pub fn cusum_arl_two_sided(reference: f64, limit: f64, shift: f64) -> Option<f64> {
    let upper = cusum_arl(reference, limit, shift)?;
    let lower = cusum_arl(reference, limit, -shift)?;
    Some(1.0 / (1.0 / upper + 1.0 / lower))
}

/// Siegmund's approximation of the same (Siegmund 1985): (e^(2 D b) - 2 D b - 1)/(2 D^2) with
/// D = k - shift, b = h + 1.166; b^2 at D = 0.
#[must_use]
pub fn siegmund_arl(reference: f64, limit: f64, shift: f64) -> f64 {
    let d = reference - shift;
    let b = limit + 1.166;
    let x = 2.0 * d * b;
    if x.abs() < 1e-4 {
        // Series: (x^2/2 + x^3/6)/(2 d^2) with x = 2 d b.
        return b * b * (1.0 + x / 3.0);
    }
    (x.exp_m1() - x) / (2.0 * d * d)
}

/// Mean number of values to the alarm of a two-sided EWMA with fixed limits ± `width` long-run
/// standard deviations, started at 0.
#[must_use]
pub fn ewma_arl(weight: f64, width: f64, shift: f64) -> Option<f64> {
    if !(weight > 0.0 && weight <= 1.0) || !(width > 0.0) || !width.is_finite() {
        return None;
    }
    let edge = width * super::ewma_sd(weight);
    // Narrow kernels (small weights) need more nodes: about eight per kernel width.
    let n = NODES.max((16.0 * edge / weight).ceil() as usize).min(600);
    let nodes = gauss_legendre(n, -edge, edge);
    let kernel =
        |u: f64, (y, w): (f64, f64)| w / weight * pdf((y - (1.0 - weight) * u) / weight - shift);
    let matrix = DMatrix::from_fn(n, n, |i, j| {
        f64::from(u8::from(i == j)) - kernel(nodes[i].0, nodes[j])
    });
    let solution = matrix.lu().solve(&DVector::from_element(n, 1.0))?;
    let start = nodes
        .iter()
        .zip(solution.iter())
        .map(|(node, l)| kernel(0.0, *node) * l)
        .sum::<f64>();
    Some(1.0 + start)
}

/// Mean number of values to the alarm of a one-sided CUSUM started at 0 when the mean is
/// `drift` x i at value i (1, 2, …). None for a drift that is not positive.
#[must_use]
pub fn cusum_arl_under_drift(reference: f64, limit: f64, drift: f64) -> Option<f64> {
    if !(drift > 0.0) || !(limit > 0.0) || !limit.is_finite() || !reference.is_finite() {
        return None;
    }
    let nodes = gauss_legendre(NODES, 0.0, limit);
    let mut at_zero = 1.0;
    let mut density = vec![0.0; NODES];
    let mut total = 0.0;
    for i in 1..1_000_000_u32 {
        let alive = at_zero
            + nodes
                .iter()
                .zip(&density)
                .map(|(n, d)| n.1 * d)
                .sum::<f64>();
        total += alive;
        if alive < 1e-12 {
            return Some(total);
        }
        let centre = reference - drift * f64::from(i);
        let from = |to: &dyn Fn(f64) -> f64| -> f64 {
            at_zero * to(0.0)
                + nodes
                    .iter()
                    .zip(&density)
                    .map(|(n, d)| n.1 * d * to(n.0))
                    .sum::<f64>()
        };
        let next_zero = from(&|u| cdf(centre - u));
        let next = nodes
            .iter()
            .map(|(y, _)| from(&|u| pdf(y + centre - u)))
            .collect();
        at_zero = next_zero;
        density = next;
    }
    None
}

/// Limit h of a one-sided CUSUM that alarms falsely so often and no more, for independent values.
///
/// `false_alarms_per_year` and `observations_per_year` per chart. None where no limit does it (a
/// budget of more alarms than values allow, or numbers that are not positive).
#[must_use]
pub fn design_limit(
    reference: f64,
    false_alarms_per_year: f64,
    observations_per_year: f64,
) -> Option<f64> {
    let target = observations_per_year / false_alarms_per_year;
    if !(target > 1.0) || !target.is_finite() || !(reference > 0.0) {
        return None;
    }
    let gap = |h: f64| cusum_arl(reference, h, 0.0).map_or(f64::NAN, |l| l.ln() - target.ln());
    // Siegmund's closed form gives the neighbourhood; the equation gives the digits.
    let rough = |h: f64| siegmund_arl(reference, h, 0.0).ln() - target.ln();
    let near = brent_root(rough, 1e-6, 200.0, 1e-6).unwrap_or(1.0);
    brent_root(gap, (near - 0.8).max(1e-4), near + 0.8, 1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    #[test]
    fn quadrature_is_exact_for_polynomials() {
        let sum: f64 = gauss_legendre(8, -1.0, 3.0)
            .iter()
            .map(|(x, w)| w * x.powi(7))
            .sum();
        assert!((sum - (3.0_f64.powi(8) - 1.0) / 8.0).abs() < 1e-9);
    }

    #[test]
    fn tiny_limit_is_a_geometric_law() {
        // With h near 0 each value alarms with probability Phi(-(k + h)).
        let arl = cusum_arl(0.5, 1e-9, 0.0).unwrap();
        assert!((arl - 1.0 / cdf(-0.5)).abs() < 1e-5);
        let one = ewma_arl(1.0, 3.0, 0.0).unwrap();
        assert!((one - 1.0 / (2.0 * cdf(-3.0))).abs() < 1e-3, "{one}");
    }

    #[test]
    fn designed_limit_meets_its_budget_in_simulation() {
        // Two false alarms a year in 365 daily values: one in 182.5 on average.
        let h = design_limit(0.25, 2.0, 365.0).unwrap();
        assert!((cusum_arl(0.25, h, 0.0).unwrap() - 182.5).abs() < 1e-4);
        let chart = super::super::Cusum {
            reference: 0.25,
            limit: h,
        };
        let mut rng = rng::seeded(9, "arl");
        let (mut alarms, mut statistic) = (0.0, 0.0);
        let n = 300_000;
        for _ in 0..n {
            statistic = chart.step(statistic, rng::standard_normal(&mut rng));
            if statistic > chart.limit {
                alarms += 1.0;
                statistic = 0.0;
            }
        }
        let expected = f64::from(n) / 182.5;
        assert!(
            (alarms - expected).abs() < 4.0 * expected.sqrt(),
            "{alarms} {expected}"
        );
        assert_eq!(design_limit(0.25, 400.0, 365.0), None);
        assert_eq!(design_limit(0.25, 0.0, 365.0), None);
    }

    #[test]
    fn a_faster_drift_alarms_sooner() {
        let slow = cusum_arl_under_drift(0.25, 8.0, 0.01).unwrap();
        let fast = cusum_arl_under_drift(0.25, 8.0, 0.05).unwrap();
        assert!(fast < slow && fast > 5.0);
        assert!(
            (siegmund_arl(0.5, 5.0, 0.5 - 1e-7) / siegmund_arl(0.5, 5.0, 0.5) - 1.0).abs() < 1e-4
        );
    }
}
