//! Project chores: `cargo xtask test | tidy | trial | bench | schema-docs`.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a command for developers that prints its progress"
)]

mod acceptance;
mod bench;
mod machine;
mod shell;
mod test;
mod tidy;
mod trial;

use std::process::ExitCode;

const USAGE: &str = "usage: cargo xtask COMMAND
  test         install what the tests need, then format, clippy, tests, notebooks, browser, mail
  tidy         the rules of the house that no compiler checks
  trial [SEED…]  the demo fleets of these seeds against their own truth (default 1 2 3)
  bench ingest [ROWS]  a large export into the store, against DuckDB (default 10 million rows)
  bench pumps [STARTS]  pump-down fits, against scipy (default 100 000 starts)
  bench removal [RUNS UNITS OILS]  run fits against scipy, the mixed model against lme4
  schema-docs  write data-schema/README.md from the schema files";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut words = arguments.iter().map(String::as_str);
    let done = match words.next() {
        Some("test") => test::run(),
        Some("tidy") => tidy::run(),
        Some("trial") => trial::run(&words.collect::<Vec<_>>()),
        Some("bench") => bench::run(&words.collect::<Vec<_>>()),
        Some("schema-docs") => shell::cargo(
            &[
                "test",
                "--release",
                "-p",
                "drydown-schema",
                "reference_page",
            ],
            &[("BLESS", "1")],
        ),
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("xtask: {error:#}");
            ExitCode::FAILURE
        }
    }
}
