//! Everything that crosses crates: values from outside the project, and the real binary at work.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::needless_range_loop,
    clippy::too_many_lines,
    reason = "a test may stop at once, prints its figures, and reads tables by place"
)]

mod backtest;
mod binary;
mod cli;
mod fleet;
mod ingest;
mod kill;
mod mended;
mod pieces;
mod reference {
    //! Published standards, worked examples and certified data sets.
    mod physics;
    mod statistics;
}
mod tall;
