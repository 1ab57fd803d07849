//! What a forecast is held against: the last sample as a share of the limit.

use drydown_quantity::{ReservoirId, Stamp};

use crate::case::Case;
use crate::rows::Forecast;

/// Water of the last sample that speaks for the reservoir and was known when the forecast was made,
/// over the limit then; None where there was no sample or no limit.
///
/// It ranks reservoirs as a person with a list of results would; clipped to 1 it passes for a chance.
#[must_use]
pub fn last_sample_over_limit(case: &Case<'_>, forecast: &Forecast) -> Option<f64> {
    let id = ReservoirId::from(forecast.subject.as_str());
    let snapshot = case
        .snapshots
        .iter()
        .find(|snapshot| snapshot.as_of == forecast.made_at)?;
    let risk = snapshot.risks.iter().find(|risk| risk.reservoir_id == id)?;
    let limit_ppm = risk.water_limit_ppm.filter(|limit| *limit > 0.0)?;
    Some(last_water(case, &id, forecast.made_at)? / limit_ppm)
}

fn last_water(case: &Case<'_>, id: &ReservoirId, at: Stamp) -> Option<f64> {
    case.samples
        .iter()
        .filter(|row| row.reservoir_id.as_ref() == Some(id) && row.informs_reservoir())
        .filter(|row| row.known_at().is_some_and(|known| known < at))
        .filter_map(|row| Some((row.taken_at?, row.water_ppm?)))
        .max_by_key(|(taken, _)| *taken)
        .map(|(_, ppm)| ppm)
}
