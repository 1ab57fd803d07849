//! Days on which samples are due, laid out so that they are visits: a site at a time, not a fleet at once.

/// A sample that is due.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Due {
    pub(crate) site: usize,
    /// Days from as_of; nothing may be later.
    pub(crate) days: f64,
    /// How much the sample would tell: variance of what is said of the limits.
    pub(crate) worth: f64,
}

/// Samples due by the same day as this, or sooner, are urgent, days.
pub(crate) const SOON_DAYS: f64 = 7.0;
/// A sample is drawn on a visit this much before its day rather than on one of its own, days.
const JOINS_DAYS: f64 = 10.0;

/// A day for each sample, never later than it is due, whole days from 1 on.
///
/// What is urgent is spread over the week, the sites at which most is to be learned first. What is due at
/// the horizon only is spread over its second half, site after site. What lies between keeps its day, or
/// joins a visit to its site shortly before.
pub(crate) fn spread(due: &[Due], n_sites: usize, horizon_days: f64) -> Vec<f64> {
    let urgent = |row: &Due| row.days <= SOON_DAYS;
    let mut worth = vec![0.0; n_sites];
    for row in due.iter().filter(|row| urgent(row)) {
        if let Some(worth) = worth.get_mut(row.site) {
            *worth += row.worth.max(1e-9);
        }
    }
    let mut order: Vec<usize> = (0..n_sites)
        .filter(|site| of(&worth, *site) > 0.0)
        .collect();
    order.sort_by(|a, b| of(&worth, *b).total_cmp(&of(&worth, *a)).then(a.cmp(b)));
    let soon = SOON_DAYS.min(horizon_days).max(1.0);
    let n = order.len().max(1) as f64;
    let mut visit = vec![f64::INFINITY; n_sites];
    for (place, site) in order.into_iter().enumerate() {
        if let Some(visit) = visit.get_mut(site) {
            *visit = (soon * (place as f64 + 1.0) / n).ceil().clamp(1.0, soon);
        }
    }
    due.iter()
        .map(|row| {
            let first = of(&visit, row.site);
            let days = if urgent(row) {
                first.min(row.days)
            } else if row.days >= horizon_days {
                let share = (row.site as f64 + 1.0) / n_sites.max(1) as f64;
                (0.5 * horizon_days * (1.0 + share) + 1e-9).floor()
            } else if row.days - first <= JOINS_DAYS {
                first
            } else {
                row.days
            };
            days.floor().max(1.0).min(row.days.max(1.0))
        })
        .collect()
}

fn of(values: &[f64], site: usize) -> f64 {
    values.get(site).copied().unwrap_or(f64::INFINITY)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn due(site: usize, days: f64, worth: f64) -> Due {
        Due { site, days, worth }
    }

    #[test]
    fn urgent_samples_are_a_visit_a_site_and_none_is_late() {
        let rows: Vec<Due> = (0..40)
            .map(|k| due(k % 5, 7.0, 0.1 * (k % 5) as f64))
            .collect();
        let days = spread(&rows, 5, 60.0);
        let mut seen: Vec<f64> = days.clone();
        seen.sort_by(f64::total_cmp);
        seen.dedup();
        assert_eq!(seen, [2.0, 3.0, 5.0, 6.0, 7.0]);
        // where most is to be learned comes first; one site has one day
        assert_eq!((days[4], days[9], days[0]), (2.0, 2.0, 7.0));
    }

    #[test]
    fn what_is_not_urgent_joins_a_visit_or_keeps_its_day() {
        let rows = [
            due(0, 7.0, 0.2),
            due(0, 12.0, 0.1),
            due(0, 30.0, 0.1),
            due(1, 30.0, 0.1),
        ];
        assert_eq!(spread(&rows, 2, 60.0), [7.0, 7.0, 30.0, 30.0]);
        let calm: Vec<Due> = (0..6).map(|site| due(site, 60.0, 0.0)).collect();
        assert_eq!(spread(&calm, 6, 60.0), [35.0, 40.0, 45.0, 50.0, 55.0, 60.0]);
        for (row, day) in rows.iter().zip(spread(&rows, 2, 60.0)) {
            assert!(day <= row.days);
        }
        assert_eq!(spread(&[due(0, 7.0, 0.0)], 1, 3.0), [3.0]);
    }
}
