//! Times that may be censored: who is still there, and what each outcome that was seen stands for.

use crate::StatsError;
use crate::error::check_length;

/// How a time ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeEnd {
    /// What is counted happened, or did not within the whole time that was asked of.
    Known,
    /// Lost from sight: no one knows what came after.
    Lost,
}

/// Share not yet ended just before and just after each distinct time, by the product limit (Kaplan & Meier, Journal of
/// the American Statistical Association 53, 1958).
///
/// `ended` says which times count as ends; of the others it is only known that they reached so far. Where an end and a
/// loss fall on one time, the end came first. Rows of time, share before, share after, times ascending.
///
/// # Errors
/// Slices of different length, or a time that is no number.
pub fn product_limit(times: &[f64], ended: &[bool]) -> Result<Vec<(f64, f64, f64)>, StatsError> {
    limit(times, ended, Ties::EndsFirst)
}

/// On equal times: who leaves first.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Ties {
    EndsFirst,
    EndsLast,
}

fn limit(times: &[f64], ended: &[bool], ties: Ties) -> Result<Vec<(f64, f64, f64)>, StatsError> {
    check_length("ended", times.len(), ended.len())?;
    if let Some(value) = times.iter().find(|time| time.is_nan()) {
        return Err(StatsError::OutOfRange {
            what: "a time",
            value: *value,
        });
    }
    let mut rows: Vec<(f64, bool)> = times.iter().copied().zip(ended.iter().copied()).collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out = Vec::new();
    let (mut share, mut n_left) = (1.0, rows.len());
    for tie in rows.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq()) {
        let n_ended = tie.iter().filter(|(_, ended)| *ended).count();
        let n_at_risk = match ties {
            Ties::EndsFirst => n_left,
            Ties::EndsLast => n_left - (tie.len() - n_ended),
        };
        let before = share;
        if n_ended > 0 {
            share *= 1.0 - n_ended as f64 / n_at_risk as f64;
        }
        out.push((tie.first().map_or(0.0, |row| row.0), before, share));
        n_left -= tie.len();
    }
    Ok(out)
}

/// How many cases each stands for: a known outcome for one over the chance of not being lost before its time, a lost one
/// for none (inverse probability of censoring; Graf, Schmoor, Sauerbrei & Schumacher, Statistics in Medicine 18, 1999).
///
/// Chances below `least_share` count as that much, so that no single case stands for very many.
///
/// # Errors
/// As [`product_limit`].
pub fn known_weights(
    times: &[f64],
    ends: &[TimeEnd],
    least_share: f64,
) -> Result<Vec<f64>, StatsError> {
    let lost: Vec<bool> = ends.iter().map(|end| *end == TimeEnd::Lost).collect();
    let still_seen = limit(times, &lost, Ties::EndsLast)?;
    let before = |time: f64| {
        let at = still_seen.partition_point(|row| row.0 < time);
        still_seen.get(at).map_or(1.0, |row| row.1)
    };
    Ok(times
        .iter()
        .zip(&lost)
        .map(|(time, lost)| {
            if *lost {
                0.0
            } else {
                1.0 / before(*time).max(least_share)
            }
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    /// Remission under 6-mercaptopurine, weeks (Freireich et al., Blood 21, 1963; the estimate as in Cox & Oakes,
    /// Analysis of Survival Data, 1984, both from memory).
    #[test]
    fn remission_times_give_the_published_shares() {
        let ended = [6, 6, 6, 7, 10, 13, 16, 22, 23];
        let lost = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35];
        let times: Vec<f64> = ended
            .iter()
            .chain(&lost)
            .map(|week| f64::from(*week))
            .collect();
        let is_ended: Vec<bool> = (0..21).map(|idx| idx < ended.len()).collect();
        let rows = product_limit(&times, &is_ended).unwrap();
        for (week, share) in [
            (6.0, 0.857),
            (7.0, 0.807),
            (10.0, 0.753),
            (13.0, 0.690),
            (16.0, 0.627),
            (22.0, 0.538),
            (23.0, 0.448),
        ] {
            let found = rows
                .iter()
                .find(|row| (row.0 - week).abs() < 1e-9)
                .unwrap()
                .2;
            assert!((found - share).abs() < 5e-4, "week {week}: {found}");
        }
    }

    #[test]
    fn those_who_stay_stand_for_those_who_were_lost() {
        // Four of eight are lost half way; the two known at the end stand for six.
        let times = [1.0, 1.0, 5.0, 5.0, 5.0, 5.0, 10.0, 10.0];
        let ends = [
            TimeEnd::Known,
            TimeEnd::Known,
            TimeEnd::Lost,
            TimeEnd::Lost,
            TimeEnd::Lost,
            TimeEnd::Lost,
            TimeEnd::Known,
            TimeEnd::Known,
        ];
        let weights = known_weights(&times, &ends, 0.01).unwrap();
        let wanted = [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 3.0, 3.0];
        assert!(
            weights
                .iter()
                .zip(wanted)
                .all(|(found, wanted)| (found - wanted).abs() < 1e-12)
        );
        assert!((weights.iter().sum::<f64>() - 8.0).abs() < 1e-12);
    }

    #[test]
    fn what_ends_when_others_are_lost_came_first() {
        let weights = known_weights(&[5.0, 5.0], &[TimeEnd::Known, TimeEnd::Lost], 0.01).unwrap();
        assert!(weights[0] > 0.99 && weights[1].abs() < 1e-12, "{weights:?}");
    }

    /// Without losses every case stands for itself; with them the known never stand for more than all.
    #[test]
    fn weights_share_out_the_cases() {
        let mut rng = rng::seeded(9, "weights");
        for n in 1..80 {
            let times: Vec<f64> = (0..n).map(|_| rng::index(&mut rng, 20) as f64).collect();
            let ends: Vec<TimeEnd> = (0..n)
                .map(|_| match rng::index(&mut rng, 2) {
                    0 => TimeEnd::Lost,
                    _ => TimeEnd::Known,
                })
                .collect();
            let total: f64 = known_weights(&times, &ends, 1e-9).unwrap().iter().sum();
            assert!(total <= n as f64 + 1e-6, "{total} of {n}");
            let known = known_weights(&times, &vec![TimeEnd::Known; n], 0.1).unwrap();
            assert!(known.iter().all(|weight| (weight - 1.0).abs() < 1e-12));
        }
    }
}
