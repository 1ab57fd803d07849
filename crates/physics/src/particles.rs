//! Particle counts as codes: ISO 4406 and SAE AS4059 (cumulative).

/// Upper ends of the ISO 4406 classes 0 to 28, particles per mL, each included (ISO 4406:2021 table 1).
///
/// A table, not powers of two: the steps 0.64 to 1.3 and 1.3 to 2.5 (and their thousandfolds) differ.
const ISO_4406_UPPER_PER_ML: [f64; 29] = [
    0.01,
    0.02,
    0.04,
    0.08,
    0.16,
    0.32,
    0.64,
    1.3,
    2.5,
    5.0,
    10.0,
    20.0,
    40.0,
    80.0,
    160.0,
    320.0,
    640.0,
    1300.0,
    2500.0,
    5000.0,
    10_000.0,
    20_000.0,
    40_000.0,
    80_000.0,
    160_000.0,
    320_000.0,
    640_000.0,
    1_300_000.0,
    2_500_000.0,
];

/// The code above the table, as `iso4406_*` columns hold it.
pub const OVER_28: i64 = 29;

/// ISO 4406 code of a count per mL; [`OVER_28`] above the table, None for a negative or missing count.
#[must_use]
pub fn iso4406_code(per_ml: f64) -> Option<i64> {
    if per_ml.is_nan() || per_ml < 0.0 {
        return None;
    }
    // a count such as 1300 may have come through a division: allow its rounding
    let idx = ISO_4406_UPPER_PER_ML.partition_point(|upper| upper * (1.0 + 1e-12) < per_ml);
    i64::try_from(idx).ok()
}

/// Upper end of a code's class, particles per mL; None above 28 or below 0.
#[must_use]
pub fn iso4406_upper_per_ml(code: i64) -> Option<f64> {
    usize::try_from(code)
        .ok()
        .and_then(|idx| ISO_4406_UPPER_PER_ML.get(idx))
        .copied()
}

/// A code as printed: `17`, `≥7` where fewer than 20 particles were counted, `>28` above the table.
#[must_use]
pub fn render_iso4406(code: i64, raw_count: Option<f64>) -> String {
    let few = raw_count.is_some_and(|count| count < 20.0);
    match (code > 28, few) {
        (true, _) => ">28".to_owned(),
        (false, true) => format!("≥{code}"),
        (false, false) => code.to_string(),
    }
}

/// The three codes of counts per mL at 4, 6 and 14 µm(c), such as `19/17/14`; None for a bad count.
#[must_use]
pub fn render_iso4406_counts(per_ml: [f64; 3]) -> Option<String> {
    let codes: Option<Vec<String>> = per_ml
        .iter()
        .map(|count| Some(render_iso4406(iso4406_code(*count)?, None)))
        .collect();
    codes.map(|codes| codes.join("/"))
}

/// The three codes of a text such as `18/16/13`; two numbers are those at 6 and 14 µm.
///
/// `-` or `*` stands for none; `>28` reads as [`OVER_28`]; None where the text is no such code.
#[must_use]
pub fn parse_iso4406(text: &str) -> Option<[Option<i64>; 3]> {
    let cleaned = text.trim().trim_start_matches("ISO").trim();
    let parts: Vec<&str> = cleaned.split('/').map(str::trim).collect();
    let parse = |part: &str| -> Option<Option<i64>> {
        match part {
            "-" | "–" | "*" => Some(None),
            ">28" => Some(Some(OVER_28)),
            _ => {
                let number = part.trim_start_matches('≥').parse::<i64>().ok()?;
                (0..=OVER_28).contains(&number).then_some(Some(number))
            }
        }
    };
    match parts.as_slice() {
        [four, six, fourteen] => Some([parse(four)?, parse(six)?, parse(fourteen)?]),
        [six, fourteen] => Some([None, parse(six)?, parse(fourteen)?]),
        _ => None,
    }
}

/// SAE AS4059 size letters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum As4059Size {
    /// Above 4 µm(c).
    A,
    /// Above 6 µm(c).
    B,
    /// Above 14 µm(c).
    C,
    /// Above 21 µm(c).
    D,
    /// Above 38 µm(c).
    E,
    /// Above 70 µm(c).
    F,
}

/// Most particles per 100 mL of classes 000, 00, 0, 1 … 12, sizes A to F (SAE AS4059 table 2).
const AS4059: [[f64; 6]; 15] = [
    [195.0, 76.0, 14.0, 3.0, 1.0, 0.0],
    [390.0, 152.0, 27.0, 5.0, 1.0, 0.0],
    [780.0, 304.0, 54.0, 10.0, 2.0, 0.0],
    [1_560.0, 609.0, 109.0, 20.0, 4.0, 1.0],
    [3_120.0, 1_220.0, 217.0, 39.0, 7.0, 1.0],
    [6_250.0, 2_430.0, 432.0, 76.0, 13.0, 2.0],
    [12_500.0, 4_860.0, 864.0, 152.0, 26.0, 4.0],
    [25_000.0, 9_730.0, 1_730.0, 306.0, 53.0, 8.0],
    [50_000.0, 19_500.0, 3_460.0, 612.0, 106.0, 16.0],
    [100_000.0, 38_900.0, 6_920.0, 1_220.0, 212.0, 32.0],
    [200_000.0, 77_900.0, 13_900.0, 2_450.0, 424.0, 64.0],
    [400_000.0, 156_000.0, 27_700.0, 4_900.0, 848.0, 128.0],
    [800_000.0, 311_000.0, 55_400.0, 9_800.0, 1_700.0, 256.0],
    [1_600_000.0, 623_000.0, 111_000.0, 19_600.0, 3_390.0, 512.0],
    [
        3_200_000.0,
        1_250_000.0,
        222_000.0,
        39_200.0,
        6_780.0,
        1_020.0,
    ],
];

/// AS4059 class of a cumulative count per 100 mL: −2 is class 000, −1 is 00; None above class 12.
#[must_use]
pub fn as4059_class(per_100_ml: f64, size: As4059Size) -> Option<i32> {
    let column = size as usize;
    let fits = |row: &[f64; 6]| row.get(column).is_some_and(|limit| per_100_ml <= *limit);
    let idx = AS4059.iter().position(fits)?;
    i32::try_from(idx).ok().map(|idx| idx - 2)
}

/// Share of particles a filter of ratio β holds back, 0..1: (β − 1)/β (ISO 16889).
#[must_use]
pub fn beta_efficiency(beta: f64) -> f64 {
    (beta - 1.0) / beta
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_upper_end_belongs_to_its_own_code() {
        for (code, upper) in (0..29).zip(ISO_4406_UPPER_PER_ML) {
            assert_eq!(iso4406_code(upper), Some(code));
            assert_eq!(iso4406_code(upper * 1.0001), Some(code + 1));
            assert_eq!(iso4406_upper_per_ml(code), Some(upper));
        }
        assert_eq!(iso4406_code(f64::NAN), None);
        assert_eq!(iso4406_upper_per_ml(29), None);
    }

    #[test]
    fn codes_are_read_as_they_are_written() {
        assert_eq!(
            parse_iso4406("18/16/13"),
            Some([Some(18), Some(16), Some(13)])
        );
        assert_eq!(
            parse_iso4406("ISO >28/26/≥7"),
            Some([Some(29), Some(26), Some(7)])
        );
        assert_eq!(parse_iso4406("-/17/14"), Some([None, Some(17), Some(14)]));
        assert_eq!(parse_iso4406("17/14"), Some([None, Some(17), Some(14)]));
        assert_eq!(parse_iso4406("6B"), None);
        assert_eq!(parse_iso4406("99/1/1"), None);
    }
}
