//! The nearest known name to a misspelt one, for hints.

/// The candidate nearest to `name`, None where none is near (more than a third of its letters differ).
///
/// Distance counts insertions, deletions, substitutions and swaps of neighbours, case apart.
/// Of two equally near, the first wins.
pub fn nearest<'a>(name: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = name.to_lowercase();
    let allowed = (wanted.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| (distance(&wanted, candidate), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

fn distance(wanted: &str, candidate: &str) -> usize {
    strsim::damerau_levenshtein(wanted, &candidate.to_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_keys_finds_its_column() {
        let known = ["oil_flow_lpm", "oil_inlet_degc", "oil_outlet_degc"];
        assert_eq!(nearest("oil_folw_lpm", known), Some("oil_flow_lpm"));
        assert_eq!(nearest("Oil_Inlet_degC", known), Some("oil_inlet_degc"));
        assert_eq!(nearest("breakdown", known), None);
        assert_eq!(nearest("", known), None);
    }
}
