//! Laboratory precision, and what water does to bearings.
//!
//! r is the repeatability (same laboratory and operator), R the reproducibility (two laboratories), both
//! the 95 % limit of a difference; R/2.77 is the standard deviation of one result (ISO 4259).

/// Repeatability and reproducibility at one level, in the unit of the result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Precision {
    pub repeatability: f64,
    pub reproducibility: f64,
}

impl Precision {
    /// Standard deviation of one result within a laboratory: r/2.77.
    #[must_use]
    pub fn within_sd(self) -> f64 {
        self.repeatability / (1.96 * std::f64::consts::SQRT_2)
    }

    /// Standard deviation of one result over laboratories: R/2.77.
    #[must_use]
    pub fn between_sd(self) -> f64 {
        self.reproducibility / (1.96 * std::f64::consts::SQRT_2)
    }
}

/// Water by coulometric titration, ASTM D6304 editions 2004 to 2016, ppm (equations from memory).
///
/// In mass percent r = 0.03813·x^0.6, R = 0.4243·x^0.6.
#[must_use]
pub fn d6304_ppm(water_ppm: f64) -> Precision {
    let power = (water_ppm.max(0.0) / 1e4).powf(0.6);
    Precision {
        repeatability: 0.038_13 * power * 1e4,
        reproducibility: 0.4243 * power * 1e4,
    }
}

/// Water by coulometric titration, ISO 12937:2000, ppm (equations from memory; scope 30 to 1000 ppm).
///
/// In mass percent r = 0.01874·X^0.5, R = 0.06877·X^0.5.
#[must_use]
pub fn iso12937_ppm(water_ppm: f64) -> Precision {
    let power = (water_ppm.max(0.0) / 1e4).sqrt();
    Precision {
        repeatability: 0.018_74 * power * 1e4,
        reproducibility: 0.068_77 * power * 1e4,
    }
}

/// Water in insulating liquids below saturation, ppm (round robin of ASTM D1533-00, 34 laboratories).
pub const D1533_PPM: Precision = Precision {
    repeatability: 7.0,
    reproducibility: 14.0,
};

/// Acid number of used oil with the buffer end point, mg KOH/g (ASTM D664): r = 0.117·X, R = 0.44·X.
#[must_use]
pub fn d664_used(acid_mgkoh_g: f64) -> Precision {
    Precision {
        repeatability: 0.117 * acid_mgkoh_g,
        reproducibility: 0.44 * acid_mgkoh_g,
    }
}

/// Acid number of fresh oil, mg KOH/g (ASTM D664): r = 0.044·(X + 1), R = 0.141·(X + 1).
#[must_use]
pub fn d664_fresh(acid_mgkoh_g: f64) -> Precision {
    Precision {
        repeatability: 0.044 * (acid_mgkoh_g + 1.0),
        reproducibility: 0.141 * (acid_mgkoh_g + 1.0),
    }
}

/// Kinematic viscosity of formulated oils, mm²/s (ISO 3104: r published, R from memory).
#[must_use]
pub fn iso3104_formulated(viscosity_mm2s: f64) -> Precision {
    Precision {
        repeatability: 0.0026 * viscosity_mm2s,
        reproducibility: 0.0076 * viscosity_mm2s,
    }
}

/// Life of a rolling bearing relative to oil with 100 ppm water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RelativeLife {
    pub factor: f64,
    /// Outside the 25 to 400 ppm of the tests.
    pub extrapolated: bool,
}

/// Relative bearing life (100/X)^0.6 (Cantley, ASLE Transactions 20(3), 1977: 25, 100 and 400 ppm tested).
#[must_use]
pub fn bearing_life(water_ppm: f64) -> RelativeLife {
    RelativeLife {
        factor: (100.0 / water_ppm).powf(0.6),
        extrapolated: !(25.0..=400.0).contains(&water_ppm),
    }
}

/// The trade's rough sensitivity of the crackle test, ppm (common practice; depends on the oil).
pub const CRACKLE_PPM: f64 = 500.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_laboratories_is_never_tighter_than_within() {
        for water in [10.0, 100.0, 1000.0, 20_000.0] {
            for precision in [d6304_ppm(water), iso12937_ppm(water), D1533_PPM] {
                assert!(precision.between_sd() >= precision.within_sd());
                assert!(precision.within_sd() > 0.0);
            }
        }
        // domain check: at 0.01 % r 24, R 268 and r 18.7, R 68.8 ppm
        assert!((d6304_ppm(100.0).repeatability - 24.06).abs() < 0.1);
        assert!((d6304_ppm(100.0).reproducibility - 267.7).abs() < 0.5);
        assert!((iso12937_ppm(100.0).repeatability - 18.74).abs() < 0.01);
        assert!((iso12937_ppm(100.0).reproducibility - 68.77).abs() < 0.01);
    }

    #[test]
    fn three_quarters_less_water_gives_the_same_gain_anywhere() {
        let gain = |ppm: f64| bearing_life(ppm / 4.0).factor / bearing_life(ppm).factor;
        assert!((gain(400.0) - gain(100.0)).abs() < 1e-12);
        assert!(bearing_life(1000.0).extrapolated && !bearing_life(400.0).extrapolated);
    }
}
