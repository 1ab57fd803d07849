"""drydown's pump-down fit against scipy's least squares on the same curves; called by `cargo xtask bench pumps`.

The peer does the same work on one thread: it finds the falling part, fits base, height and ln of the
relative speed, leaves out what lies beyond eight time constants or five standard deviations, and fits
again, twice at most. Its time is CPU seconds of the fits alone; drydown's is the wall time of two threads.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

# drydown looks for the speed to 1e-7 of its logarithm, scipy stops at 1e-10 of its parameters.
LN_SPEED_TOLERANCE = 1e-5
BASE_TOLERANCE_KPA = 1e-3
STEP_S = 5.0
NOISE_FLOOR_KPA = 0.05


def falling_part(t, p):
    import numpy as np

    lowest = int(np.argmin(p))
    high = p[: lowest + 1].max()
    drop = high - p[lowest]
    top = int(np.flatnonzero((p >= high - 0.03 * drop) & (np.arange(len(p)) <= lowest))[-1])
    return t[top], t[top + 1 :], p[top + 1 :]


def fit_once(t, p):
    import numpy as np
    from scipy.optimize import least_squares

    t0 = t[0]
    base = p[-len(p) // 4 :].mean()
    fall = p[0] - base
    below = np.flatnonzero(p - base < 0.37 * fall)
    tau = max(t[below[0]] - t0, 1.0) if len(below) else t[-1] - t0
    e = lambda at: np.exp(-np.exp(at[2]) * (t - t0))
    residual = lambda at: at[0] + at[1] * e(at) - p
    slopes = lambda at: np.column_stack([np.ones_like(t), e(at), -at[1] * (t - t0) * np.exp(at[2]) * e(at)])
    fit = least_squares(residual, [base, fall, -np.log(tau)], jac=slopes, xtol=1e-10, ftol=1e-12, gtol=1e-12)
    sigma = max(np.sqrt(2 * fit.cost / max(len(t) - 3, 1)), NOISE_FLOOR_KPA)
    return fit.x, sigma, residual(fit.x)


def fit_start(t, p):
    import numpy as np

    start, t, p = falling_part(t, p)
    used = np.ones(len(t), bool)
    at, sigma, _ = fit_once(t, p)
    for _ in range(2):
        t0 = t[used][0]
        curve = at[0] + at[1] * np.exp(-np.exp(at[2]) * (t - t0))
        kept = (t <= start + 8 / np.exp(at[2])) & (np.abs(curve - p) <= 5 * sigma)
        if kept.sum() < 4 or kept.sum() == used.sum():
            break
        used = kept
        at, sigma, _ = fit_once(t[used], p[used])
    return at[2], at[0]


def main():
    import numpy as np

    binary, folder, n_starts = sys.argv[1:]
    done = subprocess.run([binary, folder, n_starts], check=True, capture_output=True, text=True)
    mine = json.loads(done.stdout)
    curves = np.loadtxt(Path(folder) / "curves.csv", delimiter=",")
    ours = np.loadtxt(Path(folder) / "fits.csv", delimiter=",", skiprows=1)
    # The peer is slow: a part of the curves is enough to time and to compare.
    curves = curves[:: max(1, len(curves) // 2000)]
    ours = ours[:: max(1, len(ours) // 2000)]
    t = STEP_S * np.arange(curves.shape[1])
    begun = time.process_time()
    theirs = np.array([fit_start(t, p) for p in curves])
    seconds = time.process_time() - begun
    rate, peer_rate = mine["n"] / mine["seconds"], len(curves) / seconds
    print(f"pump-down fits of {curves.shape[1]} readings, {mine['n']} starts ({len(curves)} of them by scipy):")
    print(f"  scipy    {peer_rate:9.0f} a second on one thread")
    print(f"  drydown  {rate:9.0f} a second on {mine['threads']} threads")
    print(f"  ratio (drydown / scipy): {rate / peer_rate:.0f}, a thread {rate / mine['threads'] / peer_rate:.0f}")
    print(f"  drydown on minute logs {mine['n_slow'] / mine['slow_seconds']:9.0f} a second (no peer)")
    fitted = np.isfinite(ours[:, 0])
    print(f"  refused by drydown: {(~fitted).sum()}")
    speed = np.abs(ours[fitted, 0] - theirs[fitted, 0])
    base = np.abs(ours[fitted, 2] - theirs[fitted, 1])
    print(f"  most apart: ln speed {speed.max():.1e} (tolerance {LN_SPEED_TOLERANCE:.0e}), base {base.max():.1e} kPa (tolerance {BASE_TOLERANCE_KPA:.0e})")
    if speed.max() > LN_SPEED_TOLERANCE or base.max() > BASE_TOLERANCE_KPA:
        sys.exit("the two ended in different minima")
    if (~fitted).mean() > 0.01:
        sys.exit("too many starts refused")


if __name__ == "__main__":
    main()
