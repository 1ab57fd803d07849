//! Hourly weather of each site: barometer, air temperature, relative humidity.

use crate::calendar::{Calendar, HOUR, season_angle};
use crate::draw::Draw;

/// Weather at one time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Air {
    pub(crate) barometer_kpa: f64,
    pub(crate) air_degc: f64,
    /// Relative humidity, 0..1.
    pub(crate) humidity: f64,
}

/// Hourly weather of one site.
#[derive(Clone, Debug)]
pub(crate) struct Weather {
    start: i64,
    hours: Vec<[f32; 3]>,
}

/// Standard deviation of the barometer about its mean (±2–3 kPa in all; common practice), kPa.
const BAROMETER_SD_KPA: f64 = 1.0;

impl Weather {
    /// `mean_kpa` is the standard atmosphere at the site's altitude.
    pub(crate) fn new(calendar: &Calendar, mean_kpa: f64, mean_degc: f64, mut draw: Draw) -> Self {
        let n_hours = calendar.days_with_horizon() * 24 + 2;
        let keep = (-1.0_f64 / 48.0).exp();
        let fresh = (1.0 - keep * keep).sqrt();
        let (mut pressure, mut warmth, mut damp) = (draw.normal(), draw.normal(), draw.normal());
        let mut season = 0.0;
        let mut hours = Vec::with_capacity(n_hours);
        for hour in 0..n_hours {
            let at = calendar.start + hour as i64 * HOUR;
            if hour % 24 == 0 {
                season = -season_angle(at).cos();
            }
            pressure = keep * pressure + fresh * draw.normal();
            warmth = keep * warmth + fresh * draw.normal();
            damp = keep * damp + fresh * draw.normal();
            let day_angle = (hour % 24) as f64 / 24.0 * std::f64::consts::TAU;
            let air = mean_degc + 11.0 * season + 3.0 * warmth - 4.0 * (day_angle - 0.9).cos();
            let humidity = (0.66 - 0.06 * season + 0.12 * damp + 0.08 * (day_angle - 0.9).cos())
                .clamp(0.15, 0.99);
            let barometer = mean_kpa + BAROMETER_SD_KPA * pressure.clamp(-3.0, 3.0);
            hours.push([barometer as f32, air as f32, humidity as f32]);
        }
        Self {
            start: calendar.start,
            hours,
        }
    }

    /// Weather at a time: straight between the hours.
    pub(crate) fn at(&self, at: i64) -> Air {
        let past = (at - self.start).max(0);
        let idx = ((past / HOUR) as usize).min(self.hours.len().saturating_sub(2));
        let share = ((past - idx as i64 * HOUR) as f64 / HOUR as f64).min(1.0);
        let (a, b) = match (self.hours.get(idx), self.hours.get(idx + 1)) {
            (Some(a), Some(b)) => (a, b),
            _ => {
                return Air {
                    barometer_kpa: 101.325,
                    air_degc: 15.0,
                    humidity: 0.6,
                };
            }
        };
        let mix = |col: usize| f64::from(a[col]) * (1.0 - share) + f64::from(b[col]) * share;
        Air {
            barometer_kpa: mix(0),
            air_degc: mix(1),
            humidity: mix(2),
        }
    }
}
