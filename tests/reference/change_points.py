"""Compares our onsets of steps and ramps with the change points that `ruptures` finds in the same series.

The series and our onsets lie in data/change_points.csv; the test `change_points` of the crate
drydown-pumps fails where ours move. Here: a flat series has no change point by PELT (l2 cost, penalty
3 ln n times the noise variance, estimated from first differences); the one best step (exact dynamic
programming, l2 cost) and the one best kink (continuous piecewise linear cost) lie where ours do.
Requires: ruptures==1.1.10 (numpy, scipy). Call: change_points.py
"""

import csv
import math
import pathlib
import sys

import numpy
import ruptures

# Observations by which two estimates of one change may differ. Both see the same noise, but ours knows
# the level before the change and looks only at what came since the chart last stood at zero.
TOLERANCE = {"step": 1, "ramp": 8}

path = pathlib.Path(__file__).parent / "data" / "change_points.csv"
series: dict[str, list[dict[str, str]]] = {}
with path.open(encoding="utf-8", newline="") as file:
    for row in csv.DictReader(file):
        series.setdefault(row["series"], []).append(row)
if len(series) < 10:
    sys.exit(f"{path}: {len(series)} series, 10 expected")

failures = []
for name, rows in series.items():
    kind, ours = rows[0]["kind"], rows[0]["our_onset"]
    values = numpy.array([float(row["ln_speed"]) for row in rows]).reshape(-1, 1)
    n = len(values)
    noise = 1.4826 * numpy.median(numpy.abs(numpy.diff(values[:, 0]))) / math.sqrt(2.0)
    pelt = ruptures.Pelt(model="l2", min_size=3, jump=1).fit(values)
    found = pelt.predict(pen=3.0 * math.log(n) * noise**2)[:-1]
    if kind == "flat":
        theirs = ",".join(map(str, found))
        agree = not found and not ours
    else:
        model = "l2" if kind == "step" else "clinear"
        best = ruptures.Dynp(model=model, min_size=3, jump=1).fit(values).predict(n_bkps=1)[0]
        theirs = str(best)
        agree = bool(found) and bool(ours) and abs(best - int(ours or -999)) <= TOLERANCE[kind]
    print(f"{name}: ours {ours or 'none'}, ruptures {theirs or 'none'}, {len(found)} by PELT: {'agree' if agree else 'DISAGREE'}")
    if not agree:
        failures.append(name)
if failures:
    sys.exit(f"change points disagree: {', '.join(failures)}")
