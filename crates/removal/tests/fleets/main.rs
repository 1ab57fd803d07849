//! From simulated runs to the fleet's answers, against what is true and against an estimator that is told every
//! nuisance parameter.
//!
//! The normal run takes few fleets and holds bounds that so few can hold; `DRYDOWN_FLEETS=20` takes that many of each
//! kind and holds the bars themselves. Figures with `--nocapture`.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test and its tools"
)]

mod dry;
mod judge;
mod oracle;
mod world;

use drydown_runs::history::VolumeBasis;
use judge::{Shown, show};
use world::{Kind, LARGE, SMALL};

/// Fleets of each kind where nothing is said.
fn fleets(few: u64) -> u64 {
    std::env::var("DRYDOWN_FLEETS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(few)
}

#[test]
fn large_fleets() {
    show("large", LARGE, fleets(1));
}

#[test]
fn small_fleets() {
    show("small", SMALL, fleets(4));
}

#[test]
fn volumes_wrong_by_a_fifth() {
    let wrong = Kind {
        volume_sd: Some(0.20),
        ..LARGE
    };
    show("volumes wrong by 20 %", wrong, fleets(1));
    let dipped = Kind {
        basis: Some(VolumeBasis::Dip),
        ..wrong
    };
    show("the same, all called dips", dipped, fleets(1));
}

#[test]
fn five_runs_in_a_hundred_spoiled() {
    let clean: Shown = show("clean", LARGE, fleets(1));
    let spoiled = show(
        "5 % spoiled",
        Kind {
            spoiled: 0.05,
            ..LARGE
        },
        fleets(1),
    );
    println!(
        "5 % of the runs spoiled: error {:.3} times",
        spoiled.rmse / clean.rmse
    );
}

#[test]
fn badly_mixed_reservoirs() {
    show(
        "a quarter badly mixed",
        Kind {
            badly_mixed: 0.25,
            ..LARGE
        },
        fleets(1),
    );
}
