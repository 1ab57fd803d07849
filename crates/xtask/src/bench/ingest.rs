//! `cargo xtask bench ingest [ROWS]`: one large wide export into the store, against DuckDB (from PyPI)
//! that does the same normalisation into one Parquet file, without checks, ledger or merge; and against
//! the floor (`crates/store/examples/floor.rs`), which cuts, converts and writes the same file without
//! so much as looking whether a number is one: what of our time is unavoidable. Then a tall export of as
//! many lines, one tag after the other, which both turn into rows of a unit and an instant.
//!
//! All run as processes of their own, in turn, three times; CPU time, wall time and peak memory are
//! those of the process. The export crosses the hour that spring skips: its stamps never were, and
//! only rows kept are compared.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, Result};

use crate::{machine, shell};

const DEFAULT_ROWS: u64 = 10_000_000;
const N_UNITS: u64 = 20;
/// Seconds between two rows of a unit.
const STEP_S: u64 = 10;
/// 2025-02-20T00:00:00 on the clock, in seconds since 1970 of that clock: before the hour that spring
/// skips, and long enough ago that 50 million rows do not reach into the future.
const START_S: u64 = 1_740_009_600;

const CONFIG: &str = r#"[store]
path = "store"

[display]
units = "us"
timezone = "America/Chicago"

[[source]]
name = "bench"
table = "readings"
files = ["export.csv"]
layout = "wide"
timezone = "America/Chicago"

[source.columns]
at = { from = "Time", format = "%m/%d/%Y %H:%M:%S" }
unit_id = { from = "Unit" }
reservoir_id = { from = "Reservoir" }
chamber_pressure_kpa = { from = "Vacuum", unit = "[in_i'Hg]", reference = "vacuum" }
oil_inlet_degc = { from = "Oil in", unit = "[degF]" }
oil_outlet_degc = { from = "Oil out", unit = "[degF]" }
oil_flow_lpm = { from = "Flow", unit = "[gal_us]/min" }
discharge_kpa_gauge = { from = "Discharge", unit = "[psi]", reference = "gauge" }
oil_pump_hz = { from = "Pump", unit = "Hz" }
water_ppm = { from = "Water", unit = "[ppm]" }
alarm = { from = "Alarm" }
"#;

const TALL_CONFIG: &str = r#"[store]
path = "store"

[[source]]
name = "bench"
table = "readings"
files = ["export.csv"]
layout = "tall"
timezone = "America/Chicago"

[source.tall]
tag = "Tag"
value = "Value"
pattern = '(?<unit_id>[^.]+)\.(?<signal>.+)'

[source.columns]
at = { from = "Time", format = "%m/%d/%Y %H:%M:%S" }
chamber_pressure_kpa = { signal = "VAC", unit = "[in_i'Hg]", reference = "vacuum" }
oil_inlet_degc = { signal = "TI", unit = "[degF]" }
oil_outlet_degc = { signal = "TO", unit = "[degF]" }
oil_flow_lpm = { signal = "FLOW", unit = "[gal_us]/min" }
discharge_kpa_gauge = { signal = "PD", unit = "[psi]", reference = "gauge" }
oil_pump_hz = { signal = "HZ", unit = "Hz" }
water_ppm = { signal = "H2O", unit = "[ppm]" }
"#;

/// The tall export's signals: the least value, and the steps above it of a tenth each.
const SIGNALS: [(&str, f64, u64); 7] = [
    ("VAC", 25.0, 30),
    ("TI", 140.0, 80),
    ("TO", 136.0, 80),
    ("FLOW", 18.0, 40),
    ("PD", 40.0, 60),
    ("HZ", 57.0, 40),
    ("H2O", 180.0, 7000),
];

pub(super) fn run(arguments: &[&str]) -> Result<()> {
    let n_rows = match arguments {
        [] => DEFAULT_ROWS,
        [rows, ..] => rows
            .replace('_', "")
            .parse()
            .with_context(|| format!("found \"{rows}\", expected a number of rows"))?,
    };
    // Both packages at once, so that the features of what they build upon are those of the product.
    let packages = ["-p", "drydown", "-p", "drydown-store"];
    let targets = ["--bin", "drydown", "--example", "floor"];
    let build = ["build", "--release"].into_iter();
    let arguments: Vec<&str> = build.chain(packages).chain(targets).collect();
    shell::cargo(&arguments, &[])?;
    let python = machine::bench_python()?;
    let folder = shell::target_dir().join("bench-ingest");
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    std::fs::create_dir_all(&folder)?;
    let script = folder.join("bench.py");
    std::fs::write(&script, include_str!("ingest.py"))?;
    let export = folder.join("export.csv");
    for (layout, config) in [("wide", CONFIG), ("tall", TALL_CONFIG)] {
        match layout {
            "wide" => write_export(&export, n_rows)?,
            _ => write_tall(&export, n_rows)?,
        }
        std::fs::write(folder.join("drydown.toml"), config)?;
        shell::run(
            Command::new(&python)
                .arg(&script)
                .arg(layout)
                .arg(shell::drydown())
                .arg(shell::target_dir().join("release/examples/floor"))
                .arg(&folder),
        )?;
    }
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}

/// Units in turn, every value a slow walk: what a rack of controllers writes into one export.
fn write_export(path: &Path, n_rows: u64) -> Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    writeln!(
        out,
        "Time,Unit,Reservoir,Vacuum,Oil in,Oil out,Flow,Discharge,Pump,Water,Alarm"
    )?;
    let mut noise = Noise(0x2545_f491_4f6c_dd1d);
    let mut time = String::new();
    let mut line = String::new();
    for row in 0..n_rows {
        let unit = row % N_UNITS;
        if unit == 0 {
            time.clear();
            write_time(&mut time, START_S + row / N_UNITS * STEP_S)?;
        }
        let hour = (row / N_UNITS * STEP_S / 3600) % 72;
        line.clear();
        writeln!(
            line,
            "{time},U-{unit:02},R-{:02},{:.2},{:.1},{:.1},{:.1},{:.1},{:.1},{},{}",
            unit + 30,
            25.0 + noise.below(300) / 100.0,
            140.0 + noise.below(80) / 10.0,
            136.0 + noise.below(80) / 10.0,
            18.0 + noise.below(40) / 10.0,
            40.0 + noise.below(60) / 10.0,
            57.0 + noise.below(40) / 10.0,
            900 - 10 * hour + noise.below(25) as u64,
            if noise.below(5000) < 1.0 {
                "HIGH LEVEL"
            } else {
                ""
            },
        )?;
        out.write_all(line.as_bytes())?;
    }
    out.flush()?;
    Ok(())
}

/// One tag after the other, each from its first instant to its last: what a historian hands out.
fn write_tall(path: &Path, n_lines: u64) -> Result<()> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    writeln!(out, "Tag,Time,Value")?;
    let mut noise = Noise(0x2545_f491_4f6c_dd1d);
    let n_instants = n_lines / (N_UNITS * SIGNALS.len() as u64);
    let mut line = String::new();
    for unit in 0..N_UNITS {
        for (signal, least, n_steps) in SIGNALS {
            for instant in 0..n_instants {
                line.clear();
                write!(line, "U-{unit:02}.{signal},")?;
                write_time(&mut line, START_S + instant * STEP_S)?;
                writeln!(line, ",{:.1}", least + noise.below(n_steps) / 10.0)?;
                out.write_all(line.as_bytes())?;
            }
        }
    }
    out.flush()?;
    Ok(())
}

fn write_time(out: &mut String, seconds: u64) -> Result<()> {
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    let (year, month, day) = to_civil(days);
    write!(
        out,
        "{month:02}/{day:02}/{year} {:02}:{:02}:{:02}",
        rest / 3600,
        rest / 60 % 60,
        rest % 60
    )?;
    Ok(())
}

/// Year, month and day of a day since 1970-01-01 (Howard Hinnant, `civil_from_days`).
fn to_civil(days: u64) -> (u64, u64, u64) {
    let z = days + 719_468;
    let (era, of_era) = (z / 146_097, z % 146_097);
    let year = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let shifted = (5 * of_year + 2) / 153;
    let day = of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 {
        shifted + 3
    } else {
        shifted - 9
    };
    (year + era * 400 + u64::from(month <= 2), month, day)
}

/// Marsaglia's xorshift64: the same file on every machine.
struct Noise(u64);

impl Noise {
    /// A whole number below `n`, as a float.
    fn below(&mut self, n: u64) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 11) % n) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_export_begins_on_its_day() {
        let mut time = String::new();
        write_time(&mut time, START_S + 3_661).unwrap();
        assert_eq!(time, "02/20/2025 01:01:01");
    }
}
