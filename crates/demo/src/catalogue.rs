//! What the invented firm owns and runs: size classes, oils, yards, sites, services. All invented.

/// A size class of unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Size {
    pub(crate) class: &'static str,
    pub(crate) flow_lpm: f64,
    pub(crate) heater_kw: f64,
    pub(crate) pump_m3h: f64,
    pub(crate) chamber_l: f64,
    /// Removal per pass of a typical unit on a typical oil.
    pub(crate) removal_per_pass: f64,
    /// Reservoirs it is meant for, L.
    pub(crate) volume_l: (f64, f64),
}

pub(crate) const SIZES: [Size; 3] = [
    Size {
        class: "small",
        flow_lpm: 19.0,
        heater_kw: 12.0,
        pump_m3h: 20.0,
        chamber_l: 100.0,
        removal_per_pass: 0.44,
        volume_l: (900.0, 5_000.0),
    },
    Size {
        class: "medium",
        flow_lpm: 76.0,
        heater_kw: 36.0,
        pump_m3h: 40.0,
        chamber_l: 220.0,
        removal_per_pass: 0.41,
        volume_l: (4_500.0, 28_000.0),
    },
    Size {
        class: "large",
        flow_lpm: 230.0,
        heater_kw: 120.0,
        pump_m3h: 120.0,
        chamber_l: 650.0,
        removal_per_pass: 0.38,
        volume_l: (20_000.0, 95_000.0),
    },
];

/// An oil type as the register knows it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OilSpec {
    pub(crate) word: &'static str,
    pub(crate) family: &'static str,
    pub(crate) iso_vg: Option<f64>,
    pub(crate) viscosity_mm2s: (f64, f64),
    pub(crate) density_15c_kgm3: f64,
    /// log10 S = a − b/T; base-oil lines of NACA RM E52D24 lifted for additives, and pairs for
    /// insulating liquids from memory.
    pub(crate) solubility: (f64, f64),
    pub(crate) flash_degc: f64,
}

const fn oil(
    word: &'static str,
    family: &'static str,
    iso_vg: Option<f64>,
    viscosity_mm2s: (f64, f64),
    physical: (f64, f64),
    solubility: (f64, f64),
) -> OilSpec {
    let (density_15c_kgm3, flash_degc) = physical;
    OilSpec {
        word,
        family,
        iso_vg,
        viscosity_mm2s,
        density_15c_kgm3,
        solubility,
        flash_degc,
    }
}

pub(crate) const OILS: [OilSpec; 10] = [
    oil(
        "TRB-32",
        "mineral_turbine",
        Some(32.0),
        (32.0, 5.4),
        (868.0, 218.0),
        (7.696, 1713.6),
    ),
    oil(
        "TRB-46",
        "mineral_turbine",
        Some(46.0),
        (46.0, 6.8),
        (872.0, 224.0),
        (7.670, 1712.0),
    ),
    oil(
        "HYD-46",
        "mineral_hydraulic",
        Some(46.0),
        (46.0, 6.8),
        (876.0, 216.0),
        (7.997, 1713.6),
    ),
    oil(
        "HYD-68",
        "mineral_hydraulic",
        Some(68.0),
        (68.0, 8.7),
        (880.0, 224.0),
        (8.020, 1712.5),
    ),
    oil(
        "GEAR-220",
        "mineral_gear",
        Some(220.0),
        (220.0, 18.7),
        (893.0, 236.0),
        (8.153, 1709.4),
    ),
    oil(
        "GEAR-320",
        "mineral_gear",
        Some(320.0),
        (320.0, 24.0),
        (899.0, 240.0),
        (8.190, 1709.4),
    ),
    oil(
        "INS-MIN",
        "mineral_insulating",
        None,
        (9.5, 2.5),
        (878.0, 148.0),
        (7.0895, 1567.0),
    ),
    oil(
        "INS-EST",
        "natural_ester",
        None,
        (33.0, 7.9),
        (920.0, 316.0),
        (5.3318, 684.0),
    ),
    oil(
        "EHC-46",
        "phosphate_ester",
        Some(46.0),
        (43.0, 5.2),
        (1125.0, 255.0),
        (5.712, 700.0),
    ),
    oil(
        "PAO-220",
        "pao",
        Some(220.0),
        (220.0, 25.0),
        (850.0, 260.0),
        (8.120, 1778.5),
    ),
];

/// How a yard's machines write their logs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dialect {
    /// Wide, comma, US units, gauge vacuum negative, gzip.
    Gauge,
    /// Wide, comma, US units, vacuum as a positive number, gzip.
    Vacuum,
    /// Wide, semicolon, decimal comma, windows-1252, preamble.
    Metric,
    /// Wide, semicolon, decimal comma, byte-order mark, date and time apart, UTC.
    MetricUtc,
    /// Tall, RFC 3339 stamps.
    TallRfc,
    /// Tall, stamps in milliseconds since the epoch.
    TallEpoch,
}

/// A yard: the home of some units, with its own controllers.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Yard {
    /// Name of its source and folder.
    pub(crate) name: &'static str,
    pub(crate) dialect: Dialect,
    pub(crate) timezone: &'static str,
    /// Its sites, as indexes into `SITES`; the first is the home of its units.
    pub(crate) sites: &'static [usize],
}

pub(crate) const YARDS: [Yard; 6] = [
    Yard {
        name: "north",
        dialect: Dialect::Gauge,
        timezone: "America/Chicago",
        sites: &[0, 1, 2],
    },
    Yard {
        name: "high",
        dialect: Dialect::Vacuum,
        timezone: "America/Denver",
        sites: &[3, 4],
    },
    Yard {
        name: "lowland",
        dialect: Dialect::Metric,
        timezone: "Europe/Berlin",
        sites: &[5, 6],
    },
    Yard {
        name: "island",
        dialect: Dialect::MetricUtc,
        timezone: "UTC",
        sites: &[7],
    },
    Yard {
        name: "coast",
        dialect: Dialect::TallRfc,
        timezone: "UTC",
        sites: &[8],
    },
    Yard {
        name: "delta",
        dialect: Dialect::TallEpoch,
        timezone: "UTC",
        sites: &[8, 9],
    },
];

/// The yard of the n-th unit, repeating; the first is in the north, so that a fleet of one has a
/// controller log in local time.
pub(crate) const YARD_ORDER: [usize; 12] = [0, 2, 0, 4, 1, 0, 2, 3, 0, 5, 1, 0];

/// The size class of the n-th unit, repeating; not in step with the yards.
pub(crate) const SIZE_ORDER: [usize; 10] = [1, 1, 0, 1, 2, 1, 0, 1, 2, 0];

/// A site of the firm or of a customer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SiteSpec {
    pub(crate) id: &'static str,
    pub(crate) name: &'static str,
    pub(crate) altitude_m: f64,
    pub(crate) timezone: &'static str,
    pub(crate) mean_degc: f64,
}

const fn site(
    id: &'static str,
    name: &'static str,
    altitude_m: f64,
    timezone: &'static str,
    mean_degc: f64,
) -> SiteSpec {
    SiteSpec {
        id,
        name,
        altitude_m,
        timezone,
        mean_degc,
    }
}

pub(crate) const SITES: [SiteSpec; 10] = [
    site("S-01", "Harrow Bend", 205.0, "America/Chicago", 11.0),
    site("S-02", "Stonefield Mill", 310.0, "America/Chicago", 9.5),
    site("S-03", "Low Quarry", 120.0, "America/Chicago", 16.0),
    site("S-04", "Kestrel Ridge", 1610.0, "America/Denver", 9.0),
    site("S-05", "Upper Tarn", 2140.0, "America/Denver", 5.5),
    site("S-06", "Mühlenau", 95.0, "Europe/Berlin", 10.0),
    site("S-07", "Steinbruck", 540.0, "Europe/Berlin", 8.0),
    site("S-08", "Grey Sound", 15.0, "Europe/Dublin", 10.5),
    site("S-09", "Marsh End", 5.0, "Europe/London", 11.5),
    site("S-10", "Tidewater Works", 8.0, "Europe/Amsterdam", 11.0),
];

/// A service: what a reservoir feeds.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Service {
    pub(crate) word: &'static str,
    pub(crate) oils: &'static [usize],
    /// How common, relative.
    pub(crate) weight: f64,
    /// Oil temperature in use and at its coldest, °C.
    pub(crate) service_degc: f64,
    pub(crate) coldest_degc: f64,
    pub(crate) water_limit_ppm: f64,
    pub(crate) acid_limit: f64,
    pub(crate) cleanliness: [i64; 3],
    /// Days in which a typical reservoir gains one limit's worth of water.
    pub(crate) days_per_limit: f64,
    pub(crate) criticality: f64,
    pub(crate) insulating: bool,
}

pub(crate) const SERVICES: [Service; 7] = [
    Service {
        word: "turbine_lube",
        oils: &[0, 1],
        weight: 3.0,
        service_degc: 48.0,
        coldest_degc: 40.0,
        water_limit_ppm: 150.0,
        acid_limit: 0.3,
        cleanliness: [18, 16, 13],
        days_per_limit: 143.5,
        criticality: 8.0,
        insulating: false,
    },
    Service {
        word: "hydraulic",
        oils: &[2, 3],
        weight: 3.0,
        service_degc: 45.0,
        coldest_degc: 31.0,
        water_limit_ppm: 250.0,
        acid_limit: 1.0,
        cleanliness: [19, 17, 14],
        days_per_limit: 156.6,
        criticality: 3.0,
        insulating: false,
    },
    Service {
        word: "gearbox",
        oils: &[4, 5, 9],
        weight: 3.0,
        service_degc: 52.0,
        coldest_degc: 36.0,
        water_limit_ppm: 400.0,
        acid_limit: 1.5,
        cleanliness: [21, 19, 16],
        days_per_limit: 156.6,
        criticality: 4.0,
        insulating: false,
    },
    Service {
        word: "paper_machine",
        oils: &[4],
        weight: 1.2,
        service_degc: 55.0,
        coldest_degc: 42.0,
        water_limit_ppm: 500.0,
        acid_limit: 1.2,
        cleanliness: [20, 18, 15],
        days_per_limit: 78.3,
        criticality: 5.0,
        insulating: false,
    },
    Service {
        word: "control_fluid",
        oils: &[8],
        weight: 0.8,
        service_degc: 46.0,
        coldest_degc: 30.0,
        water_limit_ppm: 1000.0,
        acid_limit: 0.3,
        cleanliness: [17, 15, 12],
        days_per_limit: 208.8,
        criticality: 9.0,
        insulating: false,
    },
    Service {
        word: "transformer",
        oils: &[6],
        weight: 1.6,
        service_degc: 42.0,
        coldest_degc: 12.0,
        water_limit_ppm: 30.0,
        acid_limit: 0.2,
        cleanliness: [18, 16, 13],
        days_per_limit: 313.2,
        criticality: 12.0,
        insulating: true,
    },
    Service {
        word: "transformer_ester",
        oils: &[7],
        weight: 0.6,
        service_degc: 45.0,
        coldest_degc: 12.0,
        water_limit_ppm: 350.0,
        acid_limit: 0.5,
        cleanliness: [19, 17, 14],
        days_per_limit: 365.4,
        criticality: 10.0,
        insulating: true,
    },
];

/// A laboratory.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LabSpec {
    pub(crate) word: &'static str,
    /// Coefficient of variation of a water result.
    pub(crate) cv: f64,
    /// Lowest result it states for lubricants and for insulating liquids, ppm.
    pub(crate) lowest_ppm: (f64, f64),
}

pub(crate) const LABS: [LabSpec; 2] = [
    LabSpec {
        word: "aldermere",
        cv: 0.08,
        lowest_ppm: (20.0, 5.0),
    },
    LabSpec {
        word: "birchway",
        cv: 0.12,
        lowest_ppm: (30.0, 8.0),
    },
];
