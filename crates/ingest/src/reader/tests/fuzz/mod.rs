//! Hostile text: one plain function per parser, a committed corpus, and seeded mutations of it.
//!
//! Each body takes bytes and asserts what must hold for any: no panic, values inside the contract,
//! every record accounted for. The normal test run replays the corpus below `tests/corpus/` and a
//! fixed number of mutations; `DRYDOWN_FUZZ_SECONDS=600` goes on for so long, for each parser, and
//! `--nocapture` shows how many mutations each ran. A failure prints the input as a Rust byte string:
//! put it into the corpus.

macro_rules! corpus {
    ($($file:literal),* $(,)?) => {
        vec![$(include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/corpus/", $file)).as_slice()),*]
    };
}

mod amended;
mod driver;
mod packed;
mod parsers;
mod pieces;
mod readers;
mod whole;

use driver::{Corpus, run};

/// A corpus file that holds one input a line.
fn lines(file: &'static [u8]) -> Vec<&'static [u8]> {
    file.split(|byte| *byte == b'\n')
        .filter(|line| !line.is_empty())
        .collect()
}

#[test]
fn numbers() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/numbers.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 100_000,
        },
        parsers::number,
    );
}

#[test]
fn amounts() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/amounts.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 80_000,
        },
        parsers::amount,
    );
}

#[test]
fn cleanliness_codes() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/iso4406.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 80_000,
        },
        parsers::iso4406,
    );
}

#[test]
fn stamps_and_their_formats() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/stamps.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 80_000,
        },
        parsers::stamp,
    );
}

#[test]
fn times_passed() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/elapsed.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 60_000,
        },
        parsers::elapsed,
    );
}

#[test]
fn sheets_turned() {
    let inputs = corpus![
        "shapes/transposed.csv",
        "records/quotes.csv",
        "records/line_ends.csv",
        "samples.csv",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 10_000,
        },
        parsers::transposed,
    );
}

#[test]
fn objects() {
    let inputs = corpus!["shapes/lines.json", "shapes/list.json", "wide.csv"];
    run(
        &Corpus {
            inputs,
            n_mutations: 20_000,
        },
        parsers::json,
    );
}

#[test]
fn records() {
    let inputs = corpus![
        "records/plain.csv",
        "records/quotes.csv",
        "records/stray_quote.csv",
        "records/line_ends.csv",
        "wide.csv",
        "samples.csv",
        "shapes/single_quotes.csv",
        "shapes/fixed.txt",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 20_000,
        },
        parsers::records,
    );
}

#[test]
fn bytes_as_found() {
    let inputs = corpus![
        "decode/utf16.csv",
        "decode/windows1252.csv",
        "decode/log.csv.gz",
        "decode/log.csv.zst",
        "decode/log.zip",
        "decode/two.zip",
        "wide.csv",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 10_000,
        },
        parsers::decode,
    );
}

#[test]
fn whole_files() {
    let inputs = corpus![
        "wide.csv",
        "fold.csv",
        "tall.csv",
        "samples.csv",
        "results.csv",
        "maintenance.csv",
        "records/quotes.csv",
        "decode/log.csv.gz",
        "shapes/transposed.csv",
        "shapes/single_quotes.csv",
        "shapes/fixed.txt",
        "shapes/recorder.csv",
        "shapes/lines.json",
        "shapes/list.json",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 2_000,
        },
        whole::read_file,
    );
}

#[test]
fn drafts() {
    let inputs = corpus![
        "wide.csv",
        "fold.csv",
        "tall.csv",
        "samples.csv",
        "results.csv",
        "maintenance.csv",
        "records/quotes.csv",
        "decode/utf16.csv",
        "decode/windows1252.csv",
        "draft/controller.csv",
        "draft/machines.csv",
        "draft/laboratory.csv",
        "shapes/transposed.csv",
        "shapes/single_quotes.csv",
        "shapes/fixed.txt",
        "shapes/recorder.csv",
        "shapes/lines.json",
        "shapes/list.json",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        |bytes| crate::draft::tests::check_any("logs/U-7_log.csv", bytes),
    );
}
