"""Reads the live rows of `readings` with five programs that are not ours and lets them compare notes.

pyarrow, polars, DuckDB and pandas each read the table by themselves; what they find (rows, cells that
are not null, sums, extremes, units, first and last stamp) must be one and the same, and the same as in
what `drydown export readings` prints. Which data files are live stands in the table's log.
Call: read_store.py BINARY DEMO_FOLDER
"""

import io
import json
import math
import pathlib
import subprocess
import sys

import duckdb
import pandas
import polars
import pyarrow.compute
import pyarrow.parquet
from deltalake import DeltaTable

binary, demo = sys.argv[1], pathlib.Path(sys.argv[2]).resolve()
table = demo / "store" / "readings"
contract = json.loads((pathlib.Path(__file__).parents[2] / "data-schema" / "readings.json").read_text("utf-8"))
fields = {field["name"]: field["type"] for field in contract["fields"]}
numbers = [name for name, kind in fields.items() if kind == "number"]
files = [uri.removeprefix("file://") for uri in DeltaTable(str(table)).file_uris()]


def log_files():
    """The live files by a reading of the log of our own: what was added and not removed, in order."""
    live = set()
    entries = sorted(path for path in (table / "_delta_log").glob("*.json") if path.stem.isdigit())
    assert entries and entries[0].stem == "0" * 20, "the log does not begin at version 0"
    for entry in entries:
        for action in map(json.loads, entry.read_text("utf-8").splitlines()):
            if "remove" in action:
                live.discard(action["remove"]["path"])
            if "add" in action:
                live.add(action["add"]["path"])
    return sorted(str(table / path) for path in live)


def said(rows, present, sums, lows, highs, units, first, last):
    """What one program found, in plain Python values."""
    return {
        "rows": int(rows),
        "present": {name: int(count) for name, count in present.items()},
        "sums": {name: float(value or 0.0) for name, value in sums.items()},
        "lows": {name: None if value is None else float(value) for name, value in lows.items()},
        "highs": {name: None if value is None else float(value) for name, value in highs.items()},
        "units": int(units),
        "first": first,
        "last": last,
    }


def by_pyarrow():
    rows = pyarrow.parquet.read_table(files, partitioning="hive")
    compute = pyarrow.compute
    stamps = rows["at"].cast("int64")
    return said(
        rows.num_rows,
        {name: rows.num_rows - rows[name].null_count for name in fields},
        {name: compute.sum(rows[name]).as_py() for name in numbers},
        {name: compute.min(rows[name]).as_py() for name in numbers},
        {name: compute.max(rows[name]).as_py() for name in numbers},
        compute.count_distinct(rows["unit_id"]).as_py(),
        compute.min(stamps).as_py(),
        compute.max(stamps).as_py(),
    )


def by_polars():
    # Reads the Delta log itself.
    rows = polars.read_delta(str(table))
    stamps = rows["at"].dt.epoch("us")
    return said(
        len(rows),
        {name: len(rows) - rows[name].null_count() for name in fields},
        {name: rows[name].sum() for name in numbers},
        {name: rows[name].min() for name in numbers},
        {name: rows[name].max() for name in numbers},
        rows["unit_id"].n_unique(),
        stamps.min(),
        stamps.max(),
    )


def by_duckdb():
    duckdb.read_parquet(files, hive_partitioning=True).create_view("readings")

    def ask(form, names):
        shown = ", ".join(form.format(f'"{name}"') for name in names)
        return dict(zip(names, duckdb.execute(f"select {shown} from readings").fetchone()))

    # `at` is a word of this SQL.
    count, units, first, last = duckdb.execute(
        'select count(*), count(distinct unit_id), epoch_us(min("at")), epoch_us(max("at")) from readings'
    ).fetchone()
    return said(
        count,
        ask("count({})", list(fields)),
        ask("sum({})", numbers),
        ask("min({})", numbers),
        ask("max({})", numbers),
        units,
        first,
        last,
    )


def plain(value):
    return None if pandas.isna(value) else value


def by_pandas(rows):
    stamps = rows["at"].astype("datetime64[us, UTC]").astype("int64")
    return said(
        len(rows),
        {name: rows[name].notna().sum() for name in fields},
        {name: rows[name].sum() for name in numbers},
        {name: plain(rows[name].min()) for name in numbers},
        {name: plain(rows[name].max()) for name in numbers},
        rows["unit_id"].nunique(),
        int(stamps.min()),
        int(stamps.max()),
    )


def parquet_by_pandas():
    return by_pandas(pandas.read_parquet(files, partitioning="hive"))


def export_by_pandas():
    done = subprocess.run(
        [binary, "--config", str(demo / "drydown.toml"), "export", "readings"],
        capture_output=True, text=True, check=True,
    )
    types = {name: "float64" if kind == "number" else "str" for name, kind in fields.items()}
    # Only an empty cell is null: the word "NA" may be an alarm.
    rows = pandas.read_csv(io.StringIO(done.stdout), dtype=types, keep_default_na=False, na_values=[""])
    assert list(rows.columns) == list(fields), rows.columns
    rows["at"] = pandas.to_datetime(rows["at"], format="ISO8601", utc=True)
    return by_pandas(rows)


def check(name, found, expected):
    for key, value in expected.items():
        if key != "sums":
            assert found[key] == value, f"{name}: {key}: found {found[key]}, expected {value}"
    for column, value in expected["sums"].items():
        # Programs add in another order: rounding grows with the root of the rows, at 1e-16 each.
        assert math.isclose(found["sums"][column], value, rel_tol=1e-10, abs_tol=1e-9), (
            f"{name}: the sum of {column} is {found['sums'][column]}, expected {value}"
        )


assert sorted(files) == log_files(), "two readings of the log name different files"
first = by_pyarrow()
assert first["rows"] > 0 and first["units"] > 0, "the table is empty"
assert sum(first["present"][name] > 0 for name in numbers) > 5, "hardly a column holds a number"
others = {
    "polars": by_polars(),
    "duckdb": by_duckdb(),
    "pandas": parquet_by_pandas(),
    "export": export_by_pandas(),
}
for name, found in others.items():
    check(name, found, first)
print(f"readings: {first['rows']} rows of {first['units']} units, the same by pyarrow, {', '.join(others)}")
