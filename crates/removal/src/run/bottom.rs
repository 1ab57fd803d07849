//! A sensor at the bottom of its range.
//!
//! A sensor whose offset is negative shows zero long before the oil is dry, and a bin's mean over readings
//! of which some were cut at zero is too high. Such values taken as exact look like oil that has reached its
//! floor, and the rate comes out several times too high.

use drydown_quantity::Stamp;
use drydown_stats::robust;

use super::points::{Bin, Points};
use crate::config::RunFitConfig;

/// What a sensor value says of the water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Says {
    /// Its level.
    Level,
    /// It is at least this: the sensor was at its top.
    AtTop,
    /// The middle of an hour near the sensor's bottom lay above this value.
    Over,
    /// The middle of an hour near the sensor's bottom lay at or below this value.
    Under,
}

impl Says {
    pub(super) fn is_level(self) -> bool {
        self == Self::Level
    }

    /// Tells only on which side of a value the oil lay.
    pub(super) const fn is_side(self) -> bool {
        matches!(self, Self::Over | Self::Under)
    }
}

const AT_BOTTOM: &str = "sensor at its bottom";
/// Fewer levels than this before the bottom is reached, and the sensor tells nothing.
const N_LEVELS_MIN: usize = 6;
/// Values this near in time share their errors, h.
const WINDOW_H: f64 = 1.0;

/// Levels until a sensor that reaches zero first comes near it; after that, one value an hour that tells only on
/// which side of the margin the oil lay.
///
/// Left-censored likelihood (Tobin 1958) with the limit lifted from zero to `sensor_bottom_ppm`, above which cutting
/// at zero no longer touches a bin's mean. The change at the first value in the margin is ignorable: it depends on
/// values that are all kept. Every hour after it counts, on whichever side its median lies, so nothing is
/// selected by its value.
pub(super) fn mark_bottom(bins: Vec<Bin>, config: &RunFitConfig, points: &mut Points) -> Vec<Bin> {
    if !bins
        .iter()
        .any(|bin| bin.says.is_level() && bin.water_ppm <= 0.0)
    {
        return bins;
    }
    let margin = config.sensor_bottom_ppm;
    let first = bins
        .iter()
        .position(|bin| bin.says.is_level() && bin.water_ppm <= margin)
        .unwrap_or(bins.len());
    let (kept, near) = bins.split_at(first);
    let n_levels = kept.iter().filter(|bin| bin.says.is_level()).count();
    if n_levels < N_LEVELS_MIN {
        for _ in &bins {
            points.leave_out(AT_BOTTOM);
        }
        for why in &mut points.bins_why_not {
            why.get_or_insert(AT_BOTTOM);
        }
        return Vec::new();
    }
    points.sides_from = near.first().map(|bin| bin.at);
    let mut out = kept.to_vec();
    let mut rest = near;
    while let Some(start) = rest.first().map(|bin| bin.at) {
        let n = rest.partition_point(|bin| bin.at.hours_after(start) < WINDOW_H);
        let (hour, later) = rest.split_at(n.max(1));
        out.extend(side_of(hour, margin));
        for _ in 1..hour.len() {
            points.leave_out("sensor near its bottom");
        }
        rest = later;
    }
    out
}

/// The side of the margin on which the median of an hour's bins lies, at the middle of the hour.
fn side_of(hour: &[Bin], margin: f64) -> Option<Bin> {
    let values: Vec<f64> = hour.iter().map(|bin| bin.water_ppm).collect();
    let middle = robust::median(&values)?;
    let (first, last) = (hour.first()?.at, hour.last()?.at);
    Some(Bin {
        at: Stamp::from_micros(i64::midpoint(first.micros(), last.micros())),
        water_ppm: margin,
        says: if middle <= margin {
            Says::Under
        } else {
            Says::Over
        },
    })
}
