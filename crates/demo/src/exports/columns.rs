//! The columns of each dialect: header, quantity, unit, decimals. One table serves the writer and
//! the `drydown.toml` that reads the files back.

use crate::catalogue::Dialect;
use crate::row::Cell;

/// How a pressure is referred.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reference {
    None,
    Absolute,
    Gauge,
    Vacuum,
}

/// One column of a wide file, or one tag of a tall one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Column {
    /// Header or signal.
    pub(crate) name: &'static str,
    /// Column of `readings`.
    pub(crate) key: &'static str,
    pub(crate) cell: Cell,
    /// Unit as written in the configuration; empty: the table's own.
    pub(crate) unit: &'static str,
    pub(crate) scale: f64,
    pub(crate) shift: f64,
    pub(crate) decimals: usize,
    pub(crate) reference: Reference,
}

const fn column(
    name: &'static str,
    key: &'static str,
    cell: Cell,
    unit: &'static str,
    scale: f64,
    decimals: usize,
) -> Column {
    Column {
        name,
        key,
        cell,
        unit,
        scale,
        shift: 0.0,
        decimals,
        reference: Reference::None,
    }
}

const fn fahrenheit(name: &'static str, key: &'static str, cell: Cell) -> Column {
    let mut made = column(name, key, cell, "[degF]", 1.8, 1);
    made.shift = 32.0;
    made
}

const fn celsius(name: &'static str, key: &'static str, cell: Cell) -> Column {
    column(name, key, cell, "Cel", 1.0, 1)
}

const fn pressure(
    name: &'static str,
    unit: &'static str,
    scale: f64,
    decimals: usize,
    reference: Reference,
) -> Column {
    let mut made = column(
        name,
        "chamber_pressure_kpa",
        Cell::Chamber,
        unit,
        scale,
        decimals,
    );
    made.reference = reference;
    made
}

/// Inch of mercury at 0 °C, kPa (NIST SP 811).
const INCH_MERCURY_KPA: f64 = 3.386_38;
const PSI_KPA: f64 = 6.894_757_293_168;
const GALLON_L: f64 = 3.785_411_784;

const GAUGE: [Column; 21] = us_columns(pressure(
    "Vacuum",
    "[in_i'Hg]",
    1.0 / INCH_MERCURY_KPA,
    1,
    Reference::Gauge,
));

const VACUUM: [Column; 21] = us_columns(pressure(
    "Vacuum",
    "inHg",
    1.0 / INCH_MERCURY_KPA,
    1,
    Reference::Vacuum,
));

const fn us_columns(vacuum: Column) -> [Column; 21] {
    [
        vacuum,
        fahrenheit("Oil in", "oil_supply_degc", Cell::OilSupply),
        fahrenheit("Oil hot", "oil_inlet_degc", Cell::OilInlet),
        fahrenheit("Oil out", "oil_outlet_degc", Cell::OilOutlet),
        column("Flow", "oil_flow_lpm", Cell::Flow, "gpm", 1.0 / GALLON_L, 2),
        column(
            "Disch",
            "discharge_kpa_gauge",
            Cell::Discharge,
            "[psi]",
            1.0 / PSI_KPA,
            1,
        ),
        column(
            "Filter dP",
            "filter_dp_kpa",
            Cell::FilterDp,
            "[psi]",
            1.0 / PSI_KPA,
            1,
        ),
        column("Drive", "oil_pump_hz", Cell::Hertz, "Hz", 1.0, 1),
        column("RS", "water_activity", Cell::Activity, "%RS", 100.0, 1),
        column("Water", "water_ppm", Cell::WaterPpm, "mg/kg", 1.0, 0),
        fahrenheit("Probe", "water_sensor_degc", Cell::SensorDegc),
        column("Vent", "vent_open_pct", Cell::Vent, "", 1.0, 0),
        column("Heater", "heater_kw", Cell::HeaterKw, "kW", 1.0, 1),
        fahrenheit("Set", "heater_setpoint_degc", Cell::Setpoint),
        column("VP", "vacuum_pump_on", Cell::PumpOn, "", 1.0, 0),
        column("VP amps", "vacuum_pump_amps", Cell::Amps, "A", 1.0, 1),
        fahrenheit("VP temp", "vacuum_pump_degc", Cell::PumpDegc),
        column("Sump", "sump_level_pct", Cell::Sump, "", 1.0, 0),
        fahrenheit("Air", "ambient_degc", Cell::AirDegc),
        column("Hours", "run_hours_h", Cell::RunHours, "h", 1.0, 1),
        column("Run", "running", Cell::Running, "", 1.0, 0),
    ]
}

const METRIC: [Column; 20] = [
    pressure("Kammerdruck mbar", "mbar", 10.0, 1, Reference::Absolute),
    column(
        "Luftdruck mbar",
        "ambient_kpa",
        Cell::Ambient,
        "mbar",
        10.0,
        1,
    ),
    celsius("Öl Vorlauf °C", "oil_supply_degc", Cell::OilSupply),
    celsius("Öl nach Heizer °C", "oil_inlet_degc", Cell::OilInlet),
    celsius("Öl Rücklauf °C", "oil_outlet_degc", Cell::OilOutlet),
    column(
        "Durchfluss L/min",
        "oil_flow_lpm",
        Cell::Flow,
        "L/min",
        1.0,
        1,
    ),
    column(
        "Saugdruck bar",
        "suction_kpa_gauge",
        Cell::Suction,
        "bar",
        0.01,
        3,
    ),
    column(
        "Filter bar",
        "filter_dp_kpa",
        Cell::FilterDp,
        "bar",
        0.01,
        3,
    ),
    column("Ölpumpe Hz", "oil_pump_hz", Cell::Hertz, "Hz", 1.0, 0),
    column(
        "Sättigung %",
        "water_activity",
        Cell::Activity,
        "%RS",
        100.0,
        1,
    ),
    column("Wasser ppm", "water_ppm", Cell::WaterPpm, "ppm", 1.0, 0),
    celsius("Fühler °C", "water_sensor_degc", Cell::SensorDegc),
    column("Belüftung %", "vent_open_pct", Cell::Vent, "", 1.0, 0),
    column("Heizung kW", "heater_kw", Cell::HeaterKw, "kW", 1.0, 1),
    celsius("Sollwert °C", "heater_setpoint_degc", Cell::Setpoint),
    celsius("Vakuumpumpe °C", "vacuum_pump_degc", Cell::PumpDegc),
    column(
        "Niveau %",
        "chamber_level_pct",
        Cell::ChamberLevel,
        "",
        1.0,
        0,
    ),
    celsius("Luft °C", "ambient_degc", Cell::AirDegc),
    column("Menge m³", "oil_total_l", Cell::OilTotal, "m3", 1e-3, 3),
    column("Betrieb", "running", Cell::Running, "", 1.0, 0),
];

const METRIC_UTC: [Column; 15] = [
    pressure("Chamber [mbar]", "mbar", 10.0, 1, Reference::Absolute),
    celsius("Supply [°C]", "oil_supply_degc", Cell::OilSupply),
    celsius("Inlet [°C]", "oil_inlet_degc", Cell::OilInlet),
    celsius("Outlet [°C]", "oil_outlet_degc", Cell::OilOutlet),
    column("Flow [m3/h]", "oil_flow_lpm", Cell::Flow, "m3/h", 0.06, 3),
    column("aw", "water_activity", Cell::Activity, "", 1.0, 3),
    column(
        "Water [mg/kg]",
        "water_ppm",
        Cell::WaterPpm,
        "mg/kg",
        1.0,
        0,
    ),
    celsius("Sensor [°C]", "water_sensor_degc", Cell::SensorDegc),
    column("Vent [%]", "vent_open_pct", Cell::Vent, "", 1.0, 0),
    column("Heater [kW]", "heater_kw", Cell::HeaterKw, "kW", 1.0, 1),
    column("Pump", "vacuum_pump_on", Cell::PumpOn, "", 1.0, 0),
    celsius("Pump [°C]", "vacuum_pump_degc", Cell::PumpDegc),
    celsius("Air [°C]", "ambient_degc", Cell::AirDegc),
    column("Hours", "run_hours_h", Cell::RunHours, "h", 1.0, 2),
    column("Run", "running", Cell::Running, "", 1.0, 0),
];

const TALL_RFC: [Column; 10] = [
    pressure("VAC", "mbar", 10.0, 1, Reference::Absolute),
    column("BARO", "ambient_kpa", Cell::Ambient, "hPa", 10.0, 1),
    celsius("TI_SUP", "oil_supply_degc", Cell::OilSupply),
    celsius("TI_IN", "oil_inlet_degc", Cell::OilInlet),
    column("FI", "oil_flow_lpm", Cell::Flow, "L/min", 1.0, 2),
    column("AW", "water_activity", Cell::Activity, "", 1.0, 4),
    column("PPM", "water_ppm", Cell::WaterPpm, "mg/kg", 1.0, 1),
    celsius("TI_AW", "water_sensor_degc", Cell::SensorDegc),
    column("VENT", "vent_open_pct", Cell::Vent, "", 1.0, 1),
    column("RUN", "running", Cell::Running, "", 1.0, 0),
];

const TALL_EPOCH: [Column; 9] = [
    pressure("PT101", "kPa", 1.0, 2, Reference::Absolute),
    celsius("TT100", "oil_supply_degc", Cell::OilSupply),
    celsius("TT102", "oil_inlet_degc", Cell::OilInlet),
    column("FT100", "oil_flow_lpm", Cell::Flow, "L/min", 1.0, 2),
    column("MT100", "water_activity", Cell::Activity, "%RS", 100.0, 2),
    column("MT101", "water_ppm", Cell::WaterPpm, "mg/kg", 1.0, 1),
    celsius("MT100_T", "water_sensor_degc", Cell::SensorDegc),
    column("ZT100", "vent_open_pct", Cell::Vent, "", 1.0, 1),
    column("XS100", "running", Cell::Running, "", 1.0, 0),
];

impl Dialect {
    /// Its columns, in the file's order.
    pub(crate) const fn columns(self) -> &'static [Column] {
        match self {
            Self::Gauge => &GAUGE,
            Self::Vacuum => &VACUUM,
            Self::Metric => &METRIC,
            Self::MetricUtc => &METRIC_UTC,
            Self::TallRfc => &TALL_RFC,
            Self::TallEpoch => &TALL_EPOCH,
        }
    }

    pub(crate) const fn is_tall(self) -> bool {
        matches!(self, Self::TallRfc | Self::TallEpoch)
    }
}
