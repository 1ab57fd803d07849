//! What holds for any files: laws on generated exports.

mod alone;
mod exports;
mod fold;
mod merge;
mod model;
mod shapes;
mod sorted;
mod units;
