//! Starts at which oil flowed: no test of the pump against others, but one against itself.

use crate::{PumpStart, PumpsConfig};

/// What the oil's gas leaves of scatter in ln speed from start to start (common practice).
const SCATTER_SD: f64 = 0.05;

/// A start that was refused because oil flowed, its error widened, and its relative speed, 1/s; None of any other,
/// and where its fall shows too little.
pub(crate) fn flowing_speed(start: &PumpStart, config: &PumpsConfig) -> Option<(PumpStart, f64)> {
    if start.reason.as_deref() != Some("oil_flowing") {
        return None;
    }
    let speed = start.relative_speed_per_s.filter(|speed| *speed > 0.0)?;
    let se = start.ln_speed_se?.hypot(SCATTER_SD);
    let widened = PumpStart {
        ln_speed_se: Some(se),
        ..start.clone()
    };
    (se <= config.max_ln_speed_se).then_some((widened, speed))
}
