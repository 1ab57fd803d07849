//! Ranks, and how far they may be wrong: the posterior's draws, ranked again and again.

use drydown_quantity::ReservoirId;

use crate::spread::Spread;

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
pub(crate) fn to_ranks(standings: &[Standing], spread: &impl Spread) -> Vec<Rank> {
    let ties = tie_order(standings);
    let ranks = sorted(standings, &ties, |row| row.risk);
    let n_draws = standings
        .iter()
        .map(|row| row.draws.len())
        .min()
        .unwrap_or(0);
    let drawn: Vec<Vec<u32>> = spread.map(n_draws, |draw| {
        let of = |row: &Standing| row.draws.get(draw).copied().unwrap_or(row.risk);
        sorted(standings, &ties, of)
    });
    spread.map(standings.len(), |idx| {
        let rank = ranks.get(idx).copied().unwrap_or(0);
        let mut list: Vec<u32> = drawn
            .iter()
            .filter_map(|ranks| ranks.get(idx).copied())
            .collect();
        let last = list.len().max(1) - 1;
        let mut at = |p: f64| {
            let place = (p * last as f64).round() as usize;
            if place >= list.len() {
                return rank;
            }
            *list.select_nth_unstable(place).1
        };
        Rank {
            rank: i64::from(rank),
            lower: i64::from(at(0.05).min(rank)),
            upper: i64::from(at(0.95).max(rank)),
        }
    })
}

/// Place of each row among equals: by excess, highest first, then id.
fn tie_order(standings: &[Standing]) -> Vec<u32> {
    let mut order: Vec<(usize, &Standing)> = standings.iter().enumerate().collect();
    order.sort_by(|(_, a), (_, b)| b.excess.total_cmp(&a.excess).then_with(|| a.id.cmp(&b.id)));
    to_places(order.into_iter().map(|(idx, _)| idx), standings.len())
}

/// Rank of each row when sorted by a value, highest first; ties as ordered.
fn sorted(standings: &[Standing], ties: &[u32], of: impl Fn(&Standing) -> f64) -> Vec<u32> {
    let mut order: Vec<(f64, u32, usize)> = standings
        .iter()
        .zip(ties)
        .enumerate()
        .map(|(idx, (row, tie))| (of(row), *tie, idx))
        .collect();
    order.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    to_places(order.into_iter().map(|(_, _, idx)| idx), standings.len())
}

/// The place of each index in an order, from 1.
fn to_places(order: impl Iterator<Item = usize>, n: usize) -> Vec<u32> {
    let mut places = vec![0; n];
    for (place, idx) in (1_u32..).zip(order) {
        if let Some(slot) = places.get_mut(idx) {
            *slot = place;
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spread::InTurn;

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
        let ranks: Vec<i64> = to_ranks(&rows, &InTurn)
            .iter()
            .map(|rank| rank.rank)
            .collect();
        assert_eq!(ranks, [4, 3, 2, 1]);
    }

    #[test]
    fn draws_that_disagree_widen_the_interval() {
        let rows = [
            standing("A", 0.5, 0.0, &[0.1, 0.9, 0.1, 0.9]),
            standing("B", 0.4, 0.0, &[0.5, 0.5, 0.5, 0.5]),
        ];
        let rank = to_ranks(&rows, &InTurn)[0];
        assert_eq!((rank.rank, rank.lower, rank.upper), (1, 1, 2));
    }
}
