//! One job to size, and the units that could do it.

use drydown_removal::{Estimate, RemovalCoefficient, UnitCapacity, VapourFraction};
use drydown_runs::history::{Oil, Reservoir, Unit};

/// A rate of water coming in, g/h, with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ingress {
    pub g_per_h: f64,
    pub lower_90: f64,
    pub upper_90: f64,
}

/// How the oil's temperature at the start is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WarmthBasis {
    /// Whoever asks gave it.
    Given,
    /// The median of the reservoir's last samples.
    Samples,
    /// The first oil of the last runs on the reservoir, with its standard deviation, K.
    Runs { sd_k: f64 },
    /// Nobody measured it: taken as cold.
    Unknown,
}

/// Mean and standard deviation of a quantity on the scale that its field's name says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    pub mean: f64,
    pub sd: f64,
}

/// Water under the oil that dissolves again, as the last runs on the reservoir tell it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettledWater {
    /// Probability that there is any, 0..1.
    pub probability: f64,
    /// Log of how much there is, ppm of the oil.
    pub ln_pool_ppm: Spread,
    /// Log of the share of the gap to saturation that dissolves an hour while all of it is there.
    pub ln_dissolving_per_h: Spread,
    /// Hours since the start's water was measured: it has been dissolving since. 0 where the start is of now.
    pub since_h: f64,
}

/// Oil of which only part passes the unit, as the last runs on the reservoir tell it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BadMixing {
    /// Probability that the reservoir mixes so, 0..1.
    pub probability: f64,
    /// Logit of the share of the oil that passes the unit.
    pub loop_share_logit: Spread,
    /// Log of the oil exchanged with the rest, share of the volume an hour.
    pub ln_exchange_per_h: Spread,
}

/// What brings water back to the oil while it is dried, beyond ingress. One draw has one of the two, or neither.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Returns {
    pub settled: Option<SettledWater>,
    pub mixing: Option<BadMixing>,
}

/// One body of oil to dry.
#[derive(Clone, Debug)]
pub struct Job<'a> {
    /// Oil in the reservoir, L, and the sd of the log of that figure.
    pub volume_l: f64,
    pub volume_log_sd: f64,
    /// The oil's register row; None where the oil is not in the register.
    pub oil: Option<&'a Oil>,
    /// Water at the start, settled water included, ppm, and the sd of its log.
    pub start_ppm: f64,
    pub start_log_sd: f64,
    pub target_ppm: f64,
    /// Wall-clock hours allowed; None where there is no window.
    pub within_h: Option<f64>,
    /// The register row; None for a job given by volume and oil alone.
    pub reservoir: Option<&'a Reservoir>,
    /// None where nothing is known: it is then left out, and the answer says so.
    pub ingress: Option<Ingress>,
    /// What runs on this oil ended at ([`crate::reached_ppm`]): no unit settles far above it. Only where
    /// the oil's solubility is not known; None: no such runs.
    pub reached_ppm: Option<f64>,
    /// Settled water and bad mixing; empty where the reservoir's runs show neither.
    pub returns: Returns,
    /// Oil now, and air around it, °C.
    pub oil_degc: f64,
    pub oil_degc_basis: WarmthBasis,
    pub ambient_degc: f64,
    /// Oil while drying, °C, and chamber, kPa absolute.
    pub treat_degc: f64,
    pub chamber_kpa: f64,
}

/// One unit that might be sent.
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'a> {
    pub unit: &'a Unit,
    /// The unit's row for the job's oil.
    pub coefficient: Option<&'a RemovalCoefficient>,
    pub capacity: Option<&'a UnitCapacity>,
    pub vapour: Option<&'a VapourFraction>,
    /// The fleet's slope of log dried flow against 1000/T.
    pub temperature_slope: Option<&'a Estimate>,
}
