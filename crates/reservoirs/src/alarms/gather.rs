//! The laboratory's results as one series for each quantity and reservoir, and what methods repeat.

use std::collections::BTreeMap;

use drydown_quantity::{ReservoirId, Stamp};
use drydown_runs::history::{Censor, Registers, ReservoirAction, Sample};
use drydown_stats::robust;

use super::{Bad, LabResult, Quantity};

/// One result.
#[derive(Clone, Debug)]
pub(super) struct Point {
    pub(super) taken_at: Stamp,
    pub(super) known_at: Stamp,
    pub(super) lab: String,
    pub(super) value: f64,
    pub(super) censor: Censor,
    /// Fillings of the reservoir before it: two results compare within one.
    pub(super) oil: usize,
}

pub(super) const ACID: &str = "acid number [mg KOH/g]";
pub(super) const VISCOSITY: &str = "viscosity at 40 °C [mm²/s]";
pub(super) const CODES: [&str; 3] = [
    "ISO 4406 code from 4 µm",
    "ISO 4406 code from 6 µm",
    "ISO 4406 code from 14 µm",
];
pub(super) const BREAKDOWN: &str = "breakdown voltage [kV]";

/// Years of results that say what is usual.
const YEARS: f64 = 3.0;

/// Every quantity's results by reservoir and time, of samples that inform the reservoir and were known.
pub(super) fn series(
    registers: &Registers,
    samples: &[Sample],
    results: &[LabResult],
    as_of: Stamp,
) -> BTreeMap<Quantity, BTreeMap<ReservoirId, Vec<Point>>> {
    let mut all: BTreeMap<Quantity, BTreeMap<ReservoirId, Vec<Point>>> = BTreeMap::new();
    let mut of_sample: BTreeMap<(&str, &str), Vec<&LabResult>> = BTreeMap::new();
    for result in results {
        let key = (result.lab.as_str(), result.sample_id.as_str());
        of_sample.entry(key).or_default().push(result);
    }
    let oldest = as_of.plus_days(-365.25 * YEARS);
    for sample in samples.iter().filter(|sample| sample.informs_reservoir()) {
        let (Some(id), Some(taken_at), Some(known_at)) =
            (&sample.reservoir_id, sample.taken_at, sample.known_at())
        else {
            continue;
        };
        if known_at >= as_of || taken_at < oldest {
            continue;
        }
        let oil = fillings(registers, id, taken_at);
        let mut push = |quantity: Quantity, value: f64, censor: Censor| {
            let of_reservoirs = all.entry(quantity).or_default();
            of_reservoirs.entry(id.clone()).or_default().push(Point {
                taken_at,
                known_at,
                lab: sample.lab.clone(),
                value,
                censor,
                oil,
            });
        };
        for (quantity, value) in own_columns(sample) {
            push(quantity, value, Censor::Exact);
        }
        let key = (sample.lab.as_str(), sample.sample_id.as_str());
        for result in of_sample.get(&key).into_iter().flatten() {
            if let Some(value) = result.value.filter(|value| value.is_finite()) {
                push(named(result), value, result.censor.unwrap_or(Censor::Exact));
            }
        }
    }
    for points in all.values_mut().flat_map(BTreeMap::values_mut) {
        points.sort_by(|a, b| (a.taken_at, &a.lab).cmp(&(b.taken_at, &b.lab)));
    }
    all
}

/// Oil changes before a time.
fn fillings(registers: &Registers, id: &ReservoirId, at: Stamp) -> usize {
    let events = registers.reservoir_events_of(id).iter();
    events
        .filter(|event| event.action == ReservoirAction::OilChange && event.at < at)
        .count()
}

/// The quantities that `samples` has columns for, but for water, which has a model of its own.
fn own_columns(sample: &Sample) -> Vec<(Quantity, f64)> {
    let code = |code: Option<i64>| code.map(|code| code as f64);
    let [four, six, fourteen] = CODES;
    let columns = [
        (ACID, Bad::High, sample.acid_mgkoh_g),
        (VISCOSITY, Bad::Both, sample.viscosity_40c_mm2s),
        (four, Bad::High, code(sample.iso4406_4um)),
        (six, Bad::High, code(sample.iso4406_6um)),
        (fourteen, Bad::High, code(sample.iso4406_14um)),
        (BREAKDOWN, Bad::Low, sample.breakdown_kv),
    ];
    columns
        .into_iter()
        .filter_map(|(name, bad, value)| {
            let quantity = Quantity {
                name: name.to_owned(),
                bad,
            };
            Some((quantity, value?))
        })
        .collect()
}

/// Quantities that get worse as they fall; common practice, no source.
const BAD_LOW: [&str; 8] = [
    "interfacial",
    "ift",
    "rpvot",
    "rotating pressure",
    "flash",
    "breakdown",
    "dielectric strength",
    "base number",
];

/// A laboratory's own name for a quantity, with its unit and method.
fn named(result: &LabResult) -> Quantity {
    let analyte = result.analyte.trim();
    let lower = analyte.to_lowercase();
    let mut name = analyte.to_owned();
    let said = |text: &Option<String>| text.as_deref().map(str::trim).unwrap_or("").to_owned();
    let (unit, method) = (said(&result.unit), said(&result.method));
    if !unit.is_empty() {
        name.push_str(&format!(" [{unit}]"));
    }
    if !method.is_empty() {
        name.push_str(&format!(", {method}"));
    }
    let says = |words: &[&str]| words.iter().any(|word| lower.contains(word));
    let bad = if says(&BAD_LOW) {
        Bad::Low
    } else if says(&["viscosity"]) {
        Bad::Both
    } else {
        Bad::High
    };
    Quantity { name, bad }
}

/// Successive results from which on the fleet's own scatter stands for a method's repeatability.
const FEWEST_STEPS: usize = 10;

/// What two results on the same oil may differ by in 95 of 100 cases.
///
/// Acid: used oil, ASTM D664, 0.117·X. Viscosity: formulated oils, ASTM D445, 0.0026·X. Codes: one class
/// (common practice, no source). Else from the fleet: 1.96 standard deviations of successive differences
/// on one oil (robust), which hold true changes too and so are rather too wide; None with too few. `scatter_sd` is that
/// of [`scatter_sd`].
pub(super) fn repeatability(quantity: &str, value: f64, scatter_sd: Option<f64>) -> Option<f64> {
    match quantity {
        ACID => Some(0.117 * value.abs()),
        VISCOSITY => Some(0.0026 * value.abs()),
        _ if CODES.contains(&quantity) => Some(1.0),
        _ => scatter_sd.map(|sd| 1.96 * sd),
    }
}

/// Robust standard deviation of the fleet's successive differences; None with too few.
pub(super) fn scatter_sd(steps: &[f64]) -> Option<f64> {
    robust::mad(steps).filter(|_| steps.len() >= FEWEST_STEPS)
}
