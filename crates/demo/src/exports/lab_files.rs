//! Laboratory reports: one laboratory writes wide files with a unit per row, the other tall ones
//! with a line per analyte; both re-issue corrected reports.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::file_truth;
use super::text::{Clock, Counts, civil_text};
use crate::DemoFile;
use crate::calendar::stamp;
use crate::catalogue::LABS;
use crate::config::DemoConfig;
use crate::draw::Draw;
use crate::fleet::Fleet;
use crate::lab::{LabResult, Point, Stated};
use crate::log::Log;
use crate::truth::FileTruth;

/// Share of labels that carry the name of another reservoir of the site.
const SWAPPED_SHARE: f64 = 0.003;

/// One report as issued.
struct Report<'a> {
    number: String,
    result: &'a LabResult,
    issued: i64,
    water: Option<Stated>,
    /// A corrected re-issue.
    is_correction: bool,
}

/// Write all reports; returns what an ingest must count.
pub(super) fn write(
    config: &DemoConfig,
    fleet: &Fleet,
    log: &Log,
    sink: &mut dyn FnMut(DemoFile),
) -> Vec<FileTruth> {
    let samples = label(config, fleet, &log.samples);
    let mut files = Vec::new();
    for (lab, spec) in LABS.iter().enumerate() {
        for (month, reports) in monthly(fleet, &samples, lab) {
            let path = format!("exports/labs/{}_{month}.csv", spec.word);
            let (text, counts) = match lab {
                0 => wide(fleet, &reports),
                _ => tall(fleet, &reports),
            };
            files.push(file_truth(&path, spec.word, "samples", counts));
            sink(DemoFile {
                path,
                bytes: text.into_bytes(),
            });
            if lab == 1 {
                let path = format!("exports/labs/metals_{month}.csv");
                let (text, n_rows) = metals(config, &reports);
                let counts = Counts {
                    rows_in: n_rows,
                    ..Counts::default()
                };
                files.push(file_truth(&path, "metals", "results", counts));
                sink(DemoFile {
                    path,
                    bytes: text.into_bytes(),
                });
            }
        }
    }
    files
}

/// Samples in the order they were reported, some with the label of another reservoir of the site.
fn label(config: &DemoConfig, fleet: &Fleet, samples: &[LabResult]) -> Vec<LabResult> {
    let mut draw = Draw::of(config.seed, "labels");
    let mut samples = samples.to_vec();
    samples.sort_by_key(|sample| (sample.reported, sample.taken, sample.reservoir));
    for sample in &mut samples {
        let swapped = draw.chance(SWAPPED_SHARE * config.dirt);
        let site = fleet.reservoirs[sample.reservoir].site;
        let others: Vec<usize> = (0..fleet.reservoirs.len())
            .filter(|idx| fleet.reservoirs[*idx].site == site && *idx != sample.reservoir)
            .collect();
        let other = others.get(draw.below(others.len())).copied();
        if let Some(other) = other.filter(|_| swapped && sample.unit.is_none()) {
            sample.label = other;
        }
    }
    samples
}

fn monthly<'a>(
    fleet: &Fleet,
    samples: &'a [LabResult],
    lab: usize,
) -> BTreeMap<String, Vec<Report<'a>>> {
    let mut months: BTreeMap<String, Vec<Report<'a>>> = BTreeMap::new();
    let own = samples.iter().filter(|sample| sample.lab == lab);
    for (idx, result) in own.enumerate() {
        let number = match lab {
            0 => format!("A{:06}", 240_000 + idx),
            _ => format!("BW-{:05}", 10_000 + idx),
        };
        // Reports that come after the calendar's end are not in anybody's hands yet.
        if result.reported < fleet.calendar.end {
            months
                .entry(stamp(result.reported).month())
                .or_default()
                .push(Report {
                    number: number.clone(),
                    result,
                    issued: result.reported,
                    water: result.water,
                    is_correction: false,
                });
        }
        let corrected = result
            .corrected
            .filter(|(issued, _)| *issued < fleet.calendar.end);
        if let (Some((issued, value)), Some(_)) = (corrected, result.water) {
            months
                .entry(stamp(issued).month())
                .or_default()
                .push(Report {
                    number,
                    result,
                    issued,
                    water: Some(Stated {
                        value,
                        below: false,
                    }),
                    is_correction: true,
                });
        }
    }
    for reports in months.values_mut() {
        reports.sort_by(|a, b| (a.issued, &a.number).cmp(&(b.issued, &b.number)));
    }
    months
}

const fn point_word(lab: usize, point: Point) -> &'static str {
    match (lab, point) {
        (0, Point::Mid) => "Tank middle",
        (0, Point::Bottom) => "Tank bottom",
        (0, Point::Line) => "Line",
        (0, Point::UnitInlet) => "Unit inlet",
        (0, Point::UnitOutlet) => "Unit outlet",
        (0, Point::Drum) => "Drum",
        (_, Point::Mid) => "mid",
        (_, Point::Bottom) => "bottom",
        (_, Point::Line) => "line",
        (_, Point::UnitInlet) => "in",
        (_, Point::UnitOutlet) => "out",
        (_, Point::Drum) => "drum",
    }
}

/// The words of each laboratory for the places of the contract.
pub(super) fn point_words(lab: usize) -> [(&'static str, &'static str); 6] {
    [
        (point_word(lab, Point::Mid), "reservoir_mid"),
        (point_word(lab, Point::Bottom), "reservoir_bottom"),
        (point_word(lab, Point::Line), "line"),
        (point_word(lab, Point::UnitInlet), "unit_inlet"),
        (point_word(lab, Point::UnitOutlet), "unit_outlet"),
        (point_word(lab, Point::Drum), "drum"),
    ]
}

/// A result with its unit: percent where there is much water.
fn water_text(water: Option<Stated>) -> (String, &'static str) {
    match water {
        None => (String::new(), "mg/kg"),
        Some(Stated { value, below: true }) => (format!("<{value}"), "mg/kg"),
        Some(Stated { value, .. }) if value >= 2000.0 => (format!("{:.3}", value / 1e4), "% m/m"),
        Some(Stated { value, .. }) => (format!("{value}"), "mg/kg"),
    }
}

fn optional(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

fn wide(fleet: &Fleet, reports: &[Report<'_>]) -> (String, Counts) {
    let mut text = String::from(
        "Report,Tank,Machine,Point,Sampled,Issued,Temp F,Water,Water unit,ISO 4406,KV40,AN,BDV,Remark\n",
    );
    let mut clock = Clock::new("America/Chicago");
    let mut counts = Counts::default();
    for report in reports {
        let result = report.result;
        let (water, unit) = water_text(report.water);
        let codes = result
            .codes
            .map(|[a, b, c]| format!("{a}/{b}/{c}"))
            .unwrap_or_default();
        let degf = result.sample_degc.map(|degc| (degc * 1.8 + 32.0).round());
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{water},{unit},{codes},{},{},{},{}",
            report.number,
            fleet.reservoirs[result.label].id,
            result.unit.map_or("", |unit| fleet.units[unit].id.as_str()),
            point_word(0, result.point),
            civil_text(&mut clock, result.taken, "Y-m-d H:M"),
            civil_text(&mut clock, report.issued, "Y-m-d H:M"),
            optional(degf),
            optional(result.viscosity),
            optional(result.acid),
            optional(result.breakdown_kv),
            if report.is_correction {
                "corrected report"
            } else {
                ""
            },
        );
        counts.rows_in += 1;
        counts.superseded += usize::from(report.is_correction);
    }
    (text, counts)
}

/// Analytes nobody maps.
pub(super) const IGNORED_ANALYTES: [&str; 2] = ["Appearance", "Odour"];

fn tall(fleet: &Fleet, reports: &[Report<'_>]) -> (String, Counts) {
    let mut text = String::from("No;Tank;Machine;Point;Taken;Reported;Analyte;Result;Unit\n");
    let mut counts = Counts::default();
    for report in reports {
        let result = report.result;
        let day = |at: i64| stamp(at).day().to_string();
        let head = format!(
            "{};{};{};{};{};{}",
            report.number,
            fleet.reservoirs[result.label].id,
            result.unit.map_or("", |unit| fleet.units[unit].id.as_str()),
            point_word(1, result.point),
            day(result.taken),
            day(report.issued),
        );
        let mut put = |analyte: &str, value: &str, unit: &str| {
            let _ = writeln!(text, "{head};{analyte};{value};{unit}");
        };
        if report.water.is_some() {
            let (water, unit) = water_text(report.water);
            put("Water KF", &water, unit);
            counts.rows_in += 1;
            counts.superseded += usize::from(report.is_correction);
        }
        if report.is_correction {
            continue;
        }
        if let Some([a, b, c]) = result.codes {
            put("ISO 4406", &format!("{a}/{b}/{c}"), "");
            counts.rows_in += 1;
        }
        for (analyte, value, unit) in [
            ("Viscosity 40", result.viscosity, "mm2/s"),
            ("Acid number", result.acid, "mg KOH/g"),
            ("Breakdown", result.breakdown_kv, "kV"),
            ("Temperature", result.sample_degc, "°C"),
        ] {
            if let Some(value) = value {
                put(analyte, &value.to_string(), unit);
                counts.rows_in += 1;
            }
        }
        put(IGNORED_ANALYTES[0], "clear", "");
        counts.ignored += 1;
    }
    (text, counts)
}

/// Wear metals: what the contract keeps in `results`.
fn metals(config: &DemoConfig, reports: &[Report<'_>]) -> (String, usize) {
    let mut text = String::from("No;Analyte;Result;Unit;Method\n");
    let mut n_rows = 0;
    for report in reports.iter().filter(|report| !report.is_correction) {
        let mut draw = Draw::of(config.seed, &format!("metals {}", report.number));
        for (metal, usual) in [("Iron", 6.0), ("Copper", 2.5)] {
            let value = draw.lognormal(usual, 0.7);
            let shown = if value < 1.0 {
                "<1".to_owned()
            } else {
                format!("{value:.1}")
            };
            let _ = writeln!(text, "{};{metal};{shown};mg/kg;emission", report.number);
            n_rows += 1;
        }
    }
    (text, n_rows)
}
