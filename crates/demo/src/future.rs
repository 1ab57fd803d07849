//! What happens to a reservoir if no unit is sent: the same water comes in, nobody takes it out.

use crate::balance::{Rest, Water};
use crate::calendar::{DAY, HORIZON_DAYS, HOUR, stamp};
use crate::fleet::Fleet;
use crate::log::Snapshot;
use crate::truth::FutureTruth;

/// Play the horizon from a snapshot, hour by hour.
pub(crate) fn without_a_unit(fleet: &Fleet, snapshot: &Snapshot) -> FutureTruth {
    let reservoir = &fleet.reservoirs[snapshot.reservoir];
    let oil = &fleet.oils[reservoir.oil];
    let coldest = oil.solubility_ppm(reservoir.coldest_degc);
    let mut water = Water {
        mid_ppm: snapshot.mid_ppm,
        settled_ppm: snapshot.settled_ppm,
    };
    let mut truth = FutureTruth {
        reservoir_id: reservoir.id.clone(),
        from_at: stamp(snapshot.at),
        water_limit_ppm: reservoir.limit_ppm,
        free_limit_ppm: coldest,
        water_sample_ppm: water.mid_ppm,
        water_all_ppm: water.all_ppm(),
        passes_limit_at: None,
        free_water_at: None,
        highest_sample_ppm: water.mid_ppm,
        excess_ppm_days: 0.0,
        ingress_g_per_h: 0.0,
        horizon_days: HORIZON_DAYS as f64,
    };
    for day in 0..HORIZON_DAYS as i64 {
        let from = snapshot.at + day * DAY;
        let place = Rest::at(reservoir, oil, from);
        let path = &reservoir.ingress_g_per_h;
        let ingress = path
            .get(fleet.calendar.day_of(from))
            .copied()
            .map_or(0.0, f64::from);
        truth.ingress_g_per_h += ingress / HORIZON_DAYS as f64;
        for hour in 0..24 {
            let at = stamp(from + hour * HOUR);
            if water.mid_ppm > reservoir.limit_ppm {
                truth.passes_limit_at.get_or_insert(at);
            }
            if water.all_ppm() > coldest {
                truth.free_water_at.get_or_insert(at);
            }
            truth.highest_sample_ppm = truth.highest_sample_ppm.max(water.mid_ppm);
            truth.excess_ppm_days += (water.mid_ppm - reservoir.limit_ppm).max(0.0) / 24.0;
            water.rest(&place, 1.0, ingress);
        }
    }
    truth
}
