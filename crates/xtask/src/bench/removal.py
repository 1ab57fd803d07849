"""drydown's fits against scipy and lme4 on the same data; called by `cargo xtask bench removal`.

Times are CPU seconds of one thread for the fit alone, without reading the data.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"

LME4 = """
suppressMessages(library(lme4))
d <- read.csv("{csv}")
d$unit <- factor(d$unit); d$oil <- factor(d$oil)
t <- proc.time()
m <- lmer(y ~ 1 + (1|unit) + (1|oil) + (1|unit:oil), data = d)
t <- proc.time() - t
v <- as.data.frame(VarCorr(m))
sd <- function(name) v$sdcor[v$grp == name]
cat(sprintf('{{"seconds": %.6f, "unit": %.10f, "oil": %.10f, "cell": %.10f, "residual": %.10f, "criterion": %.8f}}\\n',
            t[["user.self"]] + t[["sys.self"]], sd("unit"), sd("oil"), sd("unit:oil"), sd("Residual"), REMLcrit(m)))
"""


def ours(binary, *arguments):
    done = subprocess.run([binary, *arguments], check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def runs(binary, folder, n_fits):
    import numpy as np
    from scipy.optimize import least_squares

    mine = ours(binary, "runs", folder, n_fits)
    all_runs = np.loadtxt(Path(folder) / "runs.csv", delimiter=",")
    hours = np.arange(all_runs.shape[1]) / 12.0
    begun = time.process_time()
    rss = rate = 0.0
    for water in all_runs:
        start = [water[-1], water[0] - water[-1], np.log(0.2)]
        fit = least_squares(lambda at: at[0] + at[1] * np.exp(-np.exp(at[2]) * hours) - water, start, xtol=1e-8)
        rss += 2 * fit.cost
        rate += fit.x[2]
    seconds = time.process_time() - begun
    rate /= len(all_runs)
    n = len(all_runs)
    print(f"first-order fits of {all_runs.shape[1]} points, {n} runs:")
    print(f"  scipy    {n / seconds:9.0f} a second   sum of squares {rss:.3f}   mean ln rate {rate:.8f}")
    print(
        f"  drydown  {n / mine['seconds']:9.0f} a second   sum of squares {mine['rss']:.3f}"
        f"   mean ln rate {mine['mean_ln_rate']:.8f}"
    )
    print(f"  ratio (drydown / scipy): {seconds / mine['seconds']:.1f}")
    if abs(rss / mine["rss"] - 1) > 1e-6:
        sys.exit("the two ended in different minima")


def mixed(binary, folder, size, lme4):
    mine = ours(binary, "mixed", folder, *size)
    print(f"mixed model of {size[0]} runs, {size[1]} units, {size[2]} oils, {mine['n_cells']} cells:")
    names = ("unit", "oil", "cell", "residual", "criterion")
    shown = lambda fit: "  ".join(f"{name} {fit[name]:.6f}" for name in names)
    print(f"  drydown  {mine['seconds']:7.3f} s  {shown(mine)}")
    if lme4 != "lme4":
        print("  lme4     not to be had on this machine: no ratio")
        return
    csv = Path(folder) / "mixed.csv"
    done = subprocess.run(["Rscript", "-e", LME4.format(csv=csv)], check=True, capture_output=True, text=True)
    peer = json.loads(done.stdout)
    print(f"  lme4     {peer['seconds']:7.3f} s  {shown(peer)}")
    print(f"  ratio (lme4 / drydown): {peer['seconds'] / mine['seconds']:.1f}")
    worst = max(abs(mine[name] / peer[name] - 1) for name in names[:4])
    print(f"  components agree to {worst:.1e}")
    if worst > 2e-3:
        sys.exit("the two found different components")


def main():
    binary, folder, n_fits, *size, lme4 = sys.argv[1:]
    runs(binary, folder, n_fits)
    mixed(binary, folder, size, lme4)


if __name__ == "__main__":
    main()
