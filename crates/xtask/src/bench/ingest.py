"""drydown ingest against DuckDB's COPY on the same export, and both against the floor.

Called by `cargo xtask bench ingest`.
"""

import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

PAIRS = 3

WIDE = """
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

TALL = """
COPY (
    SELECT instant AS "at", unit_id,
           101.325 - max(value) FILTER (WHERE signal = 'VAC') * 3.38638 AS chamber_pressure_kpa,
           (max(value) FILTER (WHERE signal = 'TI') - 32) / 1.8 AS oil_inlet_degc,
           (max(value) FILTER (WHERE signal = 'TO') - 32) / 1.8 AS oil_outlet_degc,
           max(value) FILTER (WHERE signal = 'FLOW') * 3.785411784 AS oil_flow_lpm,
           max(value) FILTER (WHERE signal = 'PD') * 6.894757293168 AS discharge_kpa_gauge,
           max(value) FILTER (WHERE signal = 'HZ') AS oil_pump_hz,
           max(value) FILTER (WHERE signal = 'H2O') AS water_ppm
    FROM (
        SELECT strptime("Time", '%m/%d/%Y %H:%M:%S') AT TIME ZONE 'America/Chicago' AS instant,
               split_part("Tag", '.', 1) AS unit_id,
               split_part("Tag", '.', 2) AS signal,
               "Value" AS value
        FROM read_csv('{csv}', header = true, columns = {{
            'Tag': 'VARCHAR', 'Time': 'VARCHAR', 'Value': 'DOUBLE'}})
    )
    GROUP BY instant, unit_id
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
    layout = sys.argv[1]
    drydown, floor, folder = (Path(argument) for argument in sys.argv[2:5])
    is_wide = layout == "wide"
    import duckdb

    csv, out, store = folder / "export.csv", folder / "peer.parquet", folder / "store"
    query = (WIDE if is_wide else TALL).format(csv=csv, out=out)
    peer = [sys.executable, "-c", f"import duckdb; duckdb.sql({query!r})"]
    commands = {"DuckDB": peer, "drydown": [str(drydown), "ingest"]}
    if is_wide:
        commands["floor"] = [str(floor), str(csv), str(folder)]
    print(f"{layout} export: {csv.stat().st_size / 1e6:.0f} MB; DuckDB {duckdb.__version__}")
    # Into the page cache, for all; in blocks, because what this process held at most would count as
    # the peak of the processes it starts.
    with csv.open("rb") as file:
        while file.read(1 << 20):
            pass
    taken = []
    for turn in range(PAIRS):
        shutil.rmtree(store, ignore_errors=True)
        out.unlink(missing_ok=True)
        taken.append({name: measured(command, folder) for name, command in commands.items()})
        for name, (wall, cpu, peak) in taken[-1].items():
            print(f"turn {turn + 1}  {name:8} {wall:6.2f} s wall  {cpu:6.2f} s CPU  {peak:6.0f} MiB peak")
    live = str(store / "readings" / "*" / "*.parquet")
    count = "SELECT count(*), sum(oil_flow_lpm), sum(water_ppm) FROM {}"
    files = {
        "drydown kept": f"read_parquet('{live}', union_by_name = true)",
        "DuckDB wrote": f"read_parquet('{out}')",
    }
    pairs = [("DuckDB", "drydown")]
    if is_wide:
        files["the floor wrote"] = f"read_parquet('{folder / 'floor-*.parquet'}')"
        pairs += [("DuckDB", "floor"), ("drydown", "floor")]
    for name, source in files.items():
        rows, flow, water = duckdb.sql(count.format(source)).fetchall()[0]
        print(f"{name} {rows} rows, sums: flow {flow:.3f}, water {water:.3f}")
    print("(only drydown leaves out the hour that never was)")
    for above, below in pairs:
        ratio = [statistics.median(turn[above][n] / turn[below][n] for turn in taken) for n in (0, 1, 2)]
        print(
            f"ratio ({above} / {below}, median of {PAIRS} turns): "
            f"{ratio[0]:.2f} by wall clock, {ratio[1]:.2f} by CPU time, {ratio[2]:.2f} by peak memory"
        )


if __name__ == "__main__":
    main()
