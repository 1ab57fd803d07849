//! The unit table as data: code, spellings, dimension, constant and its source.

mod pressures;

use std::sync::LazyLock;

use crate::units::Dimension::{self, *};
use crate::units::UnitRow;
use pressures::PRESSURES;

const SI: &str = "SI prefix or definition (BIPM SI brochure)";
const EXACT: &str = "exact by definition of the foot, pound or gallon (NIST SP 811, Appendix B)";
const SP811: &str = "NIST SP 811 (2008), Appendix B.8";
const RATIO: &str = "definition";

const fn linear(
    code: &'static str,
    aliases: &'static [&'static str],
    dimension: Dimension,
    scale: f64,
    source: &'static str,
) -> UnitRow {
    UnitRow {
        code,
        aliases,
        dimension,
        scale,
        shift: 0.0,
        source,
    }
}

const fn thermometer(
    code: &'static str,
    aliases: &'static [&'static str],
    scale: f64,
    shift: f64,
) -> UnitRow {
    UnitRow {
        code,
        aliases,
        dimension: Temperature,
        scale,
        shift,
        source: "NIST SP 811, Appendix B.8 (exact)",
    }
}

/// Every unit, grouped by what it measures.
pub(crate) static UNITS: LazyLock<Vec<UnitRow>> = LazyLock::new(|| [PRESSURES, OTHERS].concat());

/// All but the pressures.
const OTHERS: &[UnitRow] = &[
    // Temperature, base °C
    thermometer(
        "Cel",
        &[
            "°c",
            "c",
            "degc",
            "deg_c",
            "celsius",
            "℃",
            "gradc",
            "grad celsius",
        ],
        1.0,
        0.0,
    ),
    thermometer(
        "[degF]",
        &["°f", "f", "degf", "deg_f", "fahrenheit", "℉"],
        5.0 / 9.0,
        -160.0 / 9.0,
    ),
    thermometer("K", &["kelvin"], 1.0, -273.15),
    // Volume flow, base L/min
    linear(
        "L/min",
        &[
            "lpm",
            "l/min",
            "ltr/min",
            "litre/min",
            "liter/min",
            "litres/min",
            "litre/minute",
            "liters/min",
            "dm3/min",
            "l/mn",
            "l/m",
        ],
        VolumeFlow,
        1.0,
        SI,
    ),
    linear("L/h", &["lph", "l/h", "l/hr"], VolumeFlow, 1.0 / 60.0, SI),
    linear("L/s", &["lps", "l/s"], VolumeFlow, 60.0, SI),
    linear(
        "m3/h",
        &["cmh", "m3/hr", "m3h", "cbm/h", "cbm/std"],
        VolumeFlow,
        1000.0 / 60.0,
        SI,
    ),
    linear("m3/min", &["cmm"], VolumeFlow, 1000.0, SI),
    linear("m3/s", &[], VolumeFlow, 60_000.0, SI),
    linear(
        "[gal_us]/min",
        &["gpm", "usgpm", "gal/min"],
        VolumeFlow,
        3.785_411_784,
        EXACT,
    ),
    linear(
        "[gal_us]/h",
        &["gph", "usgph", "gal/h", "gal/hr"],
        VolumeFlow,
        3.785_411_784 / 60.0,
        EXACT,
    ),
    linear(
        "[gal_br]/min",
        &["igpm", "imp gpm"],
        VolumeFlow,
        4.546_09,
        EXACT,
    ),
    linear(
        "[cft_i]/min",
        &["cfm", "acfm", "ft3/min"],
        VolumeFlow,
        28.316_846_592,
        EXACT,
    ),
    // Mass flow, base kg/h
    linear("kg/h", &["kg/hr"], MassFlow, 1.0, SI),
    linear("g/h", &["g/hr"], MassFlow, 1e-3, SI),
    linear("g/d", &["g/day"], MassFlow, 1e-3 / 24.0, SI),
    linear("kg/d", &["kg/day"], MassFlow, 1.0 / 24.0, SI),
    linear("kg/s", &[], MassFlow, 3600.0, SI),
    linear(
        "[lb_av]/h",
        &["lb/h", "lb/hr", "pph"],
        MassFlow,
        0.453_592_37,
        EXACT,
    ),
    // Content by mass, base mg/kg
    linear(
        "mg/kg",
        &[
            "ppm",
            "ppmw",
            "ppm w/w",
            "ppm(w)",
            "ppm m/m",
            "ppm(m/m)",
            "ppm by mass",
            "mg/kg",
            "mg/kg oil",
            "ug/g",
        ],
        MassFraction,
        1.0,
        RATIO,
    ),
    linear("[ppm]", &[], MassFraction, 1.0, "UCUM [ppm], read by mass"),
    linear("g/kg", &["‰ m/m"], MassFraction, 1000.0, RATIO),
    linear(
        "%{m/m}",
        &[
            "% (m/m)",
            "% m/m",
            "% w/w",
            "wt%",
            "gew.-%",
            "wt-%",
            "wt.-%",
            "ma.-%",
            "massen-%",
            "% massique",
            "% masse",
            "gew.%",
            "gew%",
            "m%",
            "wt.%",
            "mass%",
            "% wt",
            "% mass",
            "%(w/w)",
            "wt percent",
        ],
        MassFraction,
        1e4,
        RATIO,
    ),
    linear("ug/kg", &["ppb"], MassFraction, 1e-3, RATIO),
    // Content of a volume, base mg/L
    linear("mg/L", &["mg/l oil", "mg/dm3"], MassConcentration, 1.0, SI),
    linear("ug/L", &["ug/l"], MassConcentration, 1e-3, SI),
    // Content by volume, base ppm v/v
    linear(
        "uL/L",
        &[
            "ppmv",
            "ppm v/v",
            "ppm(v/v)",
            "ppm(v)",
            "ppm vol",
            "vol-ppm",
            "vol ppm",
            "vppm",
            "ppm by volume",
            "ul/l",
            "ul/l oil",
            "ml/m3",
            "cm3/m3",
        ],
        VolumeFraction,
        1.0,
        RATIO,
    ),
    linear(
        "%{v/v}",
        &[
            "vol%", "vol-%", "vol.-%", "vol.%", "% v/v", "%(v/v)", "% vol", "v%",
        ],
        VolumeFraction,
        1e4,
        RATIO,
    ),
    linear("mL/L", &[], VolumeFraction, 1000.0, RATIO),
    // Shares, base 1
    linear("1", &["fraction", "ratio", "{ratio}"], Ratio, 1.0, RATIO),
    linear("%", &["percent", "pct", "prozent"], Ratio, 0.01, RATIO),
    linear(
        "[ppth]",
        &["‰", "permille", "promille", "pour mille"],
        Ratio,
        1e-3,
        RATIO,
    ),
    linear(
        "1{RS}",
        &["aw", "a_w", "water activity", "activity"],
        Saturation,
        1.0,
        "UCUM unity; the annotation is ours",
    ),
    linear(
        "%{RS}",
        &["%rs", "rs%", "%rh", "% saturation", "%sat"],
        Saturation,
        0.01,
        "UCUM percent; the annotation is ours",
    ),
    // Frequency and rates
    linear("Hz", &["hertz", "hz", "cps"], Frequency, 1.0, SI),
    linear("kHz", &[], Frequency, 1000.0, SI),
    linear(
        "{rev}/min",
        &["rpm", "1/min{rev}", "r/min", "rev/min"],
        Frequency,
        1.0 / 60.0,
        SI,
    ),
    linear("/h", &["1/h", "1/hr", "per hour", "h-1"], Rate, 1.0, SI),
    linear("/min", &["1/min", "per minute"], Rate, 60.0, SI),
    linear("/s", &["1/s", "per second", "s-1"], Rate, 3600.0, SI),
    linear("/d", &["1/d", "1/day", "per day"], Rate, 1.0 / 24.0, SI),
    linear(
        "/a",
        &["1/a", "1/yr", "per year"],
        Rate,
        1.0 / 8766.0,
        "UCUM a = 365.25 d",
    ),
    // Power, energy
    linear("kW", &["kilowatt", "kw"], Power, 1.0, SI),
    linear("W", &["watt"], Power, 1e-3, SI),
    linear("MW", &["megawatt"], Power, 1e3, SI),
    linear(
        "[HP]",
        &["hp", "horsepower"],
        Power,
        0.745_699_871_582_270_2,
        "550 ft·lbf/s (NIST SP 811)",
    ),
    linear(
        "[Btu_IT]/h",
        &["btu/h", "btu/hr"],
        Power,
        1.055_055_852_62 / 3600.0,
        SP811,
    ),
    linear("kW.h", &["kwh", "kilowatt hour"], Energy, 1.0, SI),
    linear("W.h", &["wh"], Energy, 1e-3, SI),
    linear("MJ", &["megajoule"], Energy, 1.0 / 3.6, SI),
    linear("kJ", &["kilojoule"], Energy, 1.0 / 3600.0, SI),
    linear(
        "[Btu_IT]",
        &["btu"],
        Energy,
        1.055_055_852_62 / 3600.0,
        SP811,
    ),
    // Time, base h
    linear("h", &["hr", "hrs", "hour", "hours"], Time, 1.0, SI),
    linear("min", &["minute", "minutes", "mins"], Time, 1.0 / 60.0, SI),
    linear(
        "s",
        &["sec", "second", "seconds", "secs"],
        Time,
        1.0 / 3600.0,
        SI,
    ),
    linear("ms", &["millisecond"], Time, 1e-3 / 3600.0, SI),
    linear("d", &["day", "days"], Time, 24.0, SI),
    linear("wk", &["week", "weeks"], Time, 168.0, SI),
    linear(
        "a",
        &["yr", "year", "years"],
        Time,
        8766.0,
        "UCUM a = 365.25 d",
    ),
    // Volume, base L
    linear(
        "L",
        &["liter", "litre", "ltr", "liters", "litres"],
        Volume,
        1.0,
        SI,
    ),
    linear("l", &[], Volume, 1.0, SI),
    linear("mL", &["ml", "milliliter", "cc"], Volume, 1e-3, SI),
    linear(
        "m3",
        &["cbm", "cubic meter", "cubic metre"],
        Volume,
        1000.0,
        SI,
    ),
    linear(
        "[gal_us]",
        &["gal", "gallon", "gallons", "us gal", "usg"],
        Volume,
        3.785_411_784,
        EXACT,
    ),
    linear(
        "[gal_br]",
        &["imp gal", "uk gal", "igal"],
        Volume,
        4.546_09,
        EXACT,
    ),
    linear(
        "[cft_i]",
        &["ft3", "cu ft", "cf"],
        Volume,
        28.316_846_592,
        EXACT,
    ),
    linear(
        "[bbl_us]",
        &["bbl", "barrel"],
        Volume,
        158.987_294_928,
        "42 US gallons, exact (UCUM)",
    ),
    linear("[qt_us]", &["qt", "quart"], Volume, 0.946_352_946, EXACT),
    // Mass, base kg
    linear("kg", &["kilogram"], Mass, 1.0, SI),
    linear("g", &["gram"], Mass, 1e-3, SI),
    linear("t", &["tonne"], Mass, 1000.0, SI),
    linear(
        "[lb_av]",
        &["lb", "lbs", "pound"],
        Mass,
        0.453_592_37,
        EXACT,
    ),
    // Length, base m
    linear("m", &["meter", "metre", "masl"], Length, 1.0, SI),
    linear("km", &["kilometer", "kilometre"], Length, 1000.0, SI),
    linear("mm", &["millimeter", "millimetre"], Length, 1e-3, SI),
    linear("cm", &["centimeter", "centimetre"], Length, 1e-2, SI),
    linear("um", &["micrometer", "micron", "microns"], Length, 1e-6, SI),
    linear("[ft_i]", &["ft", "feet", "foot"], Length, 0.3048, EXACT),
    linear("[in_i]", &["in", "inch", "inches"], Length, 0.0254, EXACT),
    // Electrical
    linear("kV", &["kilovolt", "kv"], Voltage, 1.0, SI),
    linear("V", &["volt", "volts"], Voltage, 1e-3, SI),
    linear("A", &["amp", "amps", "ampere"], Current, 1.0, SI),
    linear("mA", &["milliamp", "milliampere"], Current, 1e-3, SI),
    // Oil properties
    linear(
        "mg{KOH}/g",
        &["mgkoh/g", "mg koh/g oil", "mg/g"],
        AcidNumber,
        1.0,
        RATIO,
    ),
    linear(
        "mm2/s",
        &["cst", "centistoke", "centistokes"],
        KinematicViscosity,
        1.0,
        SI,
    ),
    linear("St", &["stokes"], KinematicViscosity, 100.0, "NIST SP 811"),
    linear("m2/s", &[], KinematicViscosity, 1e6, SI),
    linear("mPa.s", &["cp", "centipoise"], DynamicViscosity, 1.0, SI),
    linear("Pa.s", &[], DynamicViscosity, 1000.0, SI),
    linear("kg/m3", &[], Density, 1.0, SI),
    linear("g/cm3", &["g/cc"], Density, 1000.0, SI),
    linear("g/mL", &["kg/l", "kg/dm3"], Density, 1000.0, SI),
    linear(
        "[lb_av]/[gal_us]",
        &["lb/gal", "ppg"],
        Density,
        119.826_427_316_897_4,
        EXACT,
    ),
    linear("mN/m", &["dyn/cm", "dyne/cm"], InterfacialTension, 1.0, SI),
    linear(
        "/mL",
        &[
            "1/ml",
            "particles/ml",
            "{particles}/ml",
            "counts/ml",
            "p/ml",
        ],
        ParticleCount,
        1.0,
        RATIO,
    ),
    linear(
        "/(100.mL)",
        &["/100ml", "1/100ml", "particles/100ml", "per 100 ml"],
        ParticleCount,
        0.01,
        RATIO,
    ),
    // Leaks and air
    linear("Pa.m3/s", &["pa m3/s", "pa-m3/s"], Throughput, 1.0, SI),
    linear("mbar.L/s", &["mbar l/s", "mbar-l/s"], Throughput, 0.1, SI),
    linear(
        "cm3{0Cel,101.325kPa}/min",
        &["sccm", "std cc/min"],
        Throughput,
        101_325.0 / 60.0 * 1e-6,
        "0 °C and 101.325 kPa; the annotation is ours",
    ),
    linear("g/m3", &[], AbsoluteHumidity, 1.0, SI),
    linear(
        "[ppm].d",
        &["ppm days", "ppm-days", "ppm d", "mg.d/kg", "mg/kg.d"],
        ContentTime,
        1.0,
        RATIO,
    ),
];
