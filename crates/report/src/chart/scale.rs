//! Where the marks of an axis stand and what is written at them.

/// How the values of an axis are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scale {
    /// As they are.
    Number,
    /// Natural logarithms of a fraction, as per cent: equal steps are equal ratios.
    LogPercent,
}

/// The axis of the values.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Axis<'a> {
    /// What stands below it.
    pub(crate) title: &'a str,
    /// What a screen reader says in place of the chart.
    pub(crate) summary: &'a str,
    pub(crate) scale: Scale,
    pub(crate) from: f64,
    pub(crate) to: f64,
}

/// Per cents of a logarithmic axis, the most welcome first.
const PER_CENTS: [u32; 22] = [
    100, 50, 200, 20, 10, 75, 150, 5, 300, 500, 90, 60, 120, 40, 30, 80, 70, 110, 2, 1, 95, 105,
];

/// Smallest distance between two ticks of a logarithmic axis, as a share of the axis.
const APART: f64 = 0.11;

impl Scale {
    /// Places between `from` and `to` with what is written there.
    pub(super) fn ticks(self, from: f64, to: f64) -> Vec<(f64, String)> {
        match self {
            Self::Number => round(from, to)
                .into_iter()
                .map(|tick| (tick, tick_text(tick)))
                .collect(),
            Self::LogPercent => log_percent(from, to),
        }
    }
}

fn log_percent(from: f64, to: f64) -> Vec<(f64, String)> {
    let apart = (to - from) * APART;
    let mut chosen: Vec<(f64, u32)> = Vec::new();
    for percent in PER_CENTS.into_iter().chain(85..=115) {
        let place = (f64::from(percent) / 100.0).ln();
        let is_free = chosen
            .iter()
            .all(|(other, _)| (other - place).abs() >= apart);
        if (from..=to).contains(&place) && is_free {
            chosen.push((place, percent));
        }
    }
    chosen.sort_by(|a, b| a.0.total_cmp(&b.0));
    if chosen.is_empty() {
        let middle = f64::midpoint(from, to);
        return vec![(middle, format!("{:.1} %", middle.exp() * 100.0))];
    }
    chosen
        .into_iter()
        .map(|(place, percent)| (place, format!("{percent} %")))
        .collect()
}

/// Round numbers that cover a range, four to eight of them.
fn round(from: f64, to: f64) -> Vec<f64> {
    let span = to - from;
    if !(span.is_finite() && span > 0.0) {
        return vec![from];
    }
    let raw = span / 5.0;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .iter()
        .map(|m| m * power)
        .find(|step| *step >= raw)
        .unwrap_or(raw);
    let first = (from / step).ceil();
    (0..12)
        .map(|n| (first + f64::from(n)) * step)
        .take_while(|tick| *tick <= to + step * 1e-6)
        .collect()
}

fn tick_text(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.replace('-', "−")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_range() {
        for (scale, from, to, expected) in [
            (Scale::Number, 0.0, 1.0, "0|0.2|0.4|0.6|0.8|1"),
            (Scale::Number, -2.0, 3.0, "−2|−1|0|1|2|3"),
            (Scale::Number, 3.0, 3.0, "3"),
            (Scale::LogPercent, -1.5, 0.2, "30 %|40 %|50 %|75 %|100 %"),
            (
                Scale::LogPercent,
                -0.05,
                0.05,
                "96 %|98 %|100 %|102 %|105 %",
            ),
            (Scale::LogPercent, -9.0, -8.0, "0.0 %"),
        ] {
            let ticks = scale.ticks(from, to);
            let text: Vec<&str> = ticks.iter().map(|(_, text)| text.as_str()).collect();
            assert_eq!(text.join("|"), expected);
            assert!(
                ticks
                    .iter()
                    .all(|(at, _)| *at >= from - 1e-9 && *at <= to + 1e-9)
            );
        }
    }
}
