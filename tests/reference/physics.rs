//! Units, physics and laboratory formulas against published values and worked examples.
//!
//! Each line carries its source. PUB: published, seen or reproduced to the printed digits by an
//! independent open library. CALC: computed in double precision by an independent program (CoolProp
//! 8.0.0, iapws 1.5.5, chemicals 1.5.2, scipy) from inputs that are named. MEM: input from memory.

use drydown_physics::drying::{self, DryingLoop, DryingTime, PumpInlet};
use drydown_physics::flow::{self, Hose};
use drydown_physics::heat::{self, HeatUp, HeatUpTime};
use drydown_physics::solubility::{self, MINERAL_INSULATING, MINERAL_INSULATING_SECOND};
use drydown_physics::vacuum::{self, GasBallast, PumpDown};
use drydown_physics::viscosity::{self, Walther};
use drydown_physics::{atmosphere, kelvin, lab, particles, saturation, steam};
use drydown_quantity::{PressureReference, Unit, absolute_kpa, pressure, volume_ppm_to_mass_ppm};

/// One value to meet.
struct Check {
    /// Number in the project's list of check values, then what it is.
    what: &'static str,
    got: f64,
    expected: f64,
    tolerance: f64,
    source: &'static str,
}

fn check(
    what: &'static str,
    got: f64,
    expected: f64,
    tolerance: f64,
    source: &'static str,
) -> Check {
    Check {
        what,
        got,
        expected,
        tolerance,
        source,
    }
}

fn assert_all(checks: &[Check]) {
    let wrong: Vec<String> = checks
        .iter()
        .filter(|c| c.got.is_nan() || (c.got - c.expected).abs() > c.tolerance)
        .map(|c| {
            format!(
                "{}: got {}, expected {} ± {} ({})",
                c.what, c.got, c.expected, c.tolerance, c.source
            )
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

const IF97_35: &str = "PUB IAPWS R7-97(2012), table 35";
const IF97_36: &str = "PUB IAPWS R7-97(2012), table 36";
const ISA: &str = "PUB ISO 2533 / US Standard Atmosphere 1976 (formula), CALC";
const NACA: &str = "PUB NACA RM E52D24, Hibbard and Schalla 1952 (formula), CALC";

#[test]
#[rustfmt::skip] // a line is a value with its source
fn saturation_of_water() {
    let at_k = |t_k: f64| saturation::pressure_kpa(t_k - 273.15);
    let boil_k = |mpa: f64| kelvin(saturation::temperature_degc(mpa * 1000.0));
    assert_all(&[
        check("1 p_sat 300 K, kPa", at_k(300.0), 3.536_589_41, 3.5e-8, IF97_35),
        check("2 p_sat 500 K, kPa", at_k(500.0), 2_638.897_76, 2.7e-5, IF97_35),
        check("3 p_sat 600 K, kPa", at_k(600.0), 12_344.314_6, 1.3e-4, IF97_35),
        check("4 T_sat 0.1 MPa, K", boil_k(0.1), 372.755_919, 1e-6, IF97_36),
        check("5 T_sat 1 MPa, K", boil_k(1.0), 453.035_632, 1e-6, IF97_36),
        check("6 T_sat 10 MPa, K", boil_k(10.0), 584.149_488, 1e-6, IF97_36),
        check("7 p_sat 60 °C, kPa", saturation::pressure_kpa(60.0), 19.945_80, 1e-5, "CALC iapws 1.5.5"),
        check("7 against IAPWS-95", saturation::pressure_kpa(60.0), 19.946_43, 4e-3, "CALC CoolProp 8.0.0 (0.02 %)"),
        check("7 against SR1-86", steam::pressure_kpa(60.0), 19.947_38, 1e-5, "PUB IAPWS SR1-86 (formula), CALC"),
        check("8 p_sat 150 °F, kPa", saturation::pressure_kpa(Unit::parse("°F").unwrap().to_base(150.0)), 25.669_96, 1e-4, "CALC iapws 1.5.5"),
    ]);
}

#[test]
fn saturation_table_of_three_formulations() {
    // t °C, IF97 Pa, IAPWS-95 Pa, latent heat kJ/kg by IAPWS-95 (CALC iapws 1.5.5, CoolProp 8.0.0)
    let table = [
        (10.0, 1228.18, 1228.20, 2477.2),
        (20.0, 2339.21, 2339.32, 2453.5),
        (30.0, 4246.69, 4246.97, 2429.8),
        (40.0, 7384.43, 7384.94, 2406.0),
        (50.0, 12_351.27, 12_351.95, 2381.9),
        (60.0, 19_945.80, 19_946.43, 2357.7),
        (70.0, 31_200.64, 31_200.93, 2333.0),
        (80.0, 47_414.72, 47_414.47, 2308.0),
        (90.0, 70_182.36, 70_181.77, 2282.5),
        (100.0, 101_417.98, 101_418.00, 2256.4),
    ];
    for (t, if97, iapws95, latent) in table {
        let got = saturation::pressure_kpa(t) * 1000.0;
        assert!((got - if97).abs() < 0.01, "{t}: {got}");
        assert!((got / iapws95 - 1.0).abs() < 2e-4, "{t}: {got}");
        let got = steam::latent_kj_per_kg(t);
        // two formulations of the release differ by up to 0.012 %
        assert!((got / latent - 1.0).abs() < 2e-4, "{t}: {got} {latent}");
    }
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn barometer_and_gauge_vacuum() {
    let sea = atmosphere::barometer_kpa(0.0);
    let high = atmosphere::barometer_kpa(1500.0);
    let conventional = |inhg: f64, ambient: f64| {
        let kpa = Unit::parse("[in_i'Hg]{conv}").unwrap().to_base(inhg);
        absolute_kpa(kpa, PressureReference::Vacuum, ambient)
    };
    let sixty = Unit::parse("[in_i'Hg]{60degF}").unwrap().to_base(26.0);
    let boil_66 = saturation::pressure_kpa(66.0);
    let inch = Unit::parse("[in_i'Hg]{conv}").unwrap();
    assert_all(&[
        check("9 barometer 1500 m, kPa", high, 84.556, 1e-3, ISA),
        check("9 barometer 500 m, kPa", atmosphere::barometer_kpa(500.0), 95.461, 1e-3, ISA),
        check("9 barometer 3000 m, kPa", atmosphere::barometer_kpa(3000.0), 70.109, 1e-3, ISA),
        check("10 most vacuum 1500 m, inHg", inch.from_base(high), 24.969, 1e-3, ISA),
        check("11 26 inHg sea level, kPa", conventional(26.0, 101.325), 13.278_89, 1e-5, "PUB NIST SP 811 conventional inch"),
        check("11 in our own inch (32 °F), kPa", pressure::gauge_inhg_to_kpa(26.0, 101.325), 13.279_12, 1e-5, "PUB NIST SP 811 inch at 32 °F"),
        check("12 same at 60 °F, kPa", absolute_kpa(sixty, PressureReference::Vacuum, 101.325), 13.526_90, 1e-4, "PUB NIST SP 811 inch at 60 °F"),
        check("13 boiling at 26 inHg sea level, °C", saturation::temperature_degc(pressure::gauge_inhg_to_kpa(26.0, sea)), 51.467, 2e-3, "CALC iapws 1.5.5"),
        check("14 boiling at 22 inHg 1500 m, °C", saturation::temperature_degc(pressure::gauge_inhg_to_kpa(22.0, high)), 45.916, 2e-3, "CALC iapws 1.5.5"),
        check("15 gauge to boil at 66 °C, sea level", pressure::gauge_inhg(boil_66, sea), 22.190, 1e-3, "CALC iapws 1.5.5"),
        check("15 gauge to boil at 66 °C, 1500 m", pressure::gauge_inhg(boil_66, high), 17.238, 1e-3, "CALC iapws 1.5.5"),
    ]);
    // 16: a reading that no atmosphere at 1500 m allows
    assert!(!pressure::is_possible_kpa(conventional(25.0, high), high));
    assert!(pressure::is_possible_kpa(conventional(24.0, high), high));
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn water_in_oil() {
    let griffin = MINERAL_INSULATING;
    let second = MINERAL_INSULATING_SECOND;
    let s = |t: f64| solubility::ppm(griffin.a, griffin.b_k, t);
    let aw = |t: f64| solubility::activity(50.0, griffin.a, griffin.b_k, t);
    let diesel = solubility::hydrocarbon(0.155, 200.0);
    let pao = solubility::hydrocarbon(0.173_44, 422.8);
    let digits = "digits PUB (public code bases), CALC";
    assert_all(&[
        check("17 S 20 °C, ppm", s(20.0), 55.48, 0.02, digits),
        check("17 S 60 °C, ppm", s(60.0), 243.17, 0.02, digits),
        check("17 S 66 °C, ppm", s(66.0), 294.5, 0.05, digits),
        check("18 S base ten, ppm", solubility::ppm(second.a, second.b_k, 20.0), 52.88, 0.01, digits),
        check("19 aged oil, ppm", solubility::aged_mineral_ppm(60.0, 10.0, 0.15), 315.78, 0.05, "PUB (secondary), credited to CIGRE TB 741; CALC"),
        check("20 n-heptane, mol %", solubility::hydrocarbon_mole_percent(0.191_82, 25.0), 0.0556, 2e-4, NACA),
        check("20 benzene, mol %", solubility::hydrocarbon_mole_percent(0.083_92, 25.0), 0.347, 2e-3, NACA),
        check("21 A of diesel", diesel.a, 7.6762, 5e-4, NACA),
        check("21 B of diesel, K", diesel.b_k, 1701.0, 0.1, NACA),
        check("21 PAO at 66 °C, ppm", solubility::ppm(pao.a, pao.b_k, 66.0), 170.2, 0.1, NACA),
        check("22 activity 40 °C", aw(40.0), 0.4106, 5e-4, digits),
        check("22 activity 66 °C", aw(66.0), 0.1698, 5e-4, digits),
        check("23 ppm from 25 % at 50 °C", solubility::ppm_from_activity(0.25, griffin.a, griffin.b_k, 50.0), 43.48, 0.02, digits),
        check("24 cloud point of 100 ppm, °C", solubility::cloud_degc(100.0, griffin.a, griffin.b_k), 34.739, 5e-3, digits),
        check("oil in 25 °C air of 60 %, ppm", solubility::air_equilibrium_ppm(griffin, 25.0, 25.0, 0.6), 40.9, 0.05, digits),
    ]);
    let natural_exponential = (second.a - second.b_k / kelvin(20.0)).exp();
    assert!(
        (natural_exponential - 5.60).abs() < 0.01,
        "the trap of check 18 is where it was"
    );
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn viscosity_law_index_and_grade() {
    let vg32 = Walther::from_two_points((40.0, 32.0), (100.0, 5.4)).unwrap();
    let vg220 = Walther::from_two_points((40.0, 220.0), (100.0, 18.7)).unwrap();
    let d341 = "PUB ASTM D341 (formula), CALC; a public worksheet prints 8.5";
    let d2270 = "PUB ASTM D2270, 5.1.4 and 6.1.4";
    let exact = |u: f64, y: f64| viscosity::index(u, y).unwrap().exact;
    let whole = |u: f64, y: f64| f64::from(viscosity::index(u, y).unwrap().reported);
    let (low, high) = viscosity::reference_viscosities(80.0).unwrap();
    assert_all(&[
        check("25 VG 32 at 80 °C", vg32.mm2s(80.0), 8.53, 0.01, d341),
        check("25 A", vg32.a, 9.530_82, 1e-4, d341),
        check("25 B", vg32.b, 3.746_58, 1e-4, d341),
        check("26 VG 220 at 15 °C", vg220.mm2s(15.0), 1300.3, 0.5, d341),
        check("27 index", exact(73.30, 8.86), 92.43, 0.01, d2270),
        check("27 reported", whole(73.30, 8.86), 92.0, 0.0, d2270),
        check("28 index", exact(22.83, 5.05), 156.37, 0.06, "PUB ASTM D2270 6.1.4; the standard rounds N to five digits"),
        check("28 reported", whole(22.83, 5.05), 156.0, 0.0, d2270),
        check("29 index", exact(53.47, 7.80), 111.31, 0.01, "inputs PUB ASTM D2270 6.1.4, result CALC chemicals 1.5.2"),
        check("29 reported", whole(53.47, 7.80), 111.0, 0.0, d2270),
        check("30 L above 70", low, 6303.52, 0.01, "PUB ASTM D2270 (formula), CALC"),
        check("30 H above 70", high, 1928.76, 0.01, "PUB ASTM D2270 (formula), CALC"),
        check("30 index above 70", exact(1000.0, 80.0), 157.65, 0.01, "PUB ASTM D2270 (formula), CALC"),
        check("30 reported", whole(1000.0, 80.0), 158.0, 0.0, "PUB ASTM D2270 (formula), CALC"),
        check("index of a VG 46", exact(46.0, 6.8), 101.6, 0.05, "CALC chemicals 1.5.2"),
        check("index of a VG 320", exact(320.0, 24.0), 95.2, 0.05, "CALC chemicals 1.5.2"),
    ]);
    // 31: PUB ISO 3448:1992, ±10 % of the mid-point, gaps between grades
    for (mm2s, grade) in [
        (38.0, None),
        (41.4, Some(46)),
        (50.6, Some(46)),
        (50.61, None),
        (1.98, Some(2)),
    ] {
        assert_eq!(viscosity::grade_of(mm2s), grade, "{mm2s}");
    }
}

/// 1000 US gal at 870 kg/m³ on 20 US gal/min at removal 0.8 per pass, floor 30 ppm.
fn worked_loop() -> DryingLoop {
    let litres = Unit::parse("gal").unwrap().to_base(1000.0);
    let lpm = Unit::parse("gpm").unwrap().to_base(20.0);
    DryingLoop {
        oil_kg: litres * 0.87,
        dried_flow_kg_per_h: 0.8 * lpm * 60.0 * 0.87,
        floor_ppm: 30.0,
        capacity_kg_per_h: f64::INFINITY,
        ingress_kg_per_h: 0.0,
    }
}

/// The three sizes of the sizing example: 2000 US gal at 870 kg/m³, removal 0.6, ingress 0.2 kg/h.
fn sizing_loop(gpm: f64, pump_m3_per_h: f64) -> DryingLoop {
    let lpm = Unit::parse("gpm").unwrap().to_base(gpm);
    DryingLoop {
        oil_kg: Unit::parse("gal").unwrap().to_base(2000.0) * 0.87,
        dried_flow_kg_per_h: 0.6 * lpm * 60.0 * 0.87,
        floor_ppm: 30.0,
        capacity_kg_per_h: vacuum::pump_water_kg_per_h(10.0, pump_m3_per_h, 40.0),
        ingress_kg_per_h: 0.2,
    }
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn drying_worked_examples() {
    let balance = "textbook mass balance, CALC scipy 1.17";
    let plain = worked_loop();
    let hours = |time: DryingTime| time.hours().unwrap_or(f64::NAN);
    let minutes = 60.0 * hours(plain.time_to(1000.0, 100.0));
    let wet = DryingLoop {
        ingress_kg_per_h: 0.5,
        ..plain
    };
    let capacity = vacuum::pump_water_kg_per_h(10.0, 30.0, 40.0);
    let slow = DryingLoop {
        capacity_kg_per_h: capacity,
        ..plain
    };
    let DryingTime::Reached {
        capacity_h,
        decline_h,
    } = slow.time_to(20_000.0, 100.0)
    else {
        panic!("check 35 is feasible");
    };
    let removed_kg = plain.oil_kg * 900.0 * 1e-6;
    assert_all(&[
        check("32 minutes to 100 ppm", minutes, 164.30, 0.01, balance),
        check("32 turnovers", minutes / 50.0, 3.2860, 1e-4, balance),
        check("32 after 60 min, ppm", plain.ppm_after(1000.0, 1.0), 401.41, 0.01, balance),
        check("32 water removed, kg", removed_kg, 2.9640, 1e-4, balance),
        check("33 steady with ingress, ppm", wet.steady_ppm(), 188.149, 0.01, balance),
        check("33 minutes to 250 ppm", 60.0 * hours(wet.time_to(1000.0, 250.0)), 160.91, 0.01, balance),
        check("34 pump limit, kg/h", capacity, 2.075_75, 1e-4, "ideal gas, CALC"),
        check("35 crossover, ppm", slow.crossover_ppm(), 686.56, 0.01, balance),
        check("35 hours at capacity", capacity_h, 30.642, 5e-3, balance),
        check("35 hours of decline", decline_h, 2.332, 5e-3, balance),
        check("35 in all, h", capacity_h + decline_h, 32.974, 5e-3, "CALC, numerical integration of the balance"),
        check("37 plan B, h", hours(sizing_loop(20.0, 40.0).time_to(3000.0, 200.0)), 11.672, 2e-3, balance),
        check("37 plan C, h", hours(sizing_loop(60.0, 100.0).time_to(3000.0, 200.0)), 3.713, 2e-3, balance),
        check("share after 3 turnovers at 0.5", drying::removed_share(0.5, 3.0), 0.7769, 1e-4, balance),
        check("turnovers for 99 % at 0.3", drying::turnovers_for(0.3, 0.99), 15.351, 1e-3, balance),
        check("per pass from 400 to 120", drying::per_pass_from_pair(400.0, 120.0, 30.0), 0.757, 5e-4, balance),
    ]);
    // 33, 36: a target that the loop never reaches is a result
    assert!(matches!(
        wet.time_to(1000.0, 100.0),
        DryingTime::SettlesAbove { .. }
    ));
    let DryingTime::SettlesAbove { steady_ppm } = sizing_loop(5.0, 20.0).time_to(3000.0, 200.0)
    else {
        panic!("check 36 is infeasible");
    };
    assert!((steady_ppm - 367.38).abs() < 0.05, "{steady_ppm}");
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn floor_and_chamber_coupling() {
    let griffin = MINERAL_INSULATING;
    let s66 = solubility::ppm(griffin.a, griffin.b_k, 66.0);
    let s60 = solubility::ppm(griffin.a, griffin.b_k, 60.0);
    let chamber = absolute_kpa(
        Unit::parse("[in_i'Hg]{conv}").unwrap().to_base(25.0),
        PressureReference::Vacuum,
        101.325,
    );
    let bleed = drying::bleed_vapour_share(0.6, 25.0, 101.325);
    let pump = PumpInlet {
        speed_m3_per_h: 30.0,
        gas_degc: 40.0,
    };
    let flow_kg_h = 1.0978 * 3600.0;
    let henry_ppm_per_kpa = s60 / saturation::pressure_kpa(60.0);
    let calc = "CALC from IF97 and the solubility pair";
    assert_all(&[
        check("38 floor of pure steam, ppm", drying::floor_ppm(s66, 66.0, chamber, 1.0), 187.47, 0.05, calc),
        check("38 water in bleed air", bleed, 0.018_77, 1e-5, calc),
        check("38 floor with bleed, ppm", drying::floor_ppm(s66, 66.0, chamber, bleed), 3.52, 0.05, calc),
        check("39 coupled removal per pass", drying::coupled_per_pass(0.8, flow_kg_h, 60.0, s60, pump), 0.6747, 5e-4, calc),
        check("39 water pressure at 1000 ppm, kPa", drying::coupled_water_kpa(0.8, flow_kg_h, 1000.0, henry_ppm_per_kpa, pump), 12.846, 5e-3, calc),
        check("39 water pressure at 100 ppm, kPa", drying::coupled_water_kpa(0.8, flow_kg_h, 100.0, henry_ppm_per_kpa, pump), 1.285, 1e-3, calc),
    ]);
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn heat_worked_examples() {
    let oil_kg = worked_loop().oil_kg;
    let lagged = HeatUp {
        oil_kg,
        kj_per_kg_k: 1.963_25,
        heater_kw: 24.0,
        loss_w_per_k: 0.0,
        ambient_degc: 20.0,
    };
    let bare = HeatUp {
        loss_w_per_k: 120.0,
        ..lagged
    };
    let hours = |time: HeatUpTime| match time {
        HeatUpTime::Reached { hours } => hours,
        HeatUpTime::EndsBelow { .. } => f64::NAN,
    };
    let cragoe = "PUB Cragoe, NBS Misc. Publ. 97 (1929), formula; CALC";
    assert_all(&[
        check("40 heat capacity at 60 °C", heat::oil_kj_per_kg_k(60.0, 0.87), 2.0252, 5e-4, cragoe),
        check("40 heat capacity at 20 °C", heat::oil_kj_per_kg_k(20.0, 0.87), 1.8794, 5e-4, cragoe),
        check("41 without loss, h", hours(lagged.time_to(20.0, 66.0)), 3.442, 1e-3, "CALC"),
        check("41 with loss, h", hours(bare.time_to(20.0, 66.0)), 3.912, 5e-3, "CALC"),
        check("41 where it would end, °C", bare.final_degc(), 220.0, 1e-9, "CALC"),
        check("41 energy, kWh", lagged.energy_kwh(20.0, 66.0), 82.62, 0.01, "CALC"),
        check("41 rise in one pass, K", heat::pass_rise_k(24.0, 3951.97, 1.963_25), 11.14, 0.01, "CALC"),
        check("42 flash cooling, K", heat::flash_cooling_k(0.01, 2345.0, 2.0252), 11.58, 0.01, "CALC"),
        check("43 least energy, kWh/kg", steam::evaporation_kwh_per_kg(20.0, 60.0), 0.7014, 5e-4, "CALC CoolProp 8.0.0 (IAPWS-95)"),
        check("latent heat at 66 °C, kWh/kg", steam::latent_kj_per_kg(66.0) / 3600.0, 0.651, 5e-4, "CALC CoolProp 8.0.0"),
        check("density at 60 °C, kg/m³", heat::oil_kgm3(60.0, 870.0), 841.49, 0.01, "ASTM D1250-80 table 54D constants MEM; CALC"),
        check("density at 20 °C, kg/m³", heat::oil_kgm3(20.0, 870.0), 866.86, 0.01, "ASTM D1250-80 table 54D constants MEM; CALC"),
    ]);
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn hose_flow() {
    let hose = Hose {
        diameter_mm: 38.1,
        length_m: 3.0,
    };
    let lpm = Unit::parse("gpm").unwrap().to_base(20.0);
    let law = "Hagen-Poiseuille, CALC";
    assert_all(&[
        check("44 drop, kPa", flow::hose_drop_kpa(hose, lpm, 1300.32, 890.0), 84.71, 0.05, law),
        check("44 Reynolds number", flow::reynolds(hose, lpm, 1300.32), 32.4, 0.05, law),
        check("44 VG 46 at 40 °C, kPa", flow::hose_drop_kpa(hose, lpm, 46.0, 890.0), 3.0, 0.05, law),
        check("44 a quarter of the flow, kPa", flow::hose_drop_kpa(hose, lpm / 4.0, 1300.32, 890.0), 21.2, 0.05, law),
    ]);
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn pump_down_leaks_and_vents() {
    let healthy = PumpDown {
        chamber_m3: 0.150,
        speed_m3_per_h: 30.0,
        base_kpa: 2.0,
    };
    let worn = PumpDown {
        speed_m3_per_h: 21.0,
        ..healthy
    };
    let inch = Unit::parse("[in_i'Hg]{conv}").unwrap();
    let window = |pump: PumpDown, ambient: f64| {
        let at = |inhg: f64| absolute_kpa(inch.to_base(inhg), PressureReference::Vacuum, ambient);
        pump.seconds_between(at(5.0), at(20.0)).unwrap()
    };
    let leak = vacuum::rate_of_rise_pa_m3_s(0.150, 0.5, 300.0);
    let sccm = Unit::parse("sccm").unwrap();
    let vent = vacuum::choked_vent_pa_m3_s(3.0, 1.0, 101.325, 20.0);
    let ballast = GasBallast {
        ballast_m3_per_h: 3.0,
        speed_m3_per_h: 60.0,
        exhaust_degc: 80.0,
        ambient_kpa: 101.325,
        ambient_water_kpa: 0.5 * saturation::pressure_kpa(20.0),
        overpressure: 1.1,
    };
    let decay = vacuum::decay_leak_mol_per_s(0.002, (25.300, 20.0), (50.600, 20.0), 70.0);
    let curve = "pump-down method of ISO 21360-1:2020, CALC";
    assert_all(&[
        check("45 after 60 s, kPa", healthy.kpa_after(101.325, 60.0), 5.5433, 5e-4, curve),
        check("46 5 to 20 inHg sea level, s", window(healthy, 101.325), 17.25, 0.01, curve),
        check("46 5 to 20 inHg 1500 m, s", window(healthy, atmosphere::barometer_kpa(1500.0)), 26.77, 0.01, curve),
        check("46 speed 30 % down, s", window(worn, 101.325), 24.65, 0.01, curve),
        check("47 rate of rise, Pa·m³/s", leak, 0.25, 1e-12, "CALC"),
        check("47 same in sccm", sccm.from_base(leak), 148.0, 0.1, "CALC"),
        check("47 lift of the base, kPa", vacuum::base_lift_kpa(leak, 30.0), 0.030, 1e-9, "CALC"),
        check("47 air, kg/h", vacuum::air_kg_per_h(leak, 20.0), 0.010_70, 1e-5, "CALC"),
        check("48 decay leak, mol/s", decay, 2.9657e-4, 1e-7, "inputs PUB US 40 CFR 1065.644, result CALC"),
        check("49 choked vent, Pa·m³/s", vent, 142.26, 0.05, "CALC, choked flow of air at 20 °C"),
        check("49 lift, kPa", vacuum::base_lift_kpa(vent, 30.0), 17.0716, 5e-3, "CALC"),
        check("50 vapour tolerance, kPa", vacuum::water_vapour_tolerance_kpa(&ballast), 3.6583, 1e-3, "PUB vacuum handbook (formula), CALC"),
    ]);
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn laboratory_codes_and_precision() {
    let code = |per_ml: f64| particles::iso4406_code(per_ml).unwrap();
    // 51, 53: PUB ISO 4406:2021 table 1
    for (per_ml, expected) in [
        (1300.0, 17),
        (1300.1, 18),
        (2500.0, 18),
        (2501.0, 19),
        (0.01, 0),
        (0.011, 1),
        (2_500_000.0, 28),
        (2_500_001.0, particles::OVER_28),
    ] {
        assert_eq!(code(per_ml), expected, "{per_ml}");
    }
    assert_eq!(particles::render_iso4406(code(2_500_001.0), None), ">28");
    // 52: PUB ISO 4406:2021
    assert_eq!(
        particles::render_iso4406_counts([4500.0, 1250.0, 150.0]).as_deref(),
        Some("19/17/14")
    );
    // 54: PUB ISO 4406:2021, fewer than 20 particles counted
    assert_eq!(particles::render_iso4406(code(0.9), Some(19.0)), "≥7");
    assert_eq!(particles::render_iso4406(code(0.9), Some(20.0)), "7");
    // 55: PUB SAE AS4059 table 2 (cumulative), size B
    assert_eq!(
        particles::as4059_class(19_500.0, particles::As4059Size::B),
        Some(6)
    );
    assert_eq!(
        particles::as4059_class(19_501.0, particles::As4059Size::B),
        Some(7)
    );
    assert_eq!(
        particles::as4059_class(194.0, particles::As4059Size::A),
        Some(-2)
    );
    let d664 = "PUB ASTM D664";
    let cantley = "PUB Cantley, ASLE Trans. 20(3) 1977 (formula), CALC";
    assert_all(&[
        check("56 acid, used", lab::d664_used(0.15).repeatability, 0.017_55, 1e-5, d664),
        check("56 acid, fresh", lab::d664_fresh(1.0).repeatability, 0.088, 1e-5, d664),
        check("57 beta 75, %", 100.0 * particles::beta_efficiency(75.0), 98.667, 1e-3, "PUB ISO 16889 (definition)"),
        check("57 beta 1000, %", 100.0 * particles::beta_efficiency(1000.0), 99.9, 1e-9, "PUB ISO 16889 (definition)"),
        check("58 bearing life 25 ppm", lab::bearing_life(25.0).factor, 2.2974, 5e-4, cantley),
        check("58 bearing life 400 ppm", lab::bearing_life(400.0).factor, 0.4353, 5e-4, cantley),
        check("58 bearing life 1000 ppm", lab::bearing_life(1000.0).factor, 0.2512, 5e-4, cantley),
        check("59 absolute humidity, g/m³", atmosphere::absolute_humidity_g_per_m3(30.0, 0.8), 24.28, 0.02, "CALC IF97, ideal gas"),
        check("60 100 ppm v/v, ppm", volume_ppm_to_mass_ppm(100.0, 0.998, 0.87), 114.71, 0.02, "CALC"),
    ]);
    assert!(lab::bearing_life(1000.0).extrapolated);
}

#[test]
#[rustfmt::skip] // a line is a value with its source
fn unit_constants() {
    let base = |text: &str, value: f64| Unit::parse(text).unwrap().to_base(value);
    let to = |from: &str, value: f64, to: &str| {
        Unit::parse(from)
            .unwrap()
            .convert(value, Unit::parse(to).unwrap())
            .unwrap()
    };
    let sp811 = "PUB NIST SP 811 (2008), Appendix B";
    assert_all(&[
        check("66 20 gpm, m³/h", to("gpm", 20.0, "m3/h"), 4.542_49, 1e-4, sp811),
        check("66 150 °F, °C", base("°F", 150.0), 65.5556, 1e-4, sp811),
        check("66 20 psi, kPa", base("psi", 20.0), 137.895, 1e-3, sp811),
        check("inch of mercury, kPa", base("[in_i'Hg]", 1.0), 3.386_38, 1e-9, "PUB NIST SP 811, 32 °F"),
        check("UCUM's own inch of mercury, kPa", base("inHg", 1.0), 3.386_378_8, 2e-6, "PUB UCUM: m[Hg] = 133.3220 kPa"),
        check("Torr, kPa", base("Torr", 760.0), 101.325, 1e-9, sp811),
        check("mmHg, kPa", base("mmHg", 1.0), 0.133_322, 1e-6, "PUB UCUM"),
        check("mbar, kPa", base("mbar", 1000.0), 100.0, 1e-9, sp811),
        check("cubic foot per minute, L/min", base("cfm", 1.0), 28.316_846_592, 1e-9, sp811),
        check("gallon, L", base("gal", 1.0), 3.785_411_784, 1e-12, sp811),
        check("vacuum at 87 %, kPa", absolute_kpa(base("%", 87.0), PressureReference::PercentVacuum, 101.325), 13.172_25, 1e-9, "definition"),
        check("0.05 % water, ppm", to("%", 0.05, "ppm"), 500.0, 1e-9, "definition"),
        check("horsepower, kW", base("hp", 1.0), 0.745_699_9, 1e-7, sp811),
    ]);
}
