"""drydown ingest against DuckDB's COPY on the same export; called by `cargo xtask bench ingest`."""

import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

PAIRS = 3

QUERY = """
COPY (
    SELECT strptime("Time", '%m/%d/%Y %H:%M:%S') AT TIME ZONE 'America/Chicago' AS at,
           "Unit" AS unit_id,
           "Reservoir" AS reservoir_id,
           101.325 - "Vacuum" * 3.38638 AS chamber_pressure_kpa,
           ("Oil in" - 32) / 1.8 AS oil_inlet_degc,
           ("Oil out" - 32) / 1.8 AS oil_outlet_degc,
           "Flow" * 3.785411784 AS oil_flow_lpm,
           "Discharge" * 6.894757293168 AS discharge_kpa_gauge,
           "Pump" AS oil_pump_hz,
           "Water" AS water_ppm,
           "Alarm" AS alarm
    FROM read_csv('{csv}', header = true, columns = {{
        'Time': 'VARCHAR', 'Unit': 'VARCHAR', 'Reservoir': 'VARCHAR', 'Vacuum': 'DOUBLE',
        'Oil in': 'DOUBLE', 'Oil out': 'DOUBLE', 'Flow': 'DOUBLE', 'Discharge': 'DOUBLE',
        'Pump': 'DOUBLE', 'Water': 'DOUBLE', 'Alarm': 'VARCHAR'}})
) TO '{out}' (FORMAT parquet, COMPRESSION zstd)
"""


def measured(command, folder):
    """Runs a command; wall and CPU seconds and peak memory in MiB of that process alone."""
    begun = time.monotonic()
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.monotonic() - begun
    if status != 0:
        sys.exit(f"{command[0]} ended with {status}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main():
    drydown, folder = Path(sys.argv[1]), Path(sys.argv[2])
    import duckdb

    csv, out, store = folder / "export.csv", folder / "peer.parquet", folder / "store"
    peer = [sys.executable, "-c", f"import duckdb; duckdb.sql({QUERY.format(csv=csv, out=out)!r})"]
    ours = [str(drydown), "ingest"]
    print(f"export: {csv.stat().st_size / 1e6:.0f} MB; DuckDB {duckdb.__version__}")
    # Into the page cache, for both; in blocks, because what this process held at most would count as
    # the peak of the processes it starts.
    with csv.open("rb") as file:
        while file.read(1 << 20):
            pass
    walls, cpus = [], []
    for pair in range(PAIRS):
        shutil.rmtree(store, ignore_errors=True)
        out.unlink(missing_ok=True)
        theirs = measured(peer, folder)
        mine = measured(ours, folder)
        walls.append(theirs[0] / mine[0])
        cpus.append(theirs[1] / mine[1])
        for name, (wall, cpu, peak) in (("DuckDB", theirs), ("drydown", mine)):
            print(f"pair {pair + 1}  {name:8} {wall:6.2f} s wall  {cpu:6.2f} s CPU  {peak:6.0f} MiB peak")
    live = str(store / "readings" / "*" / "*.parquet")
    count = 'SELECT count(*), sum(oil_flow_lpm), sum(water_ppm) FROM {}'
    kept = duckdb.sql(count.format(f"read_parquet('{live}', union_by_name = true)")).fetchall()[0]
    theirs = duckdb.sql(count.format(f"read_parquet('{out}')")).fetchall()[0]
    print(f"rows: drydown kept {kept[0]}, DuckDB wrote {theirs[0]} (it moves the hour that never was)")
    print(f"sums of what was kept: flow {kept[1]:.3f}, water {kept[2]:.3f}; DuckDB's: {theirs[1]:.3f}, {theirs[2]:.3f}")
    print(
        f"ratio (DuckDB / drydown, median of {PAIRS} pairs): "
        f"{statistics.median(walls):.2f} by wall clock, {statistics.median(cpus):.2f} by CPU time"
    )


if __name__ == "__main__":
    main()
