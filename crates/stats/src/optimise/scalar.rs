//! Roots and minima of functions of one variable (Brent 1973).

use super::sane;

/// Root of `f` between `a` and `b` by Brent's method; None where the ends have equal signs or are
/// not finite. `tolerance` is absolute, on the position.
#[must_use]
pub fn brent_root(f: impl Fn(f64) -> f64, a: f64, b: f64, tolerance: f64) -> Option<f64> {
    let (mut a, mut b) = (a, b);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa.is_nan() || fb.is_nan() || !a.is_finite() || !b.is_finite() || fa * fb > 0.0 {
        return None;
    }
    let (mut c, mut fc) = (a, fa);
    let mut step = b - a;
    let mut previous = step;
    for _ in 0..200 {
        if fb * fc > 0.0 {
            (c, fc) = (a, fa);
            step = b - a;
            previous = step;
        }
        if fc.abs() < fb.abs() {
            (a, fa) = (b, fb);
            (b, fb) = (c, fc);
            (c, fc) = (a, fa);
        }
        let tol = 2.0 * f64::EPSILON * b.abs() + 0.5 * tolerance;
        let half = 0.5 * (c - b);
        if half.abs() <= tol || fb.abs() <= 0.0 {
            return Some(b);
        }
        if previous.abs() >= tol && fa.abs() > fb.abs() {
            let next = interpolated_step((a, fa), (b, fb), (c, fc));
            // Take the interpolated step only while it stays inside and shrinks fast enough.
            if next.is_finite()
                && next * half > 0.0
                && next.abs() < (1.5 * half.abs() - 0.5 * tol).min(0.5 * previous.abs())
            {
                previous = step;
                step = next;
            } else {
                step = half;
                previous = half;
            }
        } else {
            step = half;
            previous = half;
        }
        (a, fa) = (b, fb);
        b += if step.abs() > tol {
            step
        } else {
            tol.copysign(half)
        };
        fb = f(b);
        if fb.is_nan() {
            return None;
        }
    }
    Some(b)
}

/// Secant or inverse quadratic step from b.
fn interpolated_step(a: (f64, f64), b: (f64, f64), c: (f64, f64)) -> f64 {
    let s = b.1 / a.1;
    if (a.0 - c.0).abs() <= 0.0 {
        let top = (c.0 - b.0) * s;
        return top / (1.0 - s);
    }
    let (q, r) = (a.1 / c.1, b.1 / c.1);
    let top = s * ((c.0 - b.0) * q * (q - r) - (b.0 - a.0) * (r - 1.0));
    let bottom = (q - 1.0) * (r - 1.0) * (s - 1.0);
    -top / bottom
}

/// Minimum of `f` on [a, b] by Brent's golden-section and parabola method: position and value.
#[must_use]
pub fn brent_minimum(f: impl Fn(f64) -> f64, a: f64, b: f64, tolerance: f64) -> (f64, f64) {
    const GOLDEN: f64 = 0.381_966_011_250_105_1;
    let (mut low, mut high) = if a <= b { (a, b) } else { (b, a) };
    let mut x = low + GOLDEN * (high - low);
    let (mut w, mut v) = (x, x);
    let mut fx = sane(f(x));
    let (mut fw, mut fv) = (fx, fx);
    let (mut step, mut previous) = (0.0_f64, 0.0_f64);
    for _ in 0..300 {
        let middle = 0.5 * (low + high);
        let tol = 1.5e-8 * x.abs() + tolerance / 3.0;
        if (x - middle).abs() <= 2.0 * tol - 0.5 * (high - low) {
            break;
        }
        let parabola = (previous.abs() > tol)
            .then(|| parabola_step((x, fx), (w, fw), (v, fv)))
            .filter(|p| p.abs() < 0.5 * previous.abs() && x + p > low && x + p < high);
        if let Some(p) = parabola {
            previous = step;
            step = p;
            let u = x + step;
            if u - low < 2.0 * tol || high - u < 2.0 * tol {
                step = tol.copysign(middle - x);
            }
        } else {
            previous = if x < middle { high - x } else { low - x };
            step = GOLDEN * previous;
        }
        let u = x + if step.abs() >= tol {
            step
        } else {
            tol.copysign(step)
        };
        let fu = sane(f(u));
        if fu <= fx {
            if u < x {
                high = x
            } else {
                low = x
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                low = u
            } else {
                high = u
            }
            if fu <= fw || (w - x).abs() <= 0.0 {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu <= fv || (v - x).abs() <= 0.0 || (v - w).abs() <= 0.0 {
                (v, fv) = (u, fu);
            }
        }
    }
    (x, fx)
}

/// Step from x to the lowest point of the parabola through three points (infinite where flat).
fn parabola_step(x: (f64, f64), w: (f64, f64), v: (f64, f64)) -> f64 {
    let r = (x.0 - w.0) * (x.1 - v.1);
    let q = (x.0 - v.0) * (x.1 - w.1);
    let top = (x.0 - v.0) * q - (x.0 - w.0) * r;
    let bottom = 2.0 * (q - r);
    let step = -top / bottom;
    if step.is_finite() {
        step
    } else {
        f64::INFINITY
    }
}

/// Walks from `start` in steps that double until `f` is positive; returns the last point below and
/// the first above, or None where `limit` is reached first. `f(start)` is expected to be negative.
#[must_use]
pub fn expand_bracket(
    f: impl Fn(f64) -> f64,
    start: f64,
    step: f64,
    limit: f64,
) -> Option<(f64, f64)> {
    let forward = step.signum();
    if !(step.abs() > 0.0) || !step.is_finite() {
        return None;
    }
    let (mut inside, mut stride) = (start, step);
    for _ in 0..200 {
        let at_limit = (inside + stride - limit) * forward >= 0.0;
        let outside = if at_limit { limit } else { inside + stride };
        let value = f(outside);
        if value > 0.0 {
            return Some((inside, outside));
        }
        if at_limit || value.is_nan() {
            return None;
        }
        inside = outside;
        stride *= 2.0;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots() {
        let r = brent_root(|x| x.cos() - x, 0.0, 1.0, 1e-14).unwrap();
        assert!((r - 0.739_085_133_215_160_6).abs() < 1e-12);
        let r = brent_root(|x| (x - 1.0).powi(3), -3.0, 4.5, 1e-12).unwrap();
        assert!((r - 1.0).abs() < 1e-4);
        assert_eq!(brent_root(|x| x * x + 1.0, -1.0, 1.0, 1e-9), None);
        assert!(brent_root(|x| x.exp() - 1e-8, -50.0, 50.0, 1e-12).unwrap() + 18.42 < 0.001);
    }

    #[test]
    fn minima() {
        let (x, v) = brent_minimum(|x| (x - 2.0).powi(2) + 3.0, -10.0, 10.0, 1e-10);
        assert!((x - 2.0).abs() < 1e-6 && (v - 3.0).abs() < 1e-12);
        let (x, _) = brent_minimum(|x| if x < 1.0 { f64::NAN } else { x }, 0.0, 5.0, 1e-9);
        assert!((x - 1.0).abs() < 1e-3);
    }

    #[test]
    fn brackets_open_and_closed() {
        let (a, b) = expand_bracket(|x| x - 100.0, 0.0, 1.0, 1e6).unwrap();
        assert!(a <= 100.0 && b >= 100.0);
        assert_eq!(expand_bracket(|_| -1.0, 0.0, 1.0, 1e6), None);
        let (a, b) = expand_bracket(|x| -x - 5.0, 0.0, -1.0, -1e6).unwrap();
        assert!(b <= -5.0 && a >= -5.0);
    }
}
