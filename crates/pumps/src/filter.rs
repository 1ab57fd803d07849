//! A level that wanders and drifts, seen through noise that is correlated in time.
//!
//! State: level ℓ (random walk, `diffusion` per root day), drift d (constant, with a prior), and a
//! short-term deviation a (continuous-time AR(1), so that uneven spacing needs no special case).
//! Observation: y = ℓ + a + e. Exact Kalman recursion (textbook); time in days.

/// The spread of one witness of pump condition, from the fleet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Standard deviation between starts that follow each other at once.
    pub noise_sd: f64,
    /// Standard deviation of the part that days share.
    pub shared_sd: f64,
    /// Correlation of that part over one day, 0..1.
    pub phi_per_day: f64,
    /// Standard deviation of the level's own wander after one day.
    pub diffusion_sd: f64,
    /// Mean and standard deviation of a sound pump's drift per day.
    pub drift_mean: f64,
    pub drift_sd: f64,
}

/// What the filter expected of an observation before it came.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Expected {
    pub(crate) mean: f64,
    pub(crate) sd: f64,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Filter {
    spread: Spread,
    days: f64,
    x: [f64; 3],
    p: [[f64; 3]; 3],
}

impl Filter {
    /// A filter that starts at a level known to `level_sd`, at a time in days.
    pub(crate) fn new(spread: Spread, days: f64, level: f64, level_sd: f64) -> Self {
        let mut p = [[0.0; 3]; 3];
        p[0][0] = level_sd * level_sd;
        p[1][1] = spread.drift_sd * spread.drift_sd;
        p[2][2] = spread.shared_sd * spread.shared_sd;
        Self {
            spread,
            days,
            x: [level, spread.drift_mean, 0.0],
            p,
        }
    }

    /// Day that it stands at.
    pub(crate) fn day(&self) -> f64 {
        self.days
    }

    /// Level now and its standard deviation.
    pub(crate) fn level(&self) -> (f64, f64) {
        (self.x[0], self.p[0][0].max(0.0).sqrt())
    }

    /// Drift per day and its standard deviation.
    pub(crate) fn drift(&self) -> (f64, f64) {
        (self.x[1], self.p[1][1].max(0.0).sqrt())
    }

    /// Covariance of the errors of level and drift: a path learnt from its own few points has both
    /// too high or both too low.
    pub(crate) fn level_drift_covariance(&self) -> f64 {
        self.p[0][1]
    }

    /// The level may have moved by so much (standard deviation) at once: what was known of it
    /// counts for less, what is known of the drift stays.
    pub(crate) fn loosen(&mut self, level_sd: f64) {
        self.p[0][0] += level_sd * level_sd;
    }

    /// The drift from now on is another one, of which only this mean and standard deviation are known.
    pub(crate) fn redrift(&mut self, (mean, sd): (f64, f64)) {
        self.x[1] = mean;
        let p = &mut self.p;
        (p[0][1], p[1][0], p[1][2], p[2][1]) = (0.0, 0.0, 0.0, 0.0);
        p[1][1] = sd * sd;
    }

    /// From now on the level wanders by so much more after one day (standard deviation).
    pub(crate) fn wander(&mut self, more_sd: f64) {
        self.spread.diffusion_sd = self.spread.diffusion_sd.hypot(more_sd);
    }

    /// Moves to a later time. Times that do not advance change nothing.
    pub(crate) fn advance(&mut self, days: f64) {
        self.advance_by(days, days - self.days);
    }

    /// Moves to a later time while the drift has worked for so many of its own days (wear that gains
    /// pace does more in a later day than in an early one).
    pub(crate) fn advance_by(&mut self, days: f64, drift_days: f64) {
        let step = days - self.days;
        if step.is_nan() || step <= 0.0 {
            return;
        }
        self.days = days;
        let phi = self.spread.phi_per_day.clamp(0.0, 0.9999).powf(step);
        let [level, drift, shared] = self.x;
        self.x = [level + drift * drift_days, drift, phi * shared];
        let p = self.p;
        // F P Fᵀ with F = [[1, drift days, 0], [0, 1, 0], [0, 0, phi]], and the noise of the step.
        let q = self.spread;
        let ll = p[0][0] + 2.0 * drift_days * p[0][1] + drift_days * drift_days * p[1][1];
        let ld = p[0][1] + drift_days * p[1][1];
        let la = phi * (p[0][2] + drift_days * p[1][2]);
        let da = phi * p[1][2];
        let aa = phi * phi * p[2][2] + q.shared_sd.powi(2) * (1.0 - phi * phi);
        self.p = [
            [ll + q.diffusion_sd.powi(2) * step, ld, la],
            [ld, p[1][1], da],
            [la, da, aa],
        ];
    }

    /// What an observation with an own standard error should be now.
    pub(crate) fn expect(&self, se: f64) -> Expected {
        let p = &self.p;
        let noise = self.spread.noise_sd.powi(2) + se * se;
        let variance = p[0][0] + 2.0 * p[0][2] + p[2][2] + noise;
        Expected {
            mean: self.x[0] + self.x[2],
            sd: variance.max(1e-18).sqrt(),
        }
    }

    /// Takes an observation in.
    pub(crate) fn learn(&mut self, y: f64, se: f64) {
        let expected = self.expect(se);
        let variance = expected.sd * expected.sd;
        let p = self.p;
        let with_y = [p[0][0] + p[0][2], p[1][0] + p[1][2], p[2][0] + p[2][2]];
        let surprise = y - expected.mean;
        for (x, c) in self.x.iter_mut().zip(with_y) {
            *x += c / variance * surprise;
        }
        for (row, a) in self.p.iter_mut().zip(with_y) {
            for (cell, b) in row.iter_mut().zip(with_y) {
                *cell -= a * b / variance;
            }
        }
    }
}
