"""Compares our scores of ranked probabilities and our percentiles of results with bounds with those of
scikit-learn and lifelines.

Made here with a fixed seed: 400 forecasts with ties, of which some were watched for too short a time, and
300 laboratory results of which a third lie below one of two detection limits. Brier, AUC, log loss and
NDCG against scikit-learn; calibration (Cox) against its unpenalised logistic regression; Harrell's C
against lifelines; percentiles under left censoring against the first value at which lifelines' estimate of
the distribution reaches them. The forecasts that stopped early count for the C-index alone.
Requires: lifelines==0.30.3, scikit-learn==1.9.1 (numpy). Call: rank_metrics.py REFERENCE_SCORES
"""

import pathlib
import subprocess
import sys
import tempfile

import numpy
from lifelines import KaplanMeierFitter
from lifelines.utils import concordance_index
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss, log_loss, ndcg_score, roc_auc_score

rng = numpy.random.default_rng(20261127)
HORIZON = 60.0


def ours(lines: list[str]) -> dict[str, float]:
    """What our example prints for these lines."""
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "cases.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        done = subprocess.run([sys.argv[1], str(path)], check=True, capture_output=True, text=True)
    return {name: float(value) for name, value in map(str.split, done.stdout.splitlines())}


def forecasts(early_share: float) -> tuple[numpy.ndarray, numpy.ndarray, numpy.ndarray]:
    """Probabilities in steps of a twentieth, days and whether the event came; some stop early."""
    p = numpy.round(rng.beta(0.6, 0.9, 400) * 20.0) / 20.0
    came = rng.random(400) < 0.1 + 0.7 * p
    days = numpy.where(came, numpy.ceil(HORIZON * rng.random(400) ** (0.5 + p)), HORIZON)
    stop = numpy.where(rng.random(400) < early_share, numpy.ceil(HORIZON * rng.random(400)), numpy.inf)
    return p, numpy.minimum(days, stop), came & (days <= stop)


def lines_of(p: numpy.ndarray, days: numpy.ndarray, event: numpy.ndarray) -> list[str]:
    return [f"forecast,{a},{b},{int(c)}" for a, b, c in zip(p, days, event)]


p, days, came = forecasts(0.0)
level = numpy.exp(rng.normal(1.5, 0.8, 300))
detection = rng.choice([2.0, 5.0], 300)
below = level < detection
values = numpy.round(numpy.where(below, detection, level), 2)
results = [f"result,{v},{'<' if b else '='}" for v, b in zip(values, below)]
got = ours(lines_of(p, days, came) + results)

safe = numpy.clip(p, 1e-6, 1.0 - 1e-6)
logit = numpy.log(safe / (1.0 - safe)).reshape(-1, 1)
fit = LogisticRegression(C=numpy.inf, tol=1e-10, max_iter=10_000).fit(logit, came)
theirs = {
    "brier": brier_score_loss(came, p),
    "auc": roc_auc_score(came, p),
    "ndcg_10": ndcg_score([came.astype(float)], [p], k=10),
    "ndcg": ndcg_score([came.astype(float)], [p]),
    "c_index": concordance_index(days, -p, came),
    "slope": fit.coef_[0][0],
    "intercept": fit.intercept_[0],
}
law = KaplanMeierFitter().fit_left_censoring(values, event_observed=~below)
reached = law.cumulative_density_.iloc[:, 0]
exact = set(values[~below])
for percent in (85, 95, 98):
    at = [v for v, share in reached.items() if share >= percent / 100.0 - 1e-9 and v in exact]
    theirs[f"percentile_{percent}"] = min(at)

# certainties that were wrong are bounded differently: compared without them
inside = (p > 0.0) & (p < 1.0)
got["log_loss"] = ours(lines_of(p[inside], days[inside], came[inside]) + results)["log_loss"]
theirs["log_loss"] = log_loss(came[inside], p[inside])
early = forecasts(0.3)
got["c_index, stopped early"] = ours(lines_of(*early) + results)["c_index"]
theirs["c_index, stopped early"] = concordance_index(early[1], -early[0], early[2])

TOLERANCE = {"slope": 1e-4, "intercept": 1e-4}
failures = []
for name, reference in theirs.items():
    agree = abs(got[name] - reference) <= TOLERANCE.get(name, 1e-9) * max(1.0, abs(reference))
    print(f"{name}: ours {got[name]:.10g}, theirs {reference:.10g}: {'agree' if agree else 'DISAGREE'}")
    if not agree:
        failures.append(name)
if failures:
    sys.exit(f"scores disagree: {', '.join(failures)}")
