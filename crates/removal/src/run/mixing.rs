//! A reservoir of which only part passes the unit: the loop, and a rest that exchanges oil with it.
//!
//! Balance of two well-mixed compartments (textbook: mammillary two-compartment model). With `f` the share of the
//! oil in the loop, `k` the rate for the whole reservoir and `q` the exchange (both per hour, of the whole volume):
//! `dA/dt = −(k/f)(A − a) − (q/f)(A − B)`, `dB/dt = (q/(1 − f))(A − B)`. The loop falls `1/f` times too fast at
//! first and then waits for what the rest gives back; one exponential fitted to it overstates the dried flow.
//! Linear with constant coefficients within a step, so each step is exact.

use super::curve::{Law, Step, work_then_stand};

/// How a reservoir mixes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mixing {
    /// Share of the oil that passes the unit, inside 0..1.
    pub(crate) loop_share: f64,
    /// Oil exchanged between the two parts, share of the whole volume per hour.
    pub(crate) exchange_per_h: f64,
}

/// Water in the loop and in the rest, ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Parts {
    pub(crate) in_loop_ppm: f64,
    pub(crate) rest_ppm: f64,
}

/// Both parts after a step's hours of work and its hours of standstill.
pub(crate) fn advance(law: &Law, mixing: &Mixing, step: &Step, start: Parts) -> Parts {
    work_then_stand(law, step, start, |rate_per_h, floor_ppm, hours, parts| {
        relax(rate_per_h, floor_ppm, mixing, hours, parts)
    })
}

/// The two-by-two system after some hours, by its matrix exponential (both eigenvalues are real and at most zero).
fn relax(rate_per_h: f64, floor_ppm: f64, mixing: &Mixing, hours: f64, start: Parts) -> Parts {
    if hours <= 0.0 {
        return start;
    }
    let share = mixing.loop_share.clamp(1e-3, 1.0 - 1e-3);
    let from_rest = mixing.exchange_per_h / share;
    let to_rest = mixing.exchange_per_h / (1.0 - share);
    let leave = rate_per_h.max(0.0) / share + from_rest;
    let (above, rest) = (start.in_loop_ppm - floor_ppm, start.rest_ppm - floor_ppm);
    let half_trace = -0.5 * (leave + to_rest);
    // No hypot: the rates are of ordinary size, and this is the innermost loop of an analysis.
    let half_gap = 0.5 * ((leave - to_rest).powi(2) + 4.0 * from_rest * to_rest).sqrt();
    let (slow, fast) = (half_trace + half_gap, half_trace - half_gap);
    let (keep_slow, keep_fast) = ((slow * hours).exp(), (fast * hours).exp());
    let even = 0.5 * (keep_slow + keep_fast);
    let odd = if half_gap * hours > 1e-9 {
        0.5 * (keep_slow - keep_fast) / half_gap
    } else {
        hours * keep_slow
    };
    Parts {
        in_loop_ppm: floor_ppm
            + even * above
            + odd * ((-leave - half_trace) * above + from_rest * rest),
        rest_ppm: floor_ppm
            + even * rest
            + odd * (to_rest * above + (-to_rest - half_trace) * rest),
    }
}

#[cfg(test)]
mod tests {
    use super::super::curve::Slopes;
    use super::*;

    fn law(rate_per_h: f64) -> Law {
        Law {
            rate_per_h,
            asymptote_ppm: 20.0,
            capacity_ppm_per_h: f64::INFINITY,
            free_ratio: 1.0,
            mixing: None,
            settled: None,
            slopes: Slopes::default(),
            drift: 0.0,
        }
    }

    fn step(hours: f64, idle_hours: f64) -> Step {
        Step {
            hours,
            idle_hours,
            factor: 0.9,
            flow_ratio: 1.0,
            solubility_ppm: f64::INFINITY,
            tank_solubility_ppm: f64::INFINITY,
            ln_pressure: 0.0,
            inverse_kelvin: 0.0,
            to_go: 0.0,
        }
    }

    #[test]
    fn one_long_step_agrees_with_small_euler_steps() {
        let mixing = Mixing {
            loop_share: 0.6,
            exchange_per_h: 0.07,
        };
        let start = Parts {
            in_loop_ppm: 300.0,
            rest_ppm: 330.0,
        };
        let exact = advance(&law(0.4), &mixing, &step(9.0, 4.0), start);
        let (mut a, mut b) = (300.0_f64, 330.0_f64);
        let h = 1e-5;
        for idx in 0..1_300_000 {
            let rate = if idx < 900_000 { 0.36 } else { 0.0 };
            let flow = 0.07 * (a - b);
            a -= h * (rate * (a - 20.0) + flow) / 0.6;
            b += h * flow / 0.4;
        }
        assert!((exact.in_loop_ppm - a).abs() < 0.01, "{exact:?} {a}");
        assert!((exact.rest_ppm - b).abs() < 0.01, "{exact:?} {b}");
    }

    #[test]
    fn water_leaves_the_whole_at_k_times_what_the_loop_holds_above_the_floor() {
        let mixing = Mixing {
            loop_share: 0.55,
            exchange_per_h: 0.03,
        };
        let start = Parts {
            in_loop_ppm: 250.0,
            rest_ppm: 250.0,
        };
        let after = advance(&law(0.5), &mixing, &step(1e-4, 0.0), start);
        let mean = |parts: Parts| 0.55 * parts.in_loop_ppm + 0.45 * parts.rest_ppm;
        let fell = (mean(start) - mean(after)) / 1e-4;
        assert!((fell / (0.45 * 230.0) - 1.0).abs() < 1e-3, "{fell}");
    }

    #[test]
    fn a_fast_exchange_is_a_well_mixed_reservoir() {
        let mixing = Mixing {
            loop_share: 0.5,
            exchange_per_h: 500.0,
        };
        let start = Parts {
            in_loop_ppm: 400.0,
            rest_ppm: 400.0,
        };
        let after = advance(&law(0.3), &mixing, &step(5.0, 0.0), start);
        let mixed = 20.0 + 380.0 * (-0.27_f64 * 5.0).exp();
        assert!((after.in_loop_ppm - mixed).abs() < 0.5, "{after:?} {mixed}");
    }
}
