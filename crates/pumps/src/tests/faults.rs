//! What goes wrong with the pumps of the invented fleet, and how it takes its course.

use super::gaining::opened;

/// What goes wrong with one pump.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Fault {
    None,
    /// From a day on, ln speed falls by so much a day.
    Wear(f64, f64),
    /// From a day on, a gas load in kPa·m³/h.
    Leak(f64, f64),
    /// From a day on, ln speed is lower by so much.
    Restriction(f64, f64),
    /// From a day on, a gas load in kPa·m³/h that grows by so much a day.
    GrowingLeak(f64, f64, f64),
    /// From a day on clearances open ever faster and are wide open so many days later.
    Clearance(f64, f64),
    /// From a day on ln speed falls by a power of 1.5 of the days: on the hundredth day by so much a day
    /// since the onset.
    Gaining(f64, f64),
    /// From a day on ln speed falls for a month by twice so much a day, then stands for one.
    Halting(f64, f64),
    /// From a day on, for some days, so much of the saturation pressure at the pump's temperature.
    WetOil(f64, f64, f64),
}

impl Fault {
    /// Whether clearances open with the speed lost.
    pub(super) const fn is_wear(self) -> bool {
        matches!(self, Self::Wear(..) | Self::Gaining(..) | Self::Halting(..))
    }

    /// The day on which it begins.
    pub(super) fn onset(self) -> Option<f64> {
        match self {
            Self::None => None,
            Self::Wear(from, _)
            | Self::Leak(from, _)
            | Self::Restriction(from, _)
            | Self::GrowingLeak(from, ..)
            | Self::Clearance(from, _)
            | Self::Gaining(from, _)
            | Self::Halting(from, _)
            | Self::WetOil(from, ..) => Some(from),
        }
    }
}

/// Loss of ln speed and leak on a day of a fault.
pub(super) fn state_on(fault: Fault, day: f64) -> (f64, f64) {
    match fault {
        Fault::Wear(from, per_day) => (per_day * (day - from).max(0.0), 0.0),
        Fault::Gaining(from, per_day) => (
            100.0 * per_day * ((day - from).max(0.0) / 100.0).powf(1.5),
            0.0,
        ),
        Fault::Halting(from, per_day) => {
            let days = (day - from).max(0.0);
            let moved = 30.0 * (days / 60.0).floor() + (days % 60.0).min(30.0);
            (2.0 * per_day * moved, 0.0)
        }
        Fault::Leak(from, load) if day >= from => (0.0, load),
        Fault::Restriction(from, loss) if day >= from => (loss, 0.0),
        Fault::Clearance(..) => (-(1.0 - 0.8 * opened(fault, day)).ln(), 0.0),
        Fault::GrowingLeak(from, load, per_day) if day >= from => {
            (0.0, load + per_day * (day - from))
        }
        _ => (0.0, 0.0),
    }
}
