//! Every run on one oil against what all other runs foretell of it, and how closely it should lie.

use drydown_quantity::OilType;
use drydown_removal::RemovalResidual;

use crate::chart::{Axis, FunnelMark, NINE_TENTHS, Scale, funnel};
use crate::html::figure;
use crate::input::ReportInput;
use crate::show::counted;

/// The funnel of an oil; empty where no run on it was pooled.
pub(super) fn picture(input: &ReportInput<'_>, oil: &OilType) -> String {
    let runs: Vec<&RemovalResidual> = input
        .residuals
        .iter()
        .filter(|run| &run.oil_type == oil)
        .collect();
    let Some(widest) = drawn_to(&runs) else {
        return String::new();
    };
    let marks: Vec<FunnelMark> = runs
        .iter()
        .map(|run| FunnelMark {
            sd: run.expected_log_sd,
            off_by: run.off_by_log,
            hollow: run.is_wild,
        })
        .collect();
    let n_inside = marks.iter().filter(|mark| !mark.is_outside()).count();
    let n_wild = runs.iter().filter(|run| run.is_wild).count();
    let summary = format!(
        "Runs on {oil} against what the others foretell: {n_inside} of {} lie between the lines",
        runs.len()
    );
    let height = 1.15 * NINE_TENTHS * widest;
    let sd = Axis {
        title: "how closely it should lie (standard deviation of the logarithm), left: closest",
        summary: &summary,
        scale: Scale::Number,
        from: 0.0,
        to: 1.03 * widest,
    };
    let off_by = Axis {
        title: "",
        summary: "",
        scale: Scale::LogPercent,
        from: -height,
        to: height,
    };
    let wild = if n_wild > 0 {
        format!(
            " Hollow: {} taken for wild, with next to no say.",
            counted(n_wild, "run", "runs")
        )
    } else {
        String::new()
    };
    figure(
        &funnel(&marks, &sd, &off_by),
        &format!(
            "One mark is one run on this oil: its dried flow in per cent of what all other runs foretell of it. Nine of ten should lie between the lines; {n_inside} of {} do. Squares lie outside, triangles beyond the picture; runs that tell next to nothing stand at its right edge.{wild}",
            runs.len()
        ),
    )
}

/// Standard deviation to which the picture is drawn: a few runs that tell next to nothing must not press the others
/// into a corner. None without runs.
fn drawn_to(runs: &[&RemovalResidual]) -> Option<f64> {
    const DRAWN: f64 = 0.97;
    let mut sds: Vec<f64> = runs.iter().map(|run| run.expected_log_sd).collect();
    sds.sort_by(f64::total_cmp);
    let place = (DRAWN * (sds.len().saturating_sub(1)) as f64).ceil() as usize;
    sds.get(place).copied().filter(|sd| *sd > 0.0)
}
