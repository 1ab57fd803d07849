//! The bodies of what reads a file in another way than from its first byte to its last: in pieces,
//! out of archives and workbooks, and over earlier reports.

use super::driver::{Corpus, run};
use super::{amended, lines, packed, parsers, pieces};

#[test]
fn wide_in_pieces() {
    let inputs = corpus![
        "wide.csv",
        "fold.csv",
        "records/quotes.csv",
        "records/line_ends.csv",
        "records/stray_quote.csv",
        "shapes/fixed.txt",
        "shapes/recorder.csv",
        "pieces/reordered.csv",
        "pieces/stray.csv",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        pieces::wide,
    );
}

#[test]
fn filled_in_pieces() {
    let inputs = corpus![
        "pieces/filled.csv",
        "pieces/times.csv",
        "pieces/filled.json",
        "shapes/single_quotes.csv",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        pieces::filled,
    );
}

#[test]
fn objects_in_pieces() {
    let inputs = corpus![
        "shapes/lines.json",
        "pieces/filled.json",
        "pieces/return.json",
        "pieces/return2.json",
        "wide.csv"
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 2_000,
        },
        pieces::objects,
    );
}

#[test]
fn tall_sorted() {
    let inputs = corpus![
        "tall.csv",
        "pieces/tags.csv",
        "pieces/night.csv",
        "pieces/cut_short.csv",
    ];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        pieces::tall,
    );
}

#[test]
fn archives() {
    let inputs = corpus!["decode/two.zip", "packed/three.zip", "decode/log.zip"];
    run(
        &Corpus {
            inputs,
            n_mutations: 4_000,
        },
        packed::archive,
    );
}

#[test]
fn files_of_archives() {
    let inputs = corpus!["packed/files.txt", "wide.csv", "decode/log.csv.gz"];
    run(
        &Corpus {
            inputs,
            n_mutations: 2_000,
        },
        packed::files,
    );
}

#[test]
fn worksheets() {
    let inputs = corpus!["packed/log.xml", "packed/merged.xml"];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        packed::worksheet,
    );
}

#[test]
fn reports_that_amend() {
    let inputs = corpus!["packed/reports.csv", "samples.csv"];
    run(
        &Corpus {
            inputs,
            n_mutations: 1_000,
        },
        amended::reports,
    );
}

#[test]
fn hours_and_words() {
    let inputs = lines(include_bytes!("../../../../tests/corpus/words.txt"));
    run(
        &Corpus {
            inputs,
            n_mutations: 80_000,
        },
        parsers::words,
    );
}
