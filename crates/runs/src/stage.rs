//! The runs stage of one unit: log in, runs with their series and start curves out.

use std::collections::BTreeSet;

use drydown_quantity::{ReservoirId, RunId, Stamp};

use crate::cut::{Cut, cut_log};
use crate::describe::{Setting, Work, describe};
use crate::held::{fill, sparse_rows, with_barometer};
use crate::history::{Registers, Sample};
use crate::marks::mark_readings;
use crate::phase::phases_of_run;
use crate::places::{Places, oil_type_at};
use crate::series::condense;
use crate::starts::start_curves;
use crate::water::water_of_run;
use crate::{Readings, RunsConfig, UnitRuns};

/// Cuts one unit's readings into runs and describes each.
///
/// `readings` ascend in time and lie before `as_of`, as do registers and samples. Gives runs by
/// start, their condensed series, and the curve of every start. A log without work gives nothing.
#[must_use]
pub fn cut_runs(
    registers: &Registers,
    readings: &Readings,
    samples: &[Sample],
    as_of: Stamp,
    config: &RunsConfig,
) -> UnitRuns {
    let places = Places::of_unit(registers, &readings.unit_id);
    let sparse = sparse_rows(readings);
    let readings = with_barometer(readings, &sparse);
    let marks = mark_readings(&readings, &sparse, &places, config);
    let readings = &*fill(readings, &sparse, &marks.working);
    let cuts = cut_log(readings, &marks, &places, config);
    let mut out = UnitRuns::default();
    let n_cuts = cuts.len();
    // Of a fleet's samples a unit's runs need few: looked through once, not for every run.
    let reservoirs: BTreeSet<&ReservoirId> = cuts
        .iter()
        .filter_map(|cut| cut.reservoir.as_ref())
        .collect();
    let is_near = |sample: &&Sample| {
        let id = sample.reservoir_id.as_ref();
        id.is_some_and(|id| reservoirs.contains(id))
    };
    let samples: Vec<&Sample> = samples.iter().filter(is_near).collect();
    for (number, cut) in cuts.iter().enumerate() {
        let Some(started_at) = readings.at.get(cut.first).copied() else {
            continue;
        };
        let run_id = RunId::from(format!("{}@{}", readings.unit_id, started_at.compact()));
        let oil_type = cut
            .reservoir
            .as_ref()
            .and_then(|id| oil_type_at(registers, id, started_at));
        let oil = oil_type.as_ref().and_then(|id| registers.oil(id));
        let idx: Vec<usize> = (cut.first..=cut.last)
            .filter(|i| marks.is_working(*i))
            .collect();
        let work = Work {
            readings,
            marks: &marks,
            cut,
            phases: phases_of_run(readings, &marks, cut, &idx, config),
            water: water_of_run(readings, &marks, &idx, oil, config),
            idx,
        };
        let open = number + 1 == n_cuts && is_open(readings, cut, as_of, config);
        let setting = Setting {
            registers,
            samples: &samples,
            oil_type,
            open,
        };
        let series = condense(&run_id, &work, config);
        let starts = start_curves(&run_id, readings, &marks, cut, config);
        let mut run = describe(&run_id, &work, &series, &setting, config);
        if starts.is_empty() {
            run = run.with_flag("no_start_curve");
        }
        out.runs.push(run);
        out.series.extend(series);
        out.starts.extend(starts);
    }
    out
}

/// Whether the last run may still go on: it worked less than the run-ending stop before `as_of`.
fn is_open(readings: &Readings, cut: &Cut, as_of: Stamp, config: &RunsConfig) -> bool {
    readings
        .at
        .get(cut.last)
        .is_some_and(|at| as_of.hours_after(*at) < config.stop_ends_run_h)
}

#[cfg(test)]
pub(crate) mod tests;
