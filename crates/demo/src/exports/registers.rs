//! Registers and event lists: units, sites, oils, reservoirs, deployments, maintenance, events.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::file_truth;
use super::text::{Clock, Counts, civil_text, latin};
use crate::DemoFile;
use crate::calendar::stamp;
use crate::catalogue::{Dialect, SITES, YARDS};
use crate::fleet::Fleet;
use crate::log::{Log, Service};
use crate::truth::FileTruth;

const FOLDER: &str = "exports/registers";

/// Write every register and list.
pub(super) fn write(fleet: &Fleet, log: &Log, sink: &mut dyn FnMut(DemoFile)) -> Vec<FileTruth> {
    let mut files = Vec::new();
    let mut put = |name: &str, source: &str, table: &'static str, text: Vec<u8>, n_rows: usize| {
        let path = format!("{FOLDER}/{name}");
        let counts = Counts {
            rows_in: n_rows,
            ..Counts::default()
        };
        files.push(file_truth(&path, source, table, counts));
        sink(DemoFile { path, bytes: text });
    };
    put(
        "units.csv",
        "units",
        "units",
        units(fleet).into_bytes(),
        fleet.units.len(),
    );
    put(
        "sites.csv",
        "sites",
        "sites",
        sites().into_bytes(),
        SITES.len(),
    );
    put(
        "oils.csv",
        "oils",
        "oils",
        oils(fleet).into_bytes(),
        fleet.oils.len(),
    );
    let text = reservoirs(fleet).into_bytes();
    put(
        "reservoirs.csv",
        "reservoirs",
        "reservoirs",
        text,
        fleet.reservoirs.len(),
    );
    let text = deployments(fleet, log).into_bytes();
    put(
        "deployments.csv",
        "deployments",
        "deployments",
        text,
        log.deployed.len(),
    );
    let text = tank_events(fleet, log).into_bytes();
    put(
        "reservoir_events.csv",
        "reservoir-events",
        "reservoir_events",
        text,
        log.tank_events.len(),
    );
    let (us, metric) = recorded_work(fleet, log);
    put(
        "maintenance.csv",
        "workshop",
        "maintenance",
        workshop(fleet, &us).into_bytes(),
        us.len(),
    );
    let text = latin(&werkstatt(fleet, &metric));
    put(
        "wartung.csv",
        "werkstatt",
        "maintenance",
        text,
        metric.len(),
    );
    for (idx, yard) in YARDS.iter().enumerate() {
        let (text, n_rows) = unit_events(fleet, log, idx);
        if n_rows > 0 {
            let name = format!("events_{}.csv", yard.name);
            put(
                &name,
                "unit-events",
                "unit_events",
                text.into_bytes(),
                n_rows,
            );
        }
    }
    files
}

/// When work is entered in the books: never in the small hours in which clocks are set back (the
/// hours of the day in UTC that may hold them); such an entry is made two hours later.
fn entered_at(at: i64, small_hours: std::ops::Range<i64>) -> i64 {
    let hour = at.div_euclid(3600).rem_euclid(24);
    if small_hours.contains(&hour) {
        at + 2 * 3600
    } else {
        at
    }
}

/// The work that was written down, of the yards with US and with metric books.
fn recorded_work<'a>(fleet: &Fleet, log: &'a Log) -> (Vec<&'a Service>, Vec<&'a Service>) {
    // The books hold minutes: the same work on one unit in one minute is one entry.
    let mut written = BTreeSet::new();
    log.services
        .iter()
        .filter(|service| service.recorded)
        .filter(|service| written.insert((service.unit, service.at.div_euclid(60), service.action)))
        .partition(|service| !is_metric(fleet, service.unit))
}

fn is_metric(fleet: &Fleet, unit: usize) -> bool {
    YARDS[fleet.units[unit].yard].dialect == Dialect::Metric
}

/// A number or an empty cell.
fn optional(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

fn units(fleet: &Fleet) -> String {
    let mut text = String::from(
        "Unit,Class,Flow gpm,Heater kW,Pump m3/h,Pump kind,Chamber gal,In service,Home,Sensor,Oils,Insulating\n",
    );
    for unit in &fleet.units {
        let sensor = unit.sensor.map_or("", |sensor| sensor.place);
        let _ = writeln!(
            text,
            "{},{},{:.3},{},{},{},{:.3},{}-03-01,{},{},\"{}\",{}",
            unit.id,
            unit.size.class,
            unit.size.flow_lpm / 3.785_411_784,
            unit.size.heater_kw,
            unit.size.pump_m3h,
            unit.pump_kind,
            unit.size.chamber_l / 3.785_411_784,
            unit.commissioned_year,
            SITES[unit.home_site].id,
            sensor,
            unit.families.join(","),
            if unit.insulating_ready { "yes" } else { "no" },
        );
    }
    text
}

fn sites() -> String {
    let mut text = String::from("Site,Name,Altitude ft,Zone\n");
    for site in &SITES {
        let feet = site.altitude_m / 0.3048;
        let _ = writeln!(
            text,
            "{},{},{:.1},{}",
            site.id, site.name, feet, site.timezone
        );
    }
    text
}

fn oils(fleet: &Fleet) -> String {
    let mut text = String::from("oil_type,family,iso_vg,kv40,kv100,density,a,b,flash\n");
    for oil in &fleet.oils {
        let spec = oil.spec;
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{}",
            spec.word,
            spec.family,
            optional(spec.iso_vg),
            spec.viscosity_mm2s.0,
            spec.viscosity_mm2s.1,
            spec.density_15c_kgm3,
            spec.solubility.0,
            spec.solubility.1,
            spec.flash_degc,
        );
    }
    text
}

fn reservoirs(fleet: &Fleet) -> String {
    let mut text = String::from(
        "Reservoir,Site,Service,Oil,Volume,Basis,Water limit,Cleanliness,Acid limit,Coldest,Hottest,Criticality,Paper,Energised,PCB,Breather\n",
    );
    for reservoir in &fleet.reservoirs {
        let [a, b, c] = reservoir.service.cleanliness;
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{a}/{b}/{c},{},{},70,{},{},{},{},{}",
            reservoir.id,
            SITES[reservoir.site].id,
            reservoir.service.word,
            fleet.oils[reservoir.oil].spec.word,
            reservoir.register_volume_l,
            reservoir.volume_basis,
            optional(reservoir.register_limit_ppm),
            reservoir.service.acid_limit,
            reservoir.coldest_degc,
            optional(reservoir.criticality),
            yes_no(reservoir.paper_insulated),
            yes_no(reservoir.energised),
            reservoir.pcb_status,
            reservoir.breather,
        );
    }
    text
}

const fn yes_no(is_so: bool) -> &'static str {
    if is_so { "yes" } else { "no" }
}

fn deployments(fleet: &Fleet, log: &Log) -> String {
    let mut text = String::from("Unit,From,Reservoir,To\n");
    for deployed in &log.deployed {
        let to = if deployed.to < fleet.calendar.end {
            stamp(deployed.to).rfc3339()
        } else {
            String::new()
        };
        let _ = writeln!(
            text,
            "{},{},{},{to}",
            fleet.units[deployed.unit].id,
            stamp(deployed.from).rfc3339(),
            fleet.reservoirs[deployed.reservoir].id,
        );
    }
    text
}

fn tank_events(fleet: &Fleet, log: &Log) -> String {
    let mut text = String::from("reservoir,at,what,litres,oil,water_ppm\n");
    for event in &log.tank_events {
        let reservoir = &fleet.reservoirs[event.reservoir];
        let oil = match event.action {
            "top_up" | "oil_change" => fleet.oils[reservoir.oil].spec.word,
            _ => "",
        };
        let _ = writeln!(
            text,
            "{},{},{},{},{oil},{}",
            reservoir.id,
            stamp(event.at).rfc3339(),
            event.action,
            optional(event.volume_l),
            optional(event.water_ppm),
        );
    }
    text
}

/// The words of the workshop's list that need a `map`, and what they mean.
pub(super) const WORKSHOP_WORDS: [(&str, &str); 3] = [
    ("VP overhaul", "rebuild"),
    ("Exhaust/filters", "filter"),
    ("VP exchanged", "pump_swap"),
];

/// The words of the German list.
pub(super) const WERKSTATT_WORDS: [(&str, &str); 8] = [
    ("Überholung", "rebuild"),
    ("Schieber erneuert", "vanes"),
    ("Ölwechsel Vakuumpumpe", "pump_oil"),
    ("Pumpe getauscht", "pump_swap"),
    ("Leck abgedichtet", "leak_repair"),
    ("Manometer", "gauge"),
    ("Fühler kalibriert", "calibration"),
    ("Filterwechsel", "filter"),
];

fn said(words: &[(&'static str, &'static str)], action: &'static str) -> &'static str {
    words
        .iter()
        .find(|(_, meaning)| *meaning == action)
        .map_or(action, |(word, _)| word)
}

fn workshop(fleet: &Fleet, services: &[&Service]) -> String {
    let mut text = String::from("Date,Unit,Work,Remarks,VP serial,Hours\n");
    let mut clock = Clock::new("America/Chicago");
    for service in services {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{}",
            civil_text(&mut clock, entered_at(service.at, 6..8), "m/d/Y H:M"),
            fleet.units[service.unit].id,
            said(&WORKSHOP_WORDS, service.action),
            service.note,
            service.serial,
            service.hours_meter,
        );
    }
    text
}

fn werkstatt(fleet: &Fleet, services: &[&Service]) -> String {
    let mut text = String::from("Datum;Gerät;Arbeit;Pumpe Nr.;Betriebsstunden\r\n");
    let mut clock = Clock::new("Europe/Berlin");
    for service in services {
        let _ = write!(
            text,
            "{};{};{};{};{},0\r\n",
            civil_text(&mut clock, entered_at(service.at, 0..2), "d.m.Y H:M"),
            fleet.units[service.unit].id,
            said(&WERKSTATT_WORDS, service.action),
            service.serial,
            service.hours_meter,
        );
    }
    text
}

fn unit_events(fleet: &Fleet, log: &Log, yard: usize) -> (String, usize) {
    let mut text = String::from("unit,utc,code,kind,value\n");
    let mut n_rows = 0;
    for event in log
        .unit_events
        .iter()
        .filter(|event| fleet.units[event.unit].yard == yard)
    {
        let _ = writeln!(
            text,
            "{},{},{},{},{}",
            fleet.units[event.unit].id,
            stamp(event.at).rfc3339(),
            event.code,
            event.kind,
            optional(event.value),
        );
        n_rows += 1;
    }
    (text, n_rows)
}
