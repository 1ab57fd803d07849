"""Validates what the commands print with --format json against data-schema/output/.

The validator is Python's jsonschema, so that our own reading of our schemas is not the judge.
Call: check_output.py BINARY DEMO_FOLDER
"""

import csv
import io
import json
import pathlib
import subprocess
import sys
import tempfile

import jsonschema

binary, demo = sys.argv[1], pathlib.Path(sys.argv[2]).resolve()
schemas = pathlib.Path(__file__).parents[2] / "data-schema" / "output"


def said(*arguments):
    done = subprocess.run([binary, "--format", "json", "-q", *arguments], capture_output=True, text=True)
    assert done.returncode == 0, (arguments, done.stderr)
    return json.loads(done.stdout)


def first(table, column):
    done = subprocess.run([binary, *config, "export", table], capture_output=True, text=True, check=True)
    return next(csv.DictReader(io.StringIO(done.stdout)))[column]


config = ["--config", str(demo / "drydown.toml")]
with tempfile.TemporaryDirectory() as scratch:
    documents = {
        "demo": said("demo", "--out", f"{scratch}/small", "--units", "2", "--months", "3"),
        "ingest": said(*config, "ingest"),
        "analyse": said(*config, "analyse", "--as-of", "2026-10-01"),
        "report": said(*config, "report", "--quarter", "2026Q3", "--out", f"{scratch}/report"),
        "digest": said(*config, "digest", "--out", f"{scratch}/mail"),
        "size": said(
            *config, "size", "--volume", "4000", "--oil", first("oils", "oil_type"),
            "--start", "800", "--target", "150", "--within", "72",
        ),
        "backtest": said(*config, "backtest", "--from", "2026-04-01", "--to", "2026-07-31"),
        "check": said(*config, "check"),
        "draft": said("draft", str(next(demo.rglob("exports/**/*.csv.gz")))),
        "export": said(*config, "export", "rejects"),
        "schema": said("schema"),
        "context": said(*config, "context", "--out", f"{scratch}/context.arrow"),
        "prune": said("--config", f"{scratch}/small/drydown.toml", "prune", "--keep", "3650"),
        "explain": said(
            *config, "explain", "--unit", first("units", "unit_id"), "--oil", first("oils", "oil_type"),
        ),
    }
    units = said("schema", "units")
missing = {path.stem for path in schemas.glob("*.json")} - documents.keys()
assert not missing, f"nothing was compared with {missing}"
for name, document in [*documents.items(), ("schema", units)]:
    schema = json.loads((schemas / f"{name}.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    print(f"{name}: fits data-schema/output/{name}.json")
