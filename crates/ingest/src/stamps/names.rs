//! Month names in exports: English, German, French and Spanish, long or short.

const MONTHS: [&[&str]; 12] = [
    &[
        "january", "jan", "januar", "janvier", "janv", "enero", "ene", "jänner",
    ],
    &[
        "february", "feb", "februar", "février", "fevrier", "févr", "fevr", "febrero",
    ],
    &[
        "march", "mar", "märz", "mär", "maerz", "mrz", "mars", "marzo",
    ],
    &["april", "apr", "avril", "avr", "abril", "abr"],
    &["may", "mai", "mayo"],
    &["june", "jun", "juni", "juin", "junio"],
    &["july", "jul", "juli", "juillet", "juil", "julio"],
    &["august", "aug", "août", "aout", "agosto", "ago"],
    &["september", "sep", "sept", "septembre", "septiembre"],
    &["october", "oct", "oktober", "okt", "octobre", "octubre"],
    &["november", "nov", "novembre", "noviembre"],
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
