//! Several machines in one wide file: each name of a quantity stands there once for each of them,
//! behind the machine's own (`VD-1 Vacuum`, `VD-2 Vacuum`).

use std::collections::{BTreeMap, BTreeSet};

use super::words::meanings;

/// The machines of a header, in its order.
#[derive(Debug)]
pub(super) struct Machines {
    pub(super) names: Vec<String>,
    /// A place per column; None for a column of all of them.
    of_column: Vec<Option<usize>>,
}

impl Machines {
    /// None where the header does not name several.
    pub(super) fn of(header: &[String]) -> Option<Self> {
        let split: Vec<Option<(&str, &str)>> = header.iter().map(|text| split_name(text)).collect();
        let mut quantities: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
        for (name, quantity) in split.iter().flatten() {
            quantities
                .entry(name)
                .or_default()
                .insert(quantity.to_lowercase());
        }
        let mut names: Vec<String> = Vec::new();
        for (name, _) in split.iter().flatten() {
            if !names.iter().any(|known| known == name) {
                names.push((*name).to_owned());
            }
        }
        let first = quantities.values().next()?;
        // `Temp1 in` and `Temp2 in` are two places of one machine: it takes a set of quantities, and
        // the same for each.
        if names.len() < 2 || first.len() < 2 || !quantities.values().all(|other| other == first) {
            return None;
        }
        let of_column = split
            .iter()
            .map(|found| {
                let (name, _) = (*found)?;
                names.iter().position(|known| known == name)
            })
            .collect();
        Some(Self { names, of_column })
    }

    /// Whether a column is another machine's than the first.
    pub(super) fn is_of_another(&self, column: usize) -> bool {
        matches!(self.of_column.get(column), Some(Some(place)) if *place > 0)
    }
}

/// `VD-1 Vacuum (inHg)` to `VD-1` and the rest: letters and a number that are no quantity's name.
fn split_name(text: &str) -> Option<(&str, &str)> {
    let at = text.find([' ', '_', '.', ':', '/', '|'])?;
    let (name, rest) = text.split_at_checked(at)?;
    let rest = rest.trim_start_matches([' ', '_', '.', ':', '/', '|', '-']);
    let letters = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let bare = letters.trim_end_matches('-');
    let is_name = letters.len() < name.len()
        && !bare.is_empty()
        && bare.chars().all(|c| c.is_alphabetic())
        && meanings(&bare.to_lowercase()).is_empty();
    (is_name && !rest.is_empty()).then_some((name, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn machines_of_a_header() {
        let cases: &[(&[&str], &[&str])] = &[
            (
                &["Time", "U-1 Vac", "U-1 Flow", "U-2 Flow", "U-2 vac"],
                &["U-1", "U-2"],
            ),
            (
                &["Time", "VD01.P", "VD01.T", "VD02.P", "VD02.T"],
                &["VD01", "VD02"],
            ),
            (&["Time", "U-1 Vac", "U-1 Flow"], &[]),
            (&["Time", "U-1 Vac", "U-2 Vac"], &[]),
            (&["Time", "U-1 Vac", "U-1 Flow", "U-2 Vac"], &[]),
            (
                &["Time", "Temp1 in", "Temp1 out", "Temp2 in", "Temp2 out"],
                &[],
            ),
        ];
        for (header, expected) in cases {
            let header: Vec<String> = header.iter().map(|text| (*text).to_owned()).collect();
            let found = Machines::of(&header).map_or_else(Vec::new, |found| found.names);
            assert_eq!(&found, expected, "{header:?}");
        }
    }
}
