//! Ranks, and how far they may be wrong: the posterior's draws, ranked again and again.

use drydown_quantity::ReservoirId;

/// What ranks a reservoir: risk, then excess, then name.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Standing {
    pub(crate) risk: f64,
    pub(crate) excess: f64,
    pub(crate) id: ReservoirId,
    /// Risk given each draw of the state.
    pub(crate) draws: Vec<f64>,
}

/// Rank and the ends of its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Rank {
    pub(crate) rank: i64,
    pub(crate) lower: i64,
    pub(crate) upper: i64,
}

/// The rank of each standing, 1 for the highest risk, without gaps.
pub(crate) fn to_ranks(standings: &[Standing]) -> Vec<Rank> {
    let order = sorted(standings, |row| row.risk);
    let n_draws = standings
        .iter()
        .map(|row| row.draws.len())
        .min()
        .unwrap_or(0);
    let mut drawn: Vec<Vec<i64>> = vec![Vec::with_capacity(n_draws); standings.len()];
    for draw in 0..n_draws {
        let of = |row: &Standing| row.draws.get(draw).copied().unwrap_or(row.risk);
        for (idx, rank) in sorted(standings, of).into_iter().enumerate() {
            if let Some(list) = drawn.get_mut(idx) {
                list.push(rank);
            }
        }
    }
    order
        .into_iter()
        .zip(drawn)
        .map(|(rank, mut list)| {
            list.sort_unstable();
            let at = |p: f64| {
                let idx = (p * (list.len().max(1) - 1) as f64).round() as usize;
                list.get(idx).copied().unwrap_or(rank)
            };
            Rank {
                rank,
                lower: at(0.05).min(rank),
                upper: at(0.95).max(rank),
            }
        })
        .collect()
}

/// Rank of each row when sorted by a value, highest first; ties by excess, then id.
fn sorted(standings: &[Standing], of: impl Fn(&Standing) -> f64) -> Vec<i64> {
    let mut order: Vec<(usize, &Standing, f64)> = standings
        .iter()
        .enumerate()
        .map(|(idx, row)| (idx, row, of(row)))
        .collect();
    order.sort_by(|a, b| {
        b.2.total_cmp(&a.2)
            .then_with(|| b.1.excess.total_cmp(&a.1.excess))
            .then_with(|| a.1.id.cmp(&b.1.id))
    });
    let mut ranks = vec![0; standings.len()];
    for (rank, (idx, _, _)) in (1_i64..).zip(&order) {
        if let Some(slot) = ranks.get_mut(*idx) {
            *slot = rank;
        }
    }
    ranks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standing(id: &str, risk: f64, excess: f64, draws: &[f64]) -> Standing {
        Standing {
            risk,
            excess,
            id: ReservoirId::from(id),
            draws: draws.to_vec(),
        }
    }

    #[test]
    fn ranks_have_no_gaps_and_ties_go_by_excess_then_name() {
        let rows = [
            standing("B", 0.5, 1.0, &[0.5]),
            standing("A", 0.5, 1.0, &[0.5]),
            standing("C", 0.5, 2.0, &[0.5]),
            standing("D", 0.9, 0.0, &[0.9]),
        ];
        let ranks: Vec<i64> = to_ranks(&rows).iter().map(|rank| rank.rank).collect();
        assert_eq!(ranks, [4, 3, 2, 1]);
    }

    #[test]
    fn draws_that_disagree_widen_the_interval() {
        let rows = [
            standing("A", 0.5, 0.0, &[0.1, 0.9, 0.1, 0.9]),
            standing("B", 0.4, 0.0, &[0.5, 0.5, 0.5, 0.5]),
        ];
        let rank = to_ranks(&rows)[0];
        assert_eq!((rank.rank, rank.lower, rank.upper), (1, 1, 2));
    }
}
