//! The way back from an alert: whether the level before it is there again.
//!
//! Page's test the other way (Page 1954): log odds of the old level over the shift as it stood before the way back
//! began. A change that goes at once, by many standard deviations, was mended, whether or not anybody wrote it
//! down.

use drydown_quantity::Stamp;
use drydown_stats::robust;

/// Log odds at which an alert is taken back: a hundred to one.
pub(crate) const BACK_LN_ODDS: f64 = 4.6;
/// Most that one observation says for it: one may be another's, or of another state; two are not.
const MOST_OF_ONE: f64 = 4.0;
/// Observations before the way back that tell where the shift stood: what a ramp has come to, not its mean.
const BEFORE: usize = 3;
/// Log odds from which the observations of a way back are what the witness shows now, and no mean of them and
/// of those before.
const SHOWS: f64 = 2.0;
/// A shift of so many standard deviations that went at once was mended; a smaller one may have faded.
const MENDED_Z: f64 = 3.0;
/// A shift of so many standard deviations of a single observation shows in each of them.
const CLEAR_Z: f64 = 2.5;
/// The smallest shift, in standard deviations, that going back is tested against: below it no
/// number of starts that a pump sees in a month tells the two apart.
const LEAST_SHIFT_Z: f64 = 1.0;

/// How far an alert is on its way back.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Back {
    /// Log odds that the level before the alert is back, and the observations behind them.
    pub(crate) ln_odds: f64,
    pub(crate) n: usize,
    /// Where the shift stood before, standard deviations.
    shift: f64,
    /// Level of the way back from the one before the alert, and its variance: standard deviations.
    level: (f64, f64),
}

impl Back {
    /// Takes one observation in: standard deviations of an observation from the level before the alert, worse
    /// positive, of it and of those before, the latest first, since the alert's zero; and the variance of what that
    /// level has come to since, which all of them share. Says whether the level is back.
    pub(crate) fn take(
        &mut self,
        away: f64,
        level_variance: f64,
        before: impl Iterator<Item = f64>,
    ) -> bool {
        let n = self.n + 1;
        let stood: Vec<f64> = before.skip(self.n).take(BEFORE).collect();
        let stood = robust::median(&stood).unwrap_or(LEAST_SHIFT_Z);
        let (mean, variance) = if self.n == 0 {
            (0.0, level_variance)
        } else {
            self.level
        };
        let spread = variance + 1.0;
        let level = (mean + variance / spread * (away - mean), variance / spread);
        // A shift that single starts hardly show may be the level's own: it is told by what both are known to.
        let by = if stood >= CLEAR_Z {
            1.0
        } else {
            (1.0 + level_variance).sqrt()
        };
        let shift = (stood / by).max(LEAST_SHIFT_Z);
        let nearer = shift * (0.5 * shift - away / by);
        let one = if stood >= CLEAR_Z {
            let back = -0.5 * (away - mean).powi(2) / spread - 0.5 * spread.ln();
            let stayed = -0.5 * (away - shift).powi(2);
            // Whatever the level has come to, nearer to the shift is no way back.
            (back - stayed).min(nearer)
        } else {
            nearer
        };
        let one = one.min(MOST_OF_ONE);
        let ln_odds = self.ln_odds + one;
        *self = if ln_odds > 0.0 {
            Self {
                ln_odds,
                n,
                shift,
                level,
            }
        } else {
            Self::default()
        };
        self.ln_odds >= BACK_LN_ODDS
    }

    /// How many of the last observations show what the witness is like now, where they tell that it is on its
    /// way back.
    pub(crate) fn shows(&self) -> Option<usize> {
        (self.ln_odds >= SHOWS).then_some(self.n)
    }

    /// The time of its first observation, where what went was too much to have faded.
    pub(crate) fn mended(&self, first: Option<Stamp>) -> Option<Stamp> {
        first.filter(|_| self.shift >= MENDED_Z)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Observations after which a way back ends an alert.
    fn taken(before: &[f64], after: &[f64], variance: f64) -> Option<usize> {
        let mut back = Back::default();
        let mut seen: Vec<f64> = before.to_vec();
        for (n, away) in after.iter().enumerate() {
            if back.take(*away, variance, seen.iter().rev().copied()) {
                return Some(n + 1);
            }
            seen.push(*away);
        }
        None
    }

    #[test]
    fn a_great_change_is_back_at_the_second_observation_and_a_small_one_later() {
        assert_eq!(taken(&[2.0, 5.0, 9.0], &[0.3, -0.5, 0.1], 0.0), Some(2));
        assert_eq!(taken(&[2.0, 2.0, 2.0], &[0.0, 0.0, 0.0], 0.0), Some(3));
        // One that stays is not, and one start like the old level among them does not end it.
        assert_eq!(taken(&[5.0; 3], &[5.0, 0.0, 5.0, 4.0, 6.0], 0.0), None);
    }

    #[test]
    fn a_level_that_nobody_saw_for_long_is_back_as_soon_as_the_shift_is_gone() {
        // Half a year in alert: what the old level would be now is known to three standard deviations.
        let steps = [0.4, 0.1, 0.6, 0.2];
        assert_eq!(taken(&[3.2, 2.6, 3.0], &steps, 9.0), Some(2));
        // A shift that is less than it was, and there, is none.
        assert_eq!(taken(&[3.2, 2.6, 3.0], &[2.2; 30], 9.0), None);
    }
}
