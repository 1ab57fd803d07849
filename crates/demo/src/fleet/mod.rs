//! The invented fleet at rest: units, oils, sites and reservoirs with their true properties.

mod oils;
mod reservoirs;
mod units;

pub(crate) use oils::Oil;
pub(crate) use reservoirs::Reservoir;
pub(crate) use units::{SensorKind, Unit};

use crate::calendar::Calendar;
use crate::catalogue::{LABS, SITES, YARDS};
use crate::config::DemoConfig;
use crate::draw::Draw;
use crate::lab::bias;
use crate::nature::barometer_kpa;
use crate::weather::Weather;

/// Everything that does not change while the fleet works.
#[derive(Clone, Debug)]
pub(crate) struct Fleet {
    pub(crate) calendar: Calendar,
    pub(crate) oils: Vec<Oil>,
    pub(crate) units: Vec<Unit>,
    pub(crate) reservoirs: Vec<Reservoir>,
    /// One per entry of `SITES`.
    pub(crate) weather: Vec<Weather>,
    /// True dried flow at reference conditions by unit and oil, L/min.
    pub(crate) dried_flow_lpm: Vec<Vec<f64>>,
    /// Bias of each laboratory on log water.
    pub(crate) lab_bias: Vec<f64>,
}

impl Fleet {
    pub(crate) fn new(config: &DemoConfig) -> Self {
        let calendar = Calendar::new(config.n_months());
        let oils = oils::make_oils(config.seed);
        let units = units::make_units(config);
        let reservoirs = reservoirs::make_reservoirs(config, &calendar, &units, &oils);
        let weather = SITES
            .iter()
            .map(|site| {
                let mean_kpa = barometer_kpa(site.altitude_m);
                let draw = Draw::of(config.seed, &format!("weather {}", site.id));
                Weather::new(&calendar, mean_kpa, site.mean_degc, draw)
            })
            .collect();
        let dried_flow_lpm = units::dried_flows(config.seed, &units, &oils);
        let lab_bias = (0..LABS.len()).map(|lab| bias(config.seed, lab)).collect();
        Self {
            calendar,
            oils,
            units,
            reservoirs,
            weather,
            dried_flow_lpm,
            lab_bias,
        }
    }

    /// Whether a unit can be sent to a reservoir at all: its yard, its oil, and no bar of safety.
    pub(crate) fn may_serve(&self, unit: &Unit, reservoir: &Reservoir) -> bool {
        let yard = &YARDS[unit.yard];
        yard.sites.contains(&reservoir.site)
            && !reservoir.energised
            && reservoir.pcb_status == "none"
            && unit
                .families
                .contains(&self.oils[reservoir.oil].spec.family)
            && (!reservoir.service.insulating || unit.insulating_ready)
    }
}
