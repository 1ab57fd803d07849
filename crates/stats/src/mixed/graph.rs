//! Which levels of two factors are linked through common observations.

/// Part of the graph that each observation belongs to, numbered from 0 in order of appearance.
///
/// Two observations are in one part when a chain of shared levels joins them. Effects of the two
/// factors are comparable within a part only: between parts the data cannot tell one from the other.
#[must_use]
pub fn connected_components(first: &[usize], second: &[usize]) -> Vec<usize> {
    let n = first.len().min(second.len());
    let mut parent: Vec<usize> = (0..n).collect();
    let mut last_of_first = std::collections::BTreeMap::new();
    let mut last_of_second = std::collections::BTreeMap::new();
    for i in 0..n {
        if let Some(j) = last_of_first.insert(first[i], i) {
            join(&mut parent, i, j);
        }
        if let Some(j) = last_of_second.insert(second[i], i) {
            join(&mut parent, i, j);
        }
    }
    let mut number = std::collections::BTreeMap::new();
    (0..n)
        .map(|i| {
            let root = root(&mut parent, i);
            let next = number.len();
            *number.entry(root).or_insert(next)
        })
        .collect()
}

fn root(parent: &mut [usize], mut i: usize) -> usize {
    while parent[i] != i {
        parent[i] = parent[parent[i]];
        i = parent[i];
    }
    i
}

fn join(parent: &mut [usize], a: usize, b: usize) {
    let (a, b) = (root(parent, a), root(parent, b));
    parent[a.max(b)] = a.min(b);
}

#[cfg(test)]
mod tests {
    use super::connected_components;

    #[test]
    fn chains_join_and_islands_do_not() {
        // Levels (0,0) (1,0) (1,1) form a chain; (2,2) is an island.
        assert_eq!(
            connected_components(&[0, 1, 1, 2], &[0, 0, 1, 2]),
            vec![0, 0, 0, 1]
        );
        assert_eq!(connected_components(&[0, 1], &[0, 1]), vec![0, 1]);
        assert!(connected_components(&[], &[]).is_empty());
    }
}
