//! The quarter's pages and the digest mail: strings and bytes out, no number computed here.
//!
//! Pages work without scripts and print on paper; scripts only add sorting. Charts come from
//! one module as SVG; the mail gets the same charts as PNG.

mod cautions;
mod chart;
mod digest;
mod frame;
mod html;
mod input;
mod mail;
mod pages;
mod png;
mod pump_chart;
mod refusals;
mod show;
mod style;
#[cfg(test)]
mod tests;
mod words;

pub use cautions::{CAUTION_LINE, CAUTIONS, FIRST_WORD};
pub use digest::{Digest, DigestInput, render_digest};
pub use input::{FileLoad, Heard, ReportInput, RunSource};
pub use mail::{MailAddresses, MailError, to_message};
pub use pages::{Page, render_report};
pub use png::{PngError, to_png};
pub use show::Display;
