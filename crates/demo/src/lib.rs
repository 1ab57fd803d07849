//! An invented fleet from a known truth; what it is made of stands in the README below.
#![doc = include_str!("../README.md")]

mod balance;
mod calendar;
mod catalogue;
mod config;
mod draw;
mod drying;
mod exports;
mod fleet;
mod future;
mod job;
mod lab;
mod log;
mod machine;
mod nature;
mod pump;
mod row;
mod schedule;
mod tank;
mod truth;
mod weather;

#[cfg(test)]
mod tests;

pub use config::DemoConfig;
pub use truth::{
    CellTruth, FileTruth, FutureTruth, HealthySpan, PumpTruth, ReservoirTruth, RunTruth,
    SensorTruth, Truth,
};

use fleet::Fleet;

/// One file of the invented firm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DemoFile {
    /// Relative path with forward slashes, for example `exports/north/log_U-01_2026-03.csv.gz`.
    pub path: String,
    /// Contents.
    pub bytes: Vec<u8>,
}

/// An invented fleet whose files have already been handed out.
#[derive(Clone, Debug)]
pub struct DemoFleet {
    /// A complete `drydown.toml` for the exports.
    pub config_toml: String,
    /// What is true of the fleet, and what an ingest of its files must count.
    pub truth: Truth,
}

/// Make the fleet. Every export goes to `sink` as soon as it is complete, so that memory never
/// holds them all; the same settings give the same files in the same order.
pub fn make_fleet(config: &DemoConfig, sink: &mut dyn FnMut(DemoFile)) -> DemoFleet {
    let fleet = Fleet::new(config);
    let mut writer = exports::LogWriter::new(config, &fleet);
    let outcome = schedule::simulate(config, &fleet, &mut |unit, month, rows| {
        writer.write_month(unit, month, rows, sink);
    });
    let mut files = writer.finish();
    files.extend(exports::write_tables(config, &fleet, &outcome.log, sink));
    let truth = truth::make_truth(&fleet, &outcome, files);
    DemoFleet {
        config_toml: exports::settings(&fleet),
        truth,
    }
}
