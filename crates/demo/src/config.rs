//! What an invented fleet is made from.

/// Settings of the invented fleet. The same settings give the same bytes.
#[derive(Clone, Debug, PartialEq)]
pub struct DemoConfig {
    /// Number of units, at least 1 (24 by default in the command line).
    pub units: usize,
    /// Months of history before 2026-10-01T00:00Z, at least 1 (18 by default).
    pub months: usize,
    /// Seed of every random stream.
    pub seed: u64,
    /// Share of units whose vacuum pump fails (wear, leak or restriction) in 18 months, 0..1.
    pub failing_share: f64,
    /// Share of repairs that nobody writes down, 0..1.
    pub unrecorded_share: f64,
    /// How dirty the exports are: 1 as a firm's own, 0 without any impossible cell, repeated
    /// header, truncated line, clock jump or overlap.
    pub dirt: f64,
}

impl DemoConfig {
    /// The fleet of `drydown demo`, for a number of units, months and a seed.
    #[must_use]
    pub const fn standard(units: usize, months: usize, seed: u64) -> Self {
        Self {
            units,
            months,
            seed,
            failing_share: 0.25,
            unrecorded_share: 0.15,
            dirt: 1.0,
        }
    }

    /// Number of units that is really built.
    pub(crate) fn n_units(&self) -> usize {
        self.units.clamp(1, 5000)
    }

    /// Number of months that is really built.
    pub(crate) fn n_months(&self) -> usize {
        self.months.clamp(1, 240)
    }
}
