//! The fleet's registers, events and samples as plain records, one struct per table.
//!
//! A field is None where the register says nothing. Meanings, units and bounds stand in
//! `data-schema/`; the field names are the column names.

use drydown_quantity::{Day, OilType, ReservoirId, SiteId, Stamp, UnitId, words};

words! {
    /// How the vacuum pump seals.
    PumpKind { RotaryVane = "rotary_vane", LiquidRing = "liquid_ring", Dry = "dry", Other = "other" }
}
words! {
    /// Where a unit's water sensor sits.
    SensorPlace { Inlet = "inlet", Outlet = "outlet", Bypass = "bypass" }
}
words! {
    /// How a reservoir's volume is known.
    VolumeBasis { Dip = "dip", Nameplate = "nameplate", Guess = "guess" }
}
words! {
    /// What is known of polychlorinated biphenyls in a reservoir.
    PcbStatus { None = "none", Suspect = "suspect", Present = "present", Unknown = "unknown" }
}
words! {
    /// What was done to a unit.
    MaintenanceAction {
        Rebuild = "rebuild", Vanes = "vanes", PumpOil = "pump_oil", PumpSwap = "pump_swap",
        LeakRepair = "leak_repair", Gauge = "gauge", SensorSwap = "sensor_swap",
        Calibration = "calibration", Filter = "filter", Heater = "heater", Other = "other",
    }
}
words! {
    /// What happened to a reservoir.
    ReservoirAction {
        TopUp = "top_up", OilChange = "oil_change", BottomDrain = "bottom_drain",
        LeakRepair = "leak_repair", Breather = "breather", Other = "other",
    }
}
words! {
    /// What a controller reported.
    UnitEventKind {
        Start = "start", Stop = "stop", Trip = "trip", AlarmOn = "alarm_on", AlarmOff = "alarm_off",
        Vent = "vent", Setpoint = "setpoint", Drain = "drain",
    }
}
words! {
    /// Where a sample was drawn.
    SamplePoint {
        ReservoirMid = "reservoir_mid", ReservoirBottom = "reservoir_bottom", Line = "line",
        UnitInlet = "unit_inlet", UnitOutlet = "unit_outlet", Drum = "drum", Unknown = "unknown",
    }
}
words! {
    /// Whether a laboratory value is exact, an upper or a lower bound.
    Censor { Exact = "=", Below = "<", Above = ">" }
}
words! {
    /// Where the barometer behind an absolute pressure came from.
    BarometerBasis { Measured = "measured", Altitude = "altitude", Default = "default" }
}

/// One row of `units`.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    pub unit_id: UnitId,
    pub size_class: Option<String>,
    pub nameplate_flow_lpm: Option<f64>,
    pub heater_rated_kw: Option<f64>,
    pub vacuum_pump_m3h: Option<f64>,
    pub vacuum_pump_kind: Option<PumpKind>,
    pub chamber_volume_l: Option<f64>,
    pub commissioned_on: Option<Day>,
    pub home_site_id: Option<SiteId>,
    pub water_sensor_place: Option<SensorPlace>,
    /// Families the unit may take; empty where the register does not say.
    pub oil_families_allowed: Vec<String>,
    pub insulating_oil_ready: Option<bool>,
}

/// One row of `sites`.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    pub site_id: SiteId,
    pub name: Option<String>,
    pub altitude_m: Option<f64>,
    pub timezone: Option<String>,
}

/// One row of `oils`. Solubility: log10 S = a − b/T, S in mg/kg, T in kelvin.
#[derive(Clone, Debug, PartialEq)]
pub struct Oil {
    pub oil_type: OilType,
    pub family: Option<String>,
    pub iso_vg: Option<f64>,
    pub viscosity_40c_mm2s: Option<f64>,
    pub viscosity_100c_mm2s: Option<f64>,
    pub density_15c_kgm3: Option<f64>,
    pub solubility_a: Option<f64>,
    pub solubility_b_k: Option<f64>,
    pub flash_degc: Option<f64>,
}

/// One row of `reservoirs`.
#[derive(Clone, Debug, PartialEq)]
pub struct Reservoir {
    pub reservoir_id: ReservoirId,
    pub site_id: Option<SiteId>,
    pub service: Option<String>,
    pub oil_type: Option<OilType>,
    pub volume_l: Option<f64>,
    pub volume_basis: Option<VolumeBasis>,
    pub water_limit_ppm: Option<f64>,
    pub cleanliness_limit: Option<String>,
    pub acid_limit_mgkoh_g: Option<f64>,
    pub coldest_oil_degc: Option<f64>,
    pub max_oil_degc: Option<f64>,
    pub criticality: Option<f64>,
    pub paper_insulated: Option<bool>,
    pub energised: Option<bool>,
    pub pcb_status: Option<PcbStatus>,
    pub breather: Option<String>,
}

/// One row of `deployments`.
#[derive(Clone, Debug, PartialEq)]
pub struct Deployment {
    pub unit_id: UnitId,
    pub from_at: Stamp,
    pub reservoir_id: Option<ReservoirId>,
    pub to_at: Option<Stamp>,
}

/// One row of `maintenance`.
#[derive(Clone, Debug, PartialEq)]
pub struct Maintenance {
    pub unit_id: UnitId,
    pub at: Stamp,
    pub action: MaintenanceAction,
    pub note: Option<String>,
    pub serial: Option<String>,
    pub hours_meter: Option<f64>,
}

/// One row of `reservoir_events`.
#[derive(Clone, Debug, PartialEq)]
pub struct ReservoirEvent {
    pub reservoir_id: ReservoirId,
    pub at: Stamp,
    pub action: ReservoirAction,
    pub volume_l: Option<f64>,
    pub oil_type: Option<OilType>,
    pub water_ppm: Option<f64>,
    pub note: Option<String>,
}

/// One row of `unit_events`.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitEvent {
    pub unit_id: UnitId,
    pub at: Stamp,
    pub code: String,
    pub kind: Option<UnitEventKind>,
    pub text: Option<String>,
    pub value: Option<f64>,
}

/// One row of `samples`.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    pub lab: String,
    pub sample_id: String,
    pub reservoir_id: Option<ReservoirId>,
    pub unit_id: Option<UnitId>,
    pub taken_at: Option<Stamp>,
    /// When the result became known; `taken_at` where the laboratory does not say.
    pub reported_at: Option<Stamp>,
    pub sample_point: Option<SamplePoint>,
    pub sample_degc: Option<f64>,
    pub water_ppm: Option<f64>,
    pub water_censor: Option<Censor>,
    pub iso4406_4um: Option<i64>,
    pub iso4406_6um: Option<i64>,
    pub iso4406_14um: Option<i64>,
    pub iso4406_note: Option<String>,
    pub viscosity_40c_mm2s: Option<f64>,
    pub acid_mgkoh_g: Option<f64>,
    pub breakdown_kv: Option<f64>,
}

impl Sample {
    /// When the result can first be used: the later of taking and reporting.
    #[must_use]
    pub fn known_at(&self) -> Option<Stamp> {
        match (self.taken_at, self.reported_at) {
            (Some(taken), Some(reported)) => Some(taken.max(reported)),
            (taken, reported) => taken.or(reported),
        }
    }

    /// Whether the sample speaks for the reservoir's oil in use (mid-stream or line).
    #[must_use]
    pub fn informs_reservoir(&self) -> bool {
        matches!(
            self.sample_point,
            Some(SamplePoint::ReservoirMid | SamplePoint::Line)
        )
    }
}

/// All registers and events of a fleet, each sorted by its table's key, already limited to an `as_of`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Registers {
    pub units: Vec<Unit>,
    pub sites: Vec<Site>,
    pub oils: Vec<Oil>,
    pub reservoirs: Vec<Reservoir>,
    pub deployments: Vec<Deployment>,
    pub maintenance: Vec<Maintenance>,
    pub reservoir_events: Vec<ReservoirEvent>,
    pub unit_events: Vec<UnitEvent>,
}

impl Registers {
    /// The unit's register row.
    #[must_use]
    pub fn unit(&self, id: &UnitId) -> Option<&Unit> {
        find(&self.units, id, |row| &row.unit_id)
    }

    /// The site's register row.
    #[must_use]
    pub fn site(&self, id: &SiteId) -> Option<&Site> {
        find(&self.sites, id, |row| &row.site_id)
    }

    /// The oil's register row.
    #[must_use]
    pub fn oil(&self, id: &OilType) -> Option<&Oil> {
        find(&self.oils, id, |row| &row.oil_type)
    }

    /// The reservoir's register row.
    #[must_use]
    pub fn reservoir(&self, id: &ReservoirId) -> Option<&Reservoir> {
        find(&self.reservoirs, id, |row| &row.reservoir_id)
    }

    /// The deployments of a unit, by start.
    #[must_use]
    pub fn deployments_of(&self, id: &UnitId) -> &[Deployment] {
        span(&self.deployments, id, |row| &row.unit_id)
    }

    /// Where a unit is deployed at a time: the latest deployment begun and not ended.
    #[must_use]
    pub fn deployed_at(&self, id: &UnitId, at: Stamp) -> Option<&Deployment> {
        self.deployments_of(id)
            .iter()
            .rev()
            .find(|row| row.from_at <= at)
            .filter(|row| row.to_at.is_none_or(|to| at < to))
    }

    /// When a deployment ended: at its stated end, or where the unit's next one begins, whichever is
    /// earlier, because a unit is at one place. None while it goes on.
    #[must_use]
    pub fn left_at(&self, row: &Deployment) -> Option<Stamp> {
        let rows = self.deployments_of(&row.unit_id);
        let next = rows.partition_point(|other| other.from_at <= row.from_at);
        let next = rows.get(next).map(|other| other.from_at);
        match (row.to_at, next) {
            (Some(to), Some(next)) => Some(to.min(next)),
            (to, next) => to.or(next),
        }
    }

    /// The maintenance of a unit, by time.
    #[must_use]
    pub fn maintenance_of(&self, id: &UnitId) -> &[Maintenance] {
        span(&self.maintenance, id, |row| &row.unit_id)
    }

    /// The events of a reservoir, by time.
    #[must_use]
    pub fn reservoir_events_of(&self, id: &ReservoirId) -> &[ReservoirEvent] {
        span(&self.reservoir_events, id, |row| &row.reservoir_id)
    }

    /// The controller events of a unit, by time.
    #[must_use]
    pub fn unit_events_of(&self, id: &UnitId) -> &[UnitEvent] {
        span(&self.unit_events, id, |row| &row.unit_id)
    }

    /// The site of the reservoir where the unit works at a time, else the unit's home site.
    #[must_use]
    pub fn site_of_unit_at(&self, id: &UnitId, at: Stamp) -> Option<&Site> {
        let deployed = self
            .deployed_at(id, at)
            .and_then(|row| row.reservoir_id.as_ref())
            .and_then(|reservoir| self.reservoir(reservoir))
            .and_then(|row| row.site_id.as_ref());
        let home = || self.unit(id).and_then(|row| row.home_site_id.as_ref());
        deployed.or_else(home).and_then(|site| self.site(site))
    }
}

fn find<'a, T, K: Ord>(rows: &'a [T], key: &K, of: impl Fn(&T) -> &K) -> Option<&'a T> {
    rows.binary_search_by(|row| of(row).cmp(key))
        .ok()
        .and_then(|idx| rows.get(idx))
}

fn span<'a, T, K: Ord>(rows: &'a [T], key: &K, of: impl Fn(&T) -> &K) -> &'a [T] {
    let start = rows.partition_point(|row| of(row) < key);
    let end = rows.partition_point(|row| of(row) <= key);
    rows.get(start..end).unwrap_or(&[])
}
