//! The pages of a quarter's report.

mod coefficients;
mod data;
mod findings;
mod fits;
mod funnel;
mod overview;
mod parts;
mod reservoirs;
mod runs;
mod scorecard;
mod shrinkage;
mod unit;
mod units;

use crate::input::ReportInput;

/// One file of the report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Path below the report's folder, with `/`.
    pub path: String,
    /// Its text.
    pub text: String,
}

/// Every page of a quarter.
#[must_use]
pub fn render_report(input: &ReportInput<'_>) -> Vec<Page> {
    let mut pages = vec![overview::render(input), units::render(input)];
    pages.extend(findings::rule_pages(input));
    pages.extend(reservoirs::render(input));
    pages.extend(coefficients::render(input));
    pages.extend([scorecard::render(input), data::render(input)]);
    for row in &parts::fleet(input) {
        pages.push(unit::render(input, row));
        pages.extend(fits::render(input, row));
    }
    pages
}
