//! Censored likelihood and profile intervals.

use super::read::{Certified, certified, check, columns, near};
use drydown_stats::censored::{Seen, fit_tobit, ln_likelihood, ln_likelihood_log};
use drydown_stats::linear::Design;
use drydown_stats::normal::student_t_quantile;
use drydown_stats::optimise::{LmConfig, MinimiseConfig, levenberg_marquardt, minimise};
use drydown_stats::profile::{ProfileSearch, profile_interval, profile_interval_cut};

#[derive(Clone, Copy)]
enum Scale {
    Additive,
    Log,
}

struct Decay {
    t: Vec<f64>,
    seen: Vec<Seen>,
    scale: Scale,
}

impl Decay {
    fn new(data: &str, scale: Scale) -> Self {
        let data = columns(data);
        let seen = data[1]
            .iter()
            .zip(&data[2])
            .map(|(v, c)| match c {
                c if *c < 0.0 => Seen::Below(*v),
                c if *c > 0.0 => Seen::Above(*v),
                _ => Seen::Exact(*v),
            })
            .collect();
        Self {
            t: data[0].clone(),
            seen,
            scale,
        }
    }

    /// Log-likelihood at (ln k, ln Ceq, ln C0, ln sigma).
    fn ln_likelihood(&self, x: &[f64]) -> f64 {
        let (k, floor, start, sd) = (x[0].exp(), x[1].exp(), x[2].exp(), x[3].exp());
        let at = |t: f64| floor + (start - floor) * (-k * t).exp();
        self.t
            .iter()
            .zip(&self.seen)
            .map(|(t, s)| match self.scale {
                Scale::Additive => ln_likelihood(*s, at(*t), sd),
                Scale::Log => ln_likelihood_log(*s, at(*t), sd),
            })
            .sum()
    }

    fn fit(&self, start: &[f64]) -> (Vec<f64>, f64) {
        let f = |x: &[f64]| -self.ln_likelihood(x);
        let found = minimise(
            &f,
            start,
            &MinimiseConfig::with_scales(vec![0.1; start.len()]),
        );
        (found.x, -found.value)
    }

    /// Minus twice the log-likelihood with all but ln k maximised out.
    fn profiled(&self, ln_k: f64, start: &[f64]) -> f64 {
        let f = |x: &[f64]| -self.ln_likelihood(&[ln_k, x[0], x[1], x[2]]);
        2.0 * minimise(&f, &start[1..], &MinimiseConfig::with_scales(vec![0.1; 3])).value
    }

    /// The same curve with every censored value replaced, or left out where `by` gives none.
    fn replaced(&self, by: impl Fn(Seen) -> Option<Seen>) -> Self {
        let (t, seen) = self
            .t
            .iter()
            .zip(&self.seen)
            .filter_map(|(t, s)| by(*s).map(|s| (*t, s)))
            .unzip();
        Self {
            t,
            seen,
            scale: self.scale,
        }
    }
}

fn check_decay(name: &str, data: &str, rows: &[Certified], scale: Scale) {
    let decay = Decay::new(data, scale);
    let truth =
        ["k", "Ceq", "C0", "sigma"].map(|q| super::read::value(rows, &format!("truth.{q}")).ln());
    for (point, shift) in [[0.0; 4], [0.1, -0.2, 0.05, 0.1], [-0.3, 0.4, -0.1, 0.5]]
        .iter()
        .enumerate()
    {
        let at: Vec<f64> = truth.iter().zip(shift).map(|(t, s)| t + s).collect();
        check(
            name,
            rows,
            &format!("loglik_at_point{point}"),
            decay.ln_likelihood(&at),
        );
    }
    let (best, value) = decay.fit(&truth);
    check(name, rows, "mle.loglik", value);
    for (x, q) in best.iter().zip(["k", "Ceq", "C0", "sigma"]) {
        check(name, rows, &format!("mle.{q}"), x.exp());
    }
    for (level, label) in [(0.9, "90"), (0.95, "95")] {
        let bounds = (best[0] - 8.0, best[0] + 8.0);
        let search = ProfileSearch {
            at: best[0],
            step: 0.02,
            bounds,
            level,
        };
        let found = profile_interval(|ln_k| decay.profiled(ln_k, &best), &search);
        check(
            name,
            rows,
            &format!("k.profile{label}.lo"),
            found.lower.unwrap().exp(),
        );
        check(
            name,
            rows,
            &format!("k.profile{label}.hi"),
            found.upper.unwrap().exp(),
        );
    }
    let count = |f: &dyn Fn(&Seen) -> bool| decay.seen.iter().filter(|s| f(s)).count() as f64;
    check(name, rows, "n", count(&|_| true));
    check(
        name,
        rows,
        "n_left",
        count(&|s| matches!(s, Seen::Below(_))),
    );
    check(
        name,
        rows,
        "n_right",
        count(&|s| matches!(s, Seen::Above(_))),
    );
    let dropped = decay.replaced(|s| matches!(s, Seen::Exact(_)).then_some(s));
    check(
        name,
        rows,
        "naive.drop_censored.k",
        dropped.fit(&truth).0[0].exp(),
    );
    let limit = decay.replaced(|s| Some(Seen::Exact(s.rough())));
    check(
        name,
        rows,
        "naive.substitute_limit.k",
        limit.fit(&truth).0[0].exp(),
    );
    let half = decay.replaced(|s| {
        Some(Seen::Exact(if matches!(s, Seen::Below(_)) {
            0.5 * s.rough()
        } else {
            s.rough()
        }))
    });
    check(
        name,
        rows,
        "naive.substitute_half.k",
        half.fit(&truth).0[0].exp(),
    );
}

/// Sets made for this project; values by scipy 1.17.1, agreeing with R's optim.
#[test]
fn decay_with_values_below_and_above_limits() {
    let rows = certified(include_str!("../data/decay_additive.certified.csv"));
    let data = include_str!("../data/decay_additive.csv");
    check_decay("decay_additive", data, &rows, Scale::Additive);
    let rows = certified(include_str!("../data/decay_log.certified.csv"));
    check_decay(
        "decay_log",
        include_str!("../data/decay_log.csv"),
        &rows,
        Scale::Log,
    );
}

/// Tobin 1958 (Econometrica 26:24-36), data as in R package survival 3.5-3; estimates by its survreg.
#[test]
fn durable_goods() {
    let durable = [
        0.0, 0.7, 0.0, 0.0, 0.0, 0.0, 0.0, 3.7, 0.0, 3.0, 10.4, 0.0, 0.0, 0.0, 1.5, 0.0, 0.0, 3.5,
        6.1, 0.0,
    ];
    let age = vec![
        57.7, 50.9, 48.5, 41.7, 47.7, 59.8, 44.3, 45.1, 51.7, 50.0, 46.8, 58.0, 58.9, 40.0, 34.1,
        39.9, 33.4, 48.1, 46.6, 53.1,
    ];
    let quant = vec![
        236.0, 283.0, 207.0, 220.0, 238.0, 216.0, 284.0, 221.0, 275.0, 269.0, 207.0, 249.0, 246.0,
        277.0, 231.0, 219.0, 240.0, 266.0, 214.0, 251.0,
    ];
    let seen: Vec<Seen> = durable
        .iter()
        .map(|v| {
            if *v > 0.0 {
                Seen::Exact(*v)
            } else {
                Seen::Below(0.0)
            }
        })
        .collect();
    let fit = fit_tobit(
        &Design::with_intercept(20, vec![age, quant]).unwrap(),
        &seen,
    )
    .unwrap();
    let se = fit.standard_errors.unwrap();
    near("intercept", fit.coefficients[0], 15.144_866_332_220_9, 1e-5);
    near("age", fit.coefficients[1], -0.129_059_283_864_553, 2e-6);
    near("quant", fit.coefficients[2], -0.045_541_662_889_677_9, 5e-7);
    near("ln scale", fit.sd.ln(), 1.717_850_922_366_41, 1e-5);
    near("se intercept", se[0], 16.079_453_202_383_6, 1e-4);
    near("se age", se[1], 0.218_583_596_716_444, 2e-5);
    near("se ln scale", se[3], 0.310_322_720_187_59, 3e-5);
    near(
        "log-likelihood",
        fit.ln_likelihood,
        -28.940_133_199_720_6,
        3e-8,
    );
}

/// Biochemical oxygen demand, Bates & Watts 1988, A1.4 (data as in R 4.2.2 datasets::BOD): six points
/// whose 90 % profile interval is closed and whose 99 % one has no ends. Values by R's nls and uniroot.
#[test]
fn profile_interval_that_loses_its_ends() {
    let t = [1.0, 2.0, 3.0, 4.0, 5.0, 7.0];
    let y = [8.3, 10.3, 19.0, 16.0, 15.6, 19.8];
    let residuals = |b: &[f64]| -> Vec<f64> {
        t.iter()
            .zip(&y)
            .map(|(t, y)| y - b[0] * (1.0 - (-b[1] * t).exp()))
            .collect()
    };
    let fit = levenberg_marquardt(&residuals, &[20.0, 0.3], &LmConfig::strict()).unwrap();
    near("A", fit.x[0], 19.142_575_447_865_5, 1e-6);
    near("k", fit.x[1], 0.531_091_360_776_31, 1e-6);
    near("rss", fit.rss, 25.990_267_281_941_4, 1e-8);
    let se = fit.standard_errors().unwrap();
    near("se k", se[1], 0.203_082_094_013_606, 1e-5);
    let variance = fit.rss / 4.0;
    // A enters linearly: its best value for a given k is closed.
    let profiled = |k: f64| {
        let g: Vec<f64> = t.iter().map(|t| 1.0 - (-k * t).exp()).collect();
        let a = g.iter().zip(&y).map(|(g, y)| g * y).sum::<f64>()
            / g.iter().map(|g| g * g).sum::<f64>();
        residuals(&[a, k]).iter().map(|r| r * r).sum::<f64>() / variance
    };
    let interval = |level: f64| {
        let search = ProfileSearch {
            at: fit.x[1],
            step: se[1],
            bounds: (1e-9, 1e6),
            level,
        };
        let cut = student_t_quantile(0.5 + 0.5 * level, 4.0).powi(2);
        profile_interval_cut(profiled, &search, cut)
    };
    for (level, low, high) in [
        (0.8, 0.279_248_473_813_071, 0.967_757_759_099_232),
        (0.9, 0.203_868_842_915_824, 1.263_742_536_622_32),
        (0.95, 0.131_397_746_702_412, 1.808_169_594_734_46),
    ] {
        let found = interval(level);
        near("lower", found.lower.unwrap(), low, 1e-5);
        near("upper", found.upper.unwrap(), high, 1e-5);
    }
    let found = interval(0.99);
    assert!(found.lower.is_none() && found.upper.is_none(), "{found:?}");
}
