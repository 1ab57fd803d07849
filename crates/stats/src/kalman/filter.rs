//! The filter and smoother, with the diffuse unknowns carried beside them.

use super::{Break, Series, Slope, State, TrendSpec, TrendVariances};
use crate::error::StatsError;
use crate::mixed::FixedPrior;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

pub(super) fn transition(dt: f64) -> Matrix2<f64> {
    Matrix2::new(1.0, dt, 0.0, 1.0)
}

pub(super) fn walk(dt: f64, v: &TrendVariances) -> Matrix2<f64> {
    let cross = v.slope * dt * dt / 2.0;
    Matrix2::new(
        v.level * dt + v.slope * dt.powi(3) / 3.0,
        cross,
        cross,
        v.slope * dt,
    )
}

/// The unknowns beside the filter: how each moves the state and the observations, and its prior.
pub(super) struct Unknowns {
    /// State at the first time.
    pub(super) first: Vec<Vector2<f64>>,
    /// Added to the state at an index.
    pub(super) impulses: Vec<Option<(usize, Vector2<f64>)>>,
    /// Direct part of each observation.
    pub(super) direct: Vec<Option<usize>>,
    pub(super) priors: Vec<FixedPrior>,
    pub(super) n_start: usize,
}

impl Unknowns {
    pub(super) fn new(spec: &TrendSpec, series: &Series) -> Self {
        let level = Vector2::new(1.0, 0.0);
        let slope = Vector2::new(0.0, 1.0);
        let mut out = Self {
            first: vec![level],
            impulses: vec![None],
            direct: vec![None],
            priors: vec![FixedPrior::Flat],
            n_start: 1,
        };
        let mut push = |first, impulse, direct, prior| {
            out.first.push(first);
            out.impulses.push(impulse);
            out.direct.push(direct);
            out.priors.push(prior);
        };
        let mut n_start = 1;
        if let Slope::Walk { start, .. } = spec.slope {
            push(slope, None, None, start);
            n_start = 2;
        }
        for (k, (_, prior)) in series.covariates.iter().enumerate() {
            push(Vector2::zeros(), None, Some(k), *prior);
        }
        for i in &series.interventions {
            let kind = match i.kind {
                Break::Level => level,
                Break::Slope => slope,
            };
            push(Vector2::zeros(), Some((i.index, kind)), None, i.size);
        }
        out.n_start = n_start;
        out
    }

    pub(super) fn len(&self) -> usize {
        self.first.len()
    }
}

/// What one time leaves behind for the smoother.
pub(super) struct Step {
    pub(super) predicted: Vector2<f64>,
    pub(super) predicted_columns: Vec<Vector2<f64>>,
    pub(super) covariance: Matrix2<f64>,
    /// Innovation, innovation of each column, variance and gain; None where missing.
    pub(super) seen: Option<(f64, Vec<f64>, f64, Vector2<f64>)>,
    pub(super) dt: f64,
}

/// Information on the unknowns gathered so far: S and s of de Jong.
#[derive(Clone)]
pub(super) struct Information {
    pub(super) matrix: DMatrix<f64>,
    pub(super) vector: DVector<f64>,
}

impl Information {
    pub(super) fn new(priors: &[FixedPrior]) -> Self {
        let k = priors.len();
        let mut out = Self {
            matrix: DMatrix::zeros(k, k),
            vector: DVector::zeros(k),
        };
        for (j, prior) in priors.iter().enumerate() {
            if let FixedPrior::Normal { mean, sd } = prior {
                out.matrix[(j, j)] += sd.powi(-2);
                out.vector[j] -= mean * sd.powi(-2);
            }
        }
        out
    }

    fn add(&mut self, v: f64, columns: &[f64], f: f64) {
        for (j, a) in columns.iter().enumerate() {
            self.vector[j] += a * v / f;
            for (k, b) in columns.iter().enumerate() {
                self.matrix[(j, k)] += a * b / f;
            }
        }
    }

    /// Estimate and covariance over the unknowns that matter so far; None where undetermined.
    /// Unknowns that have not acted yet get zeros.
    pub(super) fn solve(&self, acting: &[bool]) -> Option<(DVector<f64>, DMatrix<f64>, f64)> {
        let k = self.vector.len();
        let used: Vec<usize> = (0..k)
            .filter(|j| acting.get(*j).copied().unwrap_or(false))
            .collect();
        let scale: Vec<f64> = used.iter().map(|j| self.matrix[(*j, *j)].sqrt()).collect();
        if scale.iter().any(|s| !(*s > 0.0)) {
            return None;
        }
        let m = used.len();
        // Scaled to unit diagonal, so that a near-singular pattern shows as a tiny pivot.
        let scaled = DMatrix::from_fn(m, m, |a, b| {
            self.matrix[(used[a], used[b])] / (scale[a] * scale[b])
        });
        let chol = scaled.cholesky()?;
        let pivots = chol.l_dirty().diagonal();
        if pivots.iter().any(|p| *p < 1e-6) {
            return None;
        }
        let inverse = chol.inverse();
        let mut estimate = DVector::zeros(k);
        let mut covariance = DMatrix::zeros(k, k);
        for (a, j) in used.iter().enumerate() {
            for (b, l) in used.iter().enumerate() {
                covariance[(*j, *l)] = inverse[(a, b)] / (scale[a] * scale[b]);
                estimate[*j] -= covariance[(*j, *l)] * self.vector[*l];
            }
        }
        let ln_determinant = 2.0 * pivots.iter().map(|p| p.ln()).sum::<f64>()
            + 2.0 * scale.iter().map(|s| s.ln()).sum::<f64>();
        Some((estimate, covariance, ln_determinant))
    }
}

fn combine(
    own: Vector2<f64>,
    columns: &[Vector2<f64>],
    (estimate, covariance): (&DVector<f64>, &DMatrix<f64>),
    p: Matrix2<f64>,
) -> State {
    let k = columns.len();
    let w = DMatrix::from_fn(2, k, |i, j| columns[j][i]);
    let mean = &w * estimate;
    let extra = &w * covariance * w.transpose();
    State {
        level: own[0] + mean[0],
        slope: own[1] + mean[1],
        level_var: (p[(0, 0)] + extra[(0, 0)]).max(0.0),
        slope_var: (p[(1, 1)] + extra[(1, 1)]).max(0.0),
        covariance: p[(0, 1)] + extra[(0, 1)],
    }
}

/// Which unknowns have moved the state or an observation by now, or have a prior.
pub(super) fn acting(columns: &[Vector2<f64>], info: &Information) -> Vec<bool> {
    columns
        .iter()
        .enumerate()
        .map(|(j, c)| info.matrix[(j, j)] > 0.0 || c.amax() > 0.0)
        .collect()
}

pub(super) struct Filter {
    pub(super) steps: Vec<Step>,
    pub(super) info: Information,
    pub(super) filtered: Vec<Option<State>>,
    pub(super) innovations: Vec<Option<f64>>,
    /// Sum of ln F and of v^2/F, and count.
    pub(super) ln_f: f64,
    pub(super) squares: f64,
    pub(super) n_seen: usize,
}

pub(super) fn run_filter(
    series: &Series,
    unknowns: &Unknowns,
    variances: &TrendVariances,
) -> Result<Filter, StatsError> {
    let mut a = Vector2::zeros();
    let mut columns = unknowns.first.clone();
    let mut p = Matrix2::zeros();
    let mut out = Filter {
        steps: Vec::with_capacity(series.times.len()),
        info: Information::new(&unknowns.priors),
        filtered: Vec::new(),
        innovations: Vec::new(),
        ln_f: 0.0,
        squares: 0.0,
        n_seen: 0,
    };
    for (i, time) in series.times.iter().enumerate() {
        let dt = if i == 0 {
            0.0
        } else {
            time - series.times[i - 1]
        };
        let t = transition(dt);
        a = t * a;
        p = t * p * t.transpose() + walk(dt, variances);
        for (column, impulse) in columns.iter_mut().zip(&unknowns.impulses) {
            *column = t * *column;
            if let Some((_, by)) = impulse.filter(|(at, _)| *at == i) {
                *column += by;
            }
        }
        let mut step = Step {
            predicted: a,
            predicted_columns: columns.clone(),
            covariance: p,
            seen: None,
            dt,
        };
        let mut innovation = None;
        if let Some(y) = series.values[i] {
            let f = p[(0, 0)] + variances.noise + series.known_var[i];
            if !(f > 0.0) || !f.is_finite() {
                return Err(StatsError::OutOfRange {
                    what: "variance of an observation",
                    value: f,
                });
            }
            let v = y - a[0];
            let vs: Vec<f64> = columns
                .iter()
                .zip(&unknowns.direct)
                .map(|(c, d)| -(c[0] + d.map_or(0.0, |k| series.covariates[k].0[i])))
                .collect();
            innovation = standard_innovation(&out.info, (v, &vs, f));
            let gain = p.column(0).into_owned() / f;
            a += gain * v;
            for (column, by) in columns.iter_mut().zip(&vs) {
                *column += gain * *by;
            }
            p -= gain * gain.transpose() * f;
            out.info.add(v, &vs, f);
            out.ln_f += f.ln();
            out.squares += v * v / f;
            out.n_seen += 1;
            step.seen = Some((v, vs, f, gain));
        }
        out.innovations.push(innovation);
        let state = out
            .info
            .solve(&acting(&columns, &out.info))
            .map(|(e, c, _)| combine(a, &columns, (&e, &c), p));
        out.filtered.push(state);
        out.steps.push(step);
    }
    Ok(out)
}

/// Forecast error over its standard deviation, where the data before determine the forecast.
fn standard_innovation(info: &Information, (v, vs, f): (f64, &[f64], f64)) -> Option<f64> {
    let needed: Vec<bool> = vs
        .iter()
        .enumerate()
        .map(|(j, c)| info.matrix[(j, j)] > 0.0 || c.abs() > 0.0)
        .collect();
    let (estimate, covariance, _) = info.solve(&needed)?;
    let columns = DVector::from_row_slice(vs);
    let error = v + columns.dot(&estimate);
    let variance = f + columns.dot(&(&covariance * &columns));
    Some(error / variance.sqrt())
}

pub(super) fn ln_likelihood(
    filter: &Filter,
    priors: &[FixedPrior],
    (estimate, _, ln_determinant): &(DVector<f64>, DMatrix<f64>, f64),
) -> f64 {
    let mut n = filter.n_seen as f64;
    let mut sum = filter.ln_f + filter.squares + ln_determinant;
    for (j, prior) in priors.iter().enumerate() {
        match prior {
            // A break after the last observation is no unknown of the likelihood.
            FixedPrior::Flat if filter.info.matrix[(j, j)] > 0.0 => n -= 1.0,
            FixedPrior::Flat => {}
            FixedPrior::Normal { mean, sd } => sum += 2.0 * sd.ln() + (mean / sd).powi(2),
        }
    }
    sum += filter.info.vector.dot(estimate);
    -0.5 * (n * (2.0 * std::f64::consts::PI).ln() + sum)
}

/// Fixed-interval smoother for the values and every column at once.
pub(super) fn backward(
    steps: &[Step],
    (estimate, covariance): (&DVector<f64>, &DMatrix<f64>),
) -> Vec<Option<State>> {
    let k = estimate.len();
    let mut r = Vector2::zeros();
    let mut rs = vec![Vector2::zeros(); k];
    let mut n = Matrix2::zeros();
    let mut out = vec![None; steps.len()];
    for (i, step) in steps.iter().enumerate().rev() {
        if let Some((v, vs, f, gain)) = &step.seen {
            let z = Vector2::new(1.0, 0.0);
            let left = Matrix2::identity() - gain * z.transpose();
            r = z * (v / f) + left.transpose() * r;
            for (r, v) in rs.iter_mut().zip(vs) {
                *r = z * (v / f) + left.transpose() * *r;
            }
            n = z * z.transpose() / *f + left.transpose() * n * left;
        }
        let p = step.covariance;
        let columns: Vec<Vector2<f64>> = step
            .predicted_columns
            .iter()
            .zip(&rs)
            .map(|(c, r)| c + p * r)
            .collect();
        let own = step.predicted + p * r;
        out[i] = Some(combine(
            own,
            &columns,
            (estimate, covariance),
            p - p * n * p,
        ));
        let t = transition(step.dt).transpose();
        r = t * r;
        rs.iter_mut().for_each(|r| *r = t * *r);
        n = t * n * t.transpose();
    }
    out
}
