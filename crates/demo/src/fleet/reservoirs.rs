//! Reservoirs: what the register says and what is true, and the path of the water that comes in.

use super::oils::Oil;
use super::units::Unit;
use crate::calendar::{Calendar, DAY, season_angle};
use crate::catalogue::{SERVICES, SITES, Service, YARDS};
use crate::config::DemoConfig;
use crate::draw::Draw;

/// One body of oil.
#[derive(Clone, Debug)]
pub(crate) struct Reservoir {
    pub(crate) id: String,
    pub(crate) site: usize,
    pub(crate) service: &'static Service,
    pub(crate) oil: usize,
    pub(crate) true_volume_l: f64,
    pub(crate) register_volume_l: f64,
    /// 'dip', 'nameplate' or 'guess'.
    pub(crate) volume_basis: &'static str,
    /// None where the register states no limit.
    pub(crate) register_limit_ppm: Option<f64>,
    pub(crate) limit_ppm: f64,
    pub(crate) coldest_degc: f64,
    pub(crate) service_degc: f64,
    pub(crate) criticality: Option<f64>,
    pub(crate) paper_insulated: bool,
    pub(crate) energised: bool,
    pub(crate) pcb_status: &'static str,
    pub(crate) breather: &'static str,
    /// Oil mass at 15 °C density, kg.
    pub(crate) mass_kg: f64,
    /// Water that comes in on each day since the calendar's start, leaks included, g/h.
    pub(crate) ingress_g_per_h: Vec<f32>,
    /// Typical ingress without leaks and season, g/h.
    pub(crate) usual_ingress_g_per_h: f64,
    pub(crate) leaks: Vec<Leak>,
    pub(crate) start_ppm: f64,
}

/// A spell of extra water: a cooler or seal that leaks until it is repaired.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Leak {
    pub(crate) from: i64,
    pub(crate) to: i64,
    pub(crate) factor: f64,
    /// Whether the repair is written down.
    pub(crate) recorded: bool,
}

/// Reservoirs per unit of a yard.
const PER_UNIT: f64 = 3.5;
/// Leaks of a reservoir per year.
const LEAKS_PER_YEAR: f64 = 0.35;

/// The reservoirs of the fleet, by identifier.
pub(super) fn make_reservoirs(
    config: &DemoConfig,
    calendar: &Calendar,
    units: &[Unit],
    oils: &[Oil],
) -> Vec<Reservoir> {
    let mut reservoirs = Vec::new();
    for (yard_idx, yard) in YARDS.iter().enumerate() {
        let yard_units: Vec<&Unit> = units.iter().filter(|unit| unit.yard == yard_idx).collect();
        if yard_units.is_empty() {
            continue;
        }
        let n_reservoirs = ((yard_units.len() as f64 * PER_UNIT).round() as usize).max(3);
        for number in 0..n_reservoirs {
            let id = format!("R-{:03}", reservoirs.len() + 1);
            let unit = yard_units[number % yard_units.len()];
            let site = yard.sites[number % yard.sites.len()];
            let draw = Draw::of(config.seed, &format!("reservoir {id}"));
            let place = Place { id, site, unit };
            reservoirs.push(make_reservoir(place, calendar, oils, draw));
        }
    }
    reservoirs
}

struct Place<'a> {
    id: String,
    site: usize,
    unit: &'a Unit,
}

fn make_reservoir(
    place: Place<'_>,
    calendar: &Calendar,
    oils: &[Oil],
    mut draw: Draw,
) -> Reservoir {
    let weights: Vec<f64> = SERVICES.iter().map(|service| service.weight).collect();
    let service = &SERVICES[draw.weighted(&weights).unwrap_or(0)];
    let oil = service.oils[draw.below(service.oils.len())];
    let (low, high) = place.unit.size.volume_l;
    let true_volume_l = low * (high / low).powf(draw.unit());
    let (volume_basis, sd_log) = match draw.below(20) {
        0..=6 => ("dip", 0.05),
        7..=15 => ("nameplate", 0.20),
        _ => ("guess", 0.35),
    };
    let step = if true_volume_l > 10_000.0 {
        500.0
    } else {
        50.0
    };
    let register_volume_l = (true_volume_l * draw.gauss(sd_log).exp() / step).round() * step;
    let limit_ppm = round_limit(service.water_limit_ppm * draw.lognormal(1.0, 0.15));
    let mass_kg = true_volume_l / 1000.0 * oils[oil].spec.density_15c_kgm3;
    let breather = ["open", "open", "desiccant", "sealed"][draw.below(4)];
    let breather_factor = match breather {
        "open" => 1.25,
        "desiccant" => 0.7,
        _ => 0.5,
    };
    let per_hour_ppm = limit_ppm / (service.days_per_limit * 24.0);
    let site_effect = (place.site as f64 * 1.7).sin() * 0.2;
    let usual = mass_kg * per_hour_ppm * 1e-3 * breather_factor * draw.lognormal(1.0, 0.9);
    let usual_ingress_g_per_h = usual * site_effect.exp();
    let leaks = make_leaks(calendar, &mut draw);
    let paper_insulated = service.insulating;
    Reservoir {
        ingress_g_per_h: ingress_path(calendar, usual_ingress_g_per_h, &leaks, &mut draw),
        usual_ingress_g_per_h,
        leaks,
        start_ppm: limit_ppm * draw.lognormal(0.55, 0.45),
        register_volume_l: register_volume_l.max(100.0),
        register_limit_ppm: (!draw.chance(0.08)).then_some(limit_ppm),
        coldest_degc: (service.coldest_degc + draw.uniform(-4.0, 4.0)).round(),
        service_degc: service.service_degc + draw.uniform(-4.0, 4.0),
        criticality: (!draw.chance(0.15))
            .then(|| (service.criticality * draw.lognormal(1.0, 0.3) * 10.0).round() / 10.0),
        energised: paper_insulated && draw.chance(0.3),
        pcb_status: pcb_status(service, &mut draw),
        paper_insulated,
        id: place.id,
        site: place.site,
        service,
        oil,
        true_volume_l,
        volume_basis,
        limit_ppm,
        breather,
        mass_kg,
    }
}

fn pcb_status(service: &Service, draw: &mut Draw) -> &'static str {
    if service.word != "transformer" {
        return "none";
    }
    match draw.below(10) {
        0 => "suspect",
        1 => "unknown",
        2 if draw.chance(0.5) => "present",
        _ => "none",
    }
}

fn round_limit(ppm: f64) -> f64 {
    let step = if ppm < 60.0 { 5.0 } else { 25.0 };
    (ppm / step).round() * step
}

fn make_leaks(calendar: &Calendar, draw: &mut Draw) -> Vec<Leak> {
    let end = calendar.start + calendar.days_with_horizon() as i64 * DAY;
    let mut leaks = Vec::new();
    let mut at = calendar.start;
    loop {
        at += (draw.wait(365.25 / LEAKS_PER_YEAR) * DAY as f64) as i64;
        if at >= end {
            return leaks;
        }
        let to = at + (draw.uniform(12.0, 60.0) * DAY as f64) as i64;
        let factor = draw.lognormal(8.0, 0.5);
        leaks.push(Leak {
            from: at,
            to,
            factor,
            recorded: draw.chance(0.75),
        });
        at = to;
    }
}

/// Daily ingress: a level, a season (damp summers), leaks, and a slow wander of some 30 %.
fn ingress_path(calendar: &Calendar, usual: f64, leaks: &[Leak], draw: &mut Draw) -> Vec<f32> {
    let keep = (-1.0_f64 / 10.0).exp();
    let fresh = (1.0 - keep * keep).sqrt();
    let amplitude = draw.uniform(0.1, 0.4);
    let mut wander = draw.normal();
    (0..calendar.days_with_horizon())
        .map(|day| {
            let at = calendar.start + day as i64 * DAY;
            wander = keep * wander + fresh * draw.normal();
            let season = -amplitude * season_angle(at).cos();
            let leak = leaks
                .iter()
                .find(|leak| leak.from <= at && at < leak.to)
                .map_or(1.0, |leak| leak.factor);
            (usual * leak * (season + 0.3 * wander).exp()) as f32
        })
        .collect()
}

impl Reservoir {
    /// Share of the water coming in that runs straight to the bottom: leaks bring drops.
    pub(crate) fn sinking_share(&self, at: i64) -> f64 {
        let leaking = self
            .leaks
            .iter()
            .any(|leak| leak.from <= at && at < leak.to);
        if leaking { 0.45 } else { 0.0 }
    }

    /// Mean ingress of the last 30 days before the end, or of the days begun since the last recorded
    /// leak repair where that is later, g/h; of the coming day where none has begun since.
    pub(crate) fn recent_ingress_g_per_h(&self, calendar: &Calendar) -> f64 {
        let last_day = calendar.day_of(calendar.end);
        let recorded = self.leaks.iter().filter(|leak| leak.recorded);
        let mended = recorded
            .map(|leak| leak.to)
            .filter(|to| *to <= calendar.end)
            .max();
        let since = mended.map_or(0, |to| calendar.day_of(to - 1) + 1);
        let first = last_day.saturating_sub(30).max(since);
        let days = last_day.max(first + 1) - first;
        let path = self.ingress_g_per_h.iter().skip(first).take(days);
        path.map(|grams| f64::from(*grams)).sum::<f64>() / days as f64
    }

    /// Altitude of its site, m.
    pub(crate) fn altitude_m(&self) -> f64 {
        SITES[self.site].altitude_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::DemoConfig;
    use crate::fleet::Fleet;

    #[test]
    fn a_recorded_repair_begins_the_recent_ingress_anew() {
        let mut fleet = Fleet::new(&DemoConfig::standard(2, 2, 1));
        let calendar = fleet.calendar.clone();
        let last_day = calendar.day_of(calendar.end);
        let reservoir = &mut fleet.reservoirs[0];
        reservoir.ingress_g_per_h = vec![2.0; calendar.days_with_horizon()];
        reservoir.ingress_g_per_h[last_day - 20..last_day - 5].fill(20.0);
        let mut leak = Leak {
            from: calendar.end - 20 * DAY,
            to: calendar.end - 5 * DAY,
            factor: 10.0,
            recorded: false,
        };
        let mut recent = |leak: &Leak| {
            reservoir.leaks = vec![*leak];
            reservoir.recent_ingress_g_per_h(&calendar)
        };
        assert!((recent(&leak) - 11.0).abs() < 1e-9);
        leak.recorded = true;
        assert!((recent(&leak) - 2.0).abs() < 1e-9);
        // repaired on the last day: the coming one tells
        leak.to = calendar.end;
        assert!((recent(&leak) - 2.0).abs() < 1e-9);
    }
}
