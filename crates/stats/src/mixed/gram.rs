//! Observations of one common variance, summed once: what the equations need of them does not change
//! with the variance components, so that solving no longer goes through them one by one.

/// Fewer observations than this are gone through as they are: nothing is won, and the last digits of
/// small published examples stay those of the plain sums.
const FEWEST: usize = 2000;

/// Products of the joint design, summed over the observations.
#[derive(Clone, Debug)]
pub(super) struct Gram {
    /// The variance known of each observation.
    pub(super) known_var: f64,
    n: usize,
    /// Sums of products, at the storage positions of the equations.
    products: Vec<f64>,
    /// Column (original order) of each stored entry's row, and of its column.
    places: Vec<(usize, usize)>,
    /// Sums of each column times the target.
    with_target: Vec<f64>,
    pub(super) target_squares: f64,
    /// Column of a constant and what of it was taken from the target beforehand: large common values
    /// would drown the last digits of what is left.
    pub(super) shift: Option<(usize, f64)>,
}

/// What the sums are made from.
pub(super) struct Laid<'a> {
    pub(super) known_var: &'a [f64],
    pub(super) rows: &'a [Vec<(usize, f64)>],
    pub(super) positions: &'a [Vec<usize>],
    pub(super) target: &'a [f64],
    /// Columns of each stored entry.
    pub(super) places: Vec<(usize, usize)>,
    pub(super) n_columns: usize,
    /// A column that is 1 throughout and whose effect is free.
    pub(super) constant: Option<usize>,
}

impl Gram {
    /// None for few observations, or where their variances differ.
    pub(super) fn of(laid: Laid<'_>) -> Option<Self> {
        let known_var = *laid.known_var.first()?;
        let n = laid.rows.len();
        if n < FEWEST
            || laid
                .known_var
                .iter()
                .any(|v| v.to_bits() != known_var.to_bits())
        {
            return None;
        }
        let mean = laid.target.iter().sum::<f64>() / n as f64;
        let shift = laid.constant.map(|column| (column, mean));
        let taken = shift.map_or(0.0, |(_, mean)| mean);
        let mut products = vec![0.0; laid.places.len()];
        let mut with_target = vec![0.0; laid.n_columns];
        for ((row, positions), y) in laid.rows.iter().zip(laid.positions).zip(laid.target) {
            let y = y - taken;
            let mut positions = positions.iter();
            for (at, (a, va)) in row.iter().enumerate() {
                with_target[*a] += va * y;
                for ((_, vb), position) in row[..=at].iter().zip(&mut positions) {
                    products[*position] += va * vb;
                }
            }
        }
        Some(Self {
            known_var,
            n,
            products,
            places: laid.places,
            with_target,
            target_squares: laid.target.iter().map(|y| (y - taken).powi(2)).sum(),
            shift,
        })
    }

    /// Matrix and right side for columns scaled by `scale`, and the sum of log variances.
    pub(super) fn equations(&self, scale: &[f64], variance: f64) -> (Vec<f64>, Vec<f64>, f64) {
        let values = self
            .products
            .iter()
            .zip(&self.places)
            .map(|(product, (a, b))| product * scale[*a] * scale[*b] / variance)
            .collect();
        let right = self
            .with_target
            .iter()
            .zip(scale)
            .map(|(sum, scale)| sum * scale / variance)
            .collect();
        (values, right, self.n as f64 * variance.ln())
    }

    /// Penalised sum of squares at the solution of the equations: with (A + P) x = r it is
    /// y'y / variance − r'x.
    pub(super) fn quadratic(&self, right: &[f64], solution: &[f64], variance: f64) -> f64 {
        let explained: f64 = right.iter().zip(solution).map(|(r, x)| r * x).sum();
        self.target_squares / variance - explained
    }
}
