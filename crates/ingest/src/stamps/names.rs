//! Names in the stamps of exports: months of the western European languages, long or short, and the
//! letters that stand for a clock's offset.

const MONTHS: [&[&str]; 12] = [
    &[
        "january", "jan", "januar", "janvier", "janv", "enero", "ene", "jänner", "januari",
        "janeiro", "gennaio", "gen",
    ],
    &[
        "february",
        "feb",
        "februar",
        "février",
        "fevrier",
        "févr",
        "fevr",
        "febrero",
        "februari",
        "fevereiro",
        "fev",
        "febbraio",
    ],
    &[
        "march", "mar", "märz", "mär", "maerz", "mrz", "mars", "marzo", "marts", "maart", "mrt",
        "março", "marco",
    ],
    &["april", "apr", "avril", "avr", "abril", "abr", "aprile"],
    &["may", "mai", "mayo", "maj", "mei", "maio", "maggio", "mag"],
    &[
        "june", "jun", "juni", "juin", "junio", "junho", "giugno", "giu",
    ],
    &[
        "july", "jul", "juli", "juillet", "juil", "julio", "julho", "luglio", "lug",
    ],
    &[
        "august", "aug", "août", "aout", "agosto", "ago", "augusti", "augustus",
    ],
    &[
        "september",
        "sep",
        "sept",
        "septembre",
        "septiembre",
        "setembro",
        "set",
        "settembre",
    ],
    &[
        "october", "oct", "oktober", "okt", "octobre", "octubre", "outubro", "out", "ottobre",
        "ott",
    ],
    &["november", "nov", "novembre", "noviembre", "novembro"],
    &[
        "december",
        "dec",
        "dezember",
        "dez",
        "décembre",
        "decembre",
        "déc",
        "diciembre",
        "dic",
        "desember",
        "des",
        "dezembro",
        "dicembre",
    ],
];

/// The month (1..12) of a name, case ignored; None for another word.
pub(super) fn parse_month(word: &str) -> Option<i8> {
    let folded = word.to_lowercase();
    let at = MONTHS
        .iter()
        .position(|names| names.contains(&folded.as_str()))?;
    i8::try_from(at + 1).ok()
}

/// Hours east of UTC. The letters are common practice, no source; where two parts of the world use the
/// same, those of North America and Europe are meant, and `IST`, which three use, is not told.
const ZONES: &[(&str, f64)] = &[
    ("UTC", 0.0),
    ("GMT", 0.0),
    ("Z", 0.0),
    ("NST", -3.5),
    ("NDT", -2.5),
    ("AST", -4.0),
    ("ADT", -3.0),
    ("EST", -5.0),
    ("EDT", -4.0),
    ("CST", -6.0),
    ("CDT", -5.0),
    ("MST", -7.0),
    ("MDT", -6.0),
    ("PST", -8.0),
    ("PDT", -7.0),
    ("AKST", -9.0),
    ("AKDT", -8.0),
    ("HST", -10.0),
    ("WET", 0.0),
    ("WEST", 1.0),
    ("BST", 1.0),
    ("CET", 1.0),
    ("CEST", 2.0),
    ("MEZ", 1.0),
    ("MESZ", 2.0),
    ("EET", 2.0),
    ("EEST", 3.0),
    ("SAST", 2.0),
    ("JST", 9.0),
    ("AWST", 8.0),
    ("ACST", 9.5),
    ("ACDT", 10.5),
    ("AEST", 10.0),
    ("AEDT", 11.0),
    ("NZST", 12.0),
    ("NZDT", 13.0),
];

/// Seconds east of UTC of a clock's letters; None for others.
pub(super) fn zone_offset_s(word: &str) -> Option<i64> {
    let (_, hours) = ZONES
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case(word))?;
    Some((hours * 3_600.0) as i64)
}
