"""The crossed mixed model on the demo fleet's runs: drydown's REML against that of statsmodels.

Both fit log dried flow ~ 1 + (1|unit) + (1|oil) + (1|unit:oil) with one residual variance to the runs
whose removal rate was identified. What drydown reports adds each run's own variance and heavy tails,
which the peer has no words for; this compares what the two can both do.

Called by `cargo xtask test` with the fitting program and the demo's store.
"""

import json
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm

warnings.simplefilter("ignore")
RELATIVE = 1e-3


def main():
    program, drydown, config = sys.argv[1:]
    rows = subprocess.run(
        [drydown, "--config", config, "export", "removal_runs"], check=True, capture_output=True
    ).stdout
    with tempfile.TemporaryDirectory() as folder:
        exported = Path(folder) / "runs.csv"
        exported.write_bytes(rows)
        runs = pd.read_csv(exported)
        runs = runs[(runs.status == "identified") & runs.dried_flow_lpm.gt(0) & runs.oil_type.notna()].copy()
        runs["y"] = np.log(runs.dried_flow_lpm)
        runs["cell"] = runs.unit_id + " " + runs.oil_type
        runs[["y", "unit_id", "oil_type"]].to_csv(Path(folder) / "mixed.csv", index=False)
        ours = json.loads(
            subprocess.run([program, "fit", folder], check=True, capture_output=True).stdout
        )
    parts = {"unit": "0 + C(unit_id)", "oil": "0 + C(oil_type)", "cell": "0 + C(cell)"}
    model = sm.MixedLM.from_formula("y ~ 1", groups=np.ones(len(runs)), vc_formula=parts, data=runs)
    peer = model.fit(reml=True)
    theirs = dict(zip(model.exog_vc.names, np.sqrt(peer.vcomp)))
    theirs |= {"residual": np.sqrt(peer.scale), "mean": peer.fe_params.iloc[0]}
    wrong = []
    for name, value in theirs.items():
        off = abs(ours[name] / value - 1)
        print(f"{name:9} drydown {ours[name]:.6f}  statsmodels {value:.6f}")
        if off > RELATIVE:
            wrong.append(f"{name}: off by {off:.1e}, at most {RELATIVE:.0e} expected")
    print(f"{len(runs)} runs, {ours['n_cells']} cells")
    if wrong:
        sys.exit("\n".join(wrong))


if __name__ == "__main__":
    main()
