//! How warm a reservoir's oil is in service, and how well that is known.

use drydown_stats::robust;

use crate::history::ReservoirHistory;

/// Temperature of the oil in service.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Service {
    pub(crate) degc: f64,
    /// Standard deviation beyond what season and place of drawing move it by, which the spread of a
    /// register's saturation holds, K.
    pub(crate) beyond_k: f64,
}

/// Where nothing tells, °C, and how far service may be from it or from the middle of the register's
/// ends, K; common practice, no source.
const USUAL_DEGC: f64 = 45.0;
const REGISTER_SD_K: f64 = 10.0;
/// One reading as one of service, K: a sample may be drawn at rest or read in the laboratory, the pipe
/// before a unit has cooled or still holds the oil of its last run (common practice, no source). It counts as
/// much as two readings against the spread of a reservoir's own.
const READING_SD_K: f64 = 8.0;
const READING_SD_COUNTS: f64 = 2.0;
/// Oil in a unit hardly warmer than the air, K: it stood in the pipe and is no oil in service.
const STOOD_K: f64 = 8.0;

/// The median of all readings, of samples and of the starts of runs alike, weighed against the middle
/// between the register's ends: a few cold bottles do not outvote the starts, nor a hot restart the rest.
pub(crate) fn to_service(history: &ReservoirHistory<'_>) -> Service {
    let sampled = history
        .samples
        .iter()
        .filter(|sample| sample.informs_reservoir())
        .filter_map(|sample| sample.sample_degc);
    let started = history.run_ends.iter().filter_map(|run| {
        let degc = run.start_degc?;
        let stood = run.start_air_degc.is_some_and(|air| degc < air + STOOD_K);
        (!stood).then_some(degc)
    });
    let seen: Vec<f64> = sampled.chain(started).collect();
    let ends = history
        .reservoir
        .coldest_oil_degc
        .zip(history.reservoir.max_oil_degc);
    let usual = ends.map_or(USUAL_DEGC, |(cold, hot)| 0.5 * (cold + hot));
    let Some(middle) = robust::median(&seen) else {
        return Service {
            degc: usual,
            beyond_k: REGISTER_SD_K,
        };
    };
    let n = seen.len() as f64;
    let own_var = robust::mad(&seen).unwrap_or(0.0).powi(2);
    let var = (n * own_var + READING_SD_COUNTS * READING_SD_K.powi(2)) / (n + READING_SD_COUNTS);
    let (own, register) = (n / var, 1.0 / (REGISTER_SD_K * REGISTER_SD_K));
    Service {
        degc: (own * middle + register * usual) / (own + register),
        beyond_k: (own + register).sqrt().recip(),
    }
}

#[cfg(test)]
mod tests {
    use drydown_runs::history::Registers;

    use super::*;
    use crate::history::{StartOil, histories};
    use crate::world::{plain_reservoir, run, sample};

    /// Service of a reservoir with these temperatures of samples, and of oil and air at starts.
    fn service(samples: &[f64], starts: &[(f64, f64)]) -> Service {
        let reservoir = plain_reservoir("R-1");
        let id = reservoir.reservoir_id.clone();
        let day = |n: usize| {
            let start: drydown_quantity::Stamp = "2026-01-01".parse().unwrap();
            start.plus_days(n as f64)
        };
        let (mut bottles, mut runs, mut seen) = (Vec::new(), Vec::new(), Vec::new());
        for (n, degc) in samples.iter().enumerate() {
            let mut bottle = sample(&id, n, day(n), 100.0);
            bottle.sample_degc = Some(*degc);
            bottles.push(bottle);
        }
        for (n, (oil, air)) in starts.iter().enumerate() {
            let run = run(&id, n, (day(n), day(n).plus_hours(5.0)), (100.0, 50.0));
            let first = |started_at, degc| StartOil {
                run_id: run.run_id.clone(),
                started_at,
                oil_degc: Some(degc),
                ambient_degc: Some(*air),
            };
            // a restart within the run sees oil that the unit has heated
            seen.push(first(day(n).plus_hours(2.0), 65.0));
            seen.push(first(day(n), *oil));
            runs.push(run);
        }
        let registers = Registers {
            reservoirs: vec![reservoir],
            ..Registers::default()
        };
        let known = histories(&registers, &bottles, &runs, &[], &seen, day(60));
        to_service(&known[0])
    }

    #[test]
    fn starts_outvote_a_cold_bottle_and_are_believed_where_no_sample_tells() {
        let nothing = service(&[], &[]);
        assert_eq!((nothing.degc, nothing.beyond_k), (45.0, REGISTER_SD_K));
        let bottle = service(&[10.0], &[]);
        let warm = [(52.0, 15.0), (51.0, 12.0), (53.0, 20.0), (52.0, 8.0)];
        let both = service(&[10.0], &warm);
        assert!((both.degc - 52.0).abs() < 2.0, "{both:?}");
        assert!(both.beyond_k < 0.7 * bottle.beyond_k, "{both:?} {bottle:?}");
        assert!(bottle.degc > 20.0, "{bottle:?}");
    }

    #[test]
    fn oil_that_stood_in_the_pipe_is_none_of_the_reservoir() {
        let stood = service(&[50.0], &[(18.0, 15.0), (12.0, 11.0), (9.0, 8.0)]);
        assert_eq!(stood, service(&[50.0], &[]));
    }
}
