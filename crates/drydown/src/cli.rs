//! The command line: what was typed, checked for form, with nothing done yet.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// What the machines and laboratories of a fleet of vacuum dehydrators recorded, turned into what to do next.
#[derive(Debug, Parser)]
#[command(name = "drydown", version, max_term_width = 100)]
pub(crate) struct Cli {
    /// The configuration file
    #[arg(
        long,
        global = true,
        default_value = "drydown.toml",
        value_name = "FILE"
    )]
    pub(crate) config: PathBuf,
    /// Form of the result on standard output
    #[arg(long, global = true, value_enum, default_value_t = Format::Text)]
    pub(crate) format: Format,
    /// No progress, only warnings and errors on standard error
    #[arg(short, long, global = true)]
    pub(crate) quiet: bool,
    /// More detail on standard error
    #[arg(short, long, global = true, conflicts_with = "quiet")]
    pub(crate) verbose: bool,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Form of the result on standard output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people
    Text,
    /// One JSON document
    Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Write the invented fleet's exports, then ingest, analyse and report them
    Demo(DemoArgs),
    /// Normalise what the sources match into the store
    Ingest(IngestArgs),
    /// Run the batch jobs that have new input
    Analyse(AnalyseArgs),
    /// Hours to target for each unit and size class, and the smallest that will do
    Size(SizeArgs),
    /// The runs that made one coefficient, their weights, and what would narrow it
    Explain(ExplainArgs),
    /// Write a quarter's pages
    Report(ReportArgs),
    /// Write or send the mail of what is new
    Digest(DigestArgs),
    /// Replay past month starts, each with what was known then, and score what would have been said
    Backtest(BacktestArgs),
    /// Propose a [[source]] block for an unknown export
    Draft {
        /// The file to look at
        file: PathBuf,
    },
    /// Validate the configuration and show what each source would store
    Check,
    /// Print the live rows of a table as CSV, sorted by key
    Export {
        /// The table
        table: String,
    },
    /// Print the data contract (`schema units`: the unit codes)
    Schema {
        /// A table, or `units`
        table: Option<String>,
    },
    /// Write the registers and samples that `runs --arrow` needs to an Arrow IPC file
    Context(ContextArgs),
    /// A filter: readings as an Arrow IPC stream in, runs out; no store, no state
    Runs(RunsArgs),
    /// Delete history older than some days (the only command that deletes)
    Prune {
        /// Days of history to keep
        #[arg(long, value_name = "DAYS")]
        keep: u32,
    },
}

#[derive(Args, Debug)]
pub(crate) struct DemoArgs {
    /// Folder to write to
    #[arg(long, default_value = "drydown-demo", value_name = "DIR")]
    pub(crate) out: PathBuf,
    /// Units of the fleet
    #[arg(long, default_value_t = 24, value_parser = clap::value_parser!(u32).range(1..=5000))]
    pub(crate) units: u32,
    /// Months of history, ending 2026-10-01
    #[arg(long, default_value_t = 18, value_parser = clap::value_parser!(u32).range(1..=240))]
    pub(crate) months: u32,
    /// Seed of the invention
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Stop after writing exports, truth and drydown.toml
    #[arg(long)]
    pub(crate) exports_only: bool,
}

#[derive(Args, Debug)]
pub(crate) struct IngestArgs {
    /// Files to take; default: all that the sources match
    pub(crate) files: Vec<PathBuf>,
    /// Read and count, write nothing
    #[arg(long)]
    pub(crate) dry_run: bool,
    /// Rebuild this source's rows after its description changed
    #[arg(long, value_name = "SOURCE")]
    pub(crate) again: Option<String>,
    /// Exit with status 3 where rows were rejected
    #[arg(long)]
    pub(crate) strict: bool,
}

#[derive(Args, Debug)]
pub(crate) struct AnalyseArgs {
    /// Analyse as of this time (a date means its 00:00 UTC); default now
    #[arg(long, value_name = "WHEN")]
    pub(crate) as_of: Option<String>,
    /// Only these jobs
    #[arg(long, value_name = "JOB", num_args = 1..)]
    pub(crate) only: Vec<String>,
}

#[derive(Args, Debug)]
pub(crate) struct SizeArgs {
    /// A reservoir of the register
    #[arg(long, value_name = "ID", conflicts_with_all = ["volume", "oil"])]
    pub(crate) reservoir: Option<String>,
    /// Oil volume, litres
    #[arg(long, value_name = "L", required_unless_present = "reservoir")]
    pub(crate) volume: Option<f64>,
    /// Oil type of the register
    #[arg(long, value_name = "TYPE", required_unless_present = "reservoir")]
    pub(crate) oil: Option<String>,
    /// Water at the start, ppm by mass; of a reservoir: a fresh sample's, instead of what the analysis says of now
    #[arg(long, value_name = "PPM", required_unless_present = "reservoir")]
    pub(crate) start: Option<f64>,
    /// Water to reach, ppm by mass; default: half the reservoir's limit
    #[arg(long, value_name = "PPM")]
    pub(crate) target: Option<f64>,
    /// Hours within which it must be reached
    #[arg(long, value_name = "HOURS")]
    pub(crate) within: Option<f64>,
    /// Confidence asked of "within", 0..1
    #[arg(long, default_value_t = 0.9)]
    pub(crate) confidence: f64,
    /// Water that keeps entering, g/h (with --volume)
    #[arg(long, value_name = "G_PER_H", default_value_t = 0.0)]
    pub(crate) ingress: f64,
    /// Oil temperature at the start, °C [default: that of the reservoir's last samples, else 20]
    #[arg(long, value_name = "DEGC")]
    pub(crate) oil_degc: Option<f64>,
}

#[derive(Args, Debug)]
pub(crate) struct ExplainArgs {
    /// A unit of the register or of the runs
    #[arg(long, value_name = "ID")]
    pub(crate) unit: String,
    /// An oil type of the register or of the runs
    #[arg(long, value_name = "TYPE")]
    pub(crate) oil: String,
}

#[derive(Args, Debug)]
pub(crate) struct ReportArgs {
    /// The quarter, such as 2026Q3
    #[arg(long)]
    pub(crate) quarter: String,
    /// Folder to write to; default: report-QUARTER beside the configuration
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Args, Debug)]
pub(crate) struct BacktestArgs {
    /// Month starts from this day on
    #[arg(long, value_name = "DATE")]
    pub(crate) from: String,
    /// … up to this day
    #[arg(long, value_name = "DATE")]
    pub(crate) to: String,
}

#[derive(Args, Debug)]
pub(crate) struct DigestArgs {
    /// Folder for the .eml file
    #[arg(long, value_name = "DIR", conflicts_with = "send")]
    pub(crate) out: Option<PathBuf>,
    /// Send over SMTP as configured in [mail]
    #[arg(long)]
    pub(crate) send: bool,
}

#[derive(Args, Debug)]
pub(crate) struct ContextArgs {
    /// The file to write
    #[arg(long, value_name = "FILE")]
    pub(crate) out: PathBuf,
    /// Registers and samples as of this time; default now
    #[arg(long, value_name = "WHEN")]
    pub(crate) as_of: Option<String>,
}

#[derive(Args, Debug)]
pub(crate) struct RunsArgs {
    /// Arrow IPC streams on standard input and output
    #[arg(long)]
    pub(crate) arrow: bool,
    /// The file that `context` wrote
    #[arg(long, value_name = "FILE")]
    pub(crate) context: PathBuf,
}
