//! An interval that carries its own level.

/// A two-sided interval. An open end is infinite here and null in a table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Probability content, 0..1 (0.9 for a 90 % interval).
    pub level: f64,
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

impl Interval {
    /// An interval; the ends are put in order.
    #[must_use]
    pub fn new(level: f64, a: f64, b: f64) -> Self {
        Self {
            level,
            lower: a.min(b),
            upper: a.max(b),
        }
    }

    /// Whether the value lies within, ends included.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }

    /// Upper less lower end.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.upper - self.lower
    }

    /// Both ends through a monotone function (put in order again).
    #[must_use]
    pub fn map(&self, f: impl Fn(f64) -> f64) -> Self {
        Self::new(self.level, f(self.lower), f(self.upper))
    }
}
