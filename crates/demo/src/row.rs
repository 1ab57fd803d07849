//! One time stamp of a unit's log, in the contract's units, before an export writes it down.

/// The quantities of a row, in the order of its cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(usize)]
pub(crate) enum Cell {
    /// Absolute chamber pressure as a perfect conversion of the instrument's reading, kPa.
    Chamber,
    /// Barometer as logged, kPa.
    Ambient,
    OilSupply,
    OilInlet,
    OilOutlet,
    Flow,
    Discharge,
    Suction,
    FilterDp,
    Hertz,
    WaterPpm,
    /// Fraction 0..1.
    Activity,
    SensorDegc,
    Vent,
    HeaterKw,
    Setpoint,
    PumpOn,
    Amps,
    PumpDegc,
    ChamberLevel,
    Sump,
    AirDegc,
    RunHours,
    OilTotal,
    Running,
    /// True barometer at the unit, never exported, kPa.
    TrueBarometer,
}

/// Number of cells.
pub(crate) const N_CELLS: usize = Cell::TrueBarometer as usize + 1;

/// Alarm texts; index 0 is silence.
pub(crate) const ALARMS: [&str; 5] = ["", "LOW VAC", "LOW FLOW", "HIGH DISCH", "SUMP FULL"];

/// One row; a missing cell is NaN.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub(crate) at: i64,
    pub(crate) cells: [f32; N_CELLS],
    /// Index into `ALARMS`.
    pub(crate) alarm: u8,
    /// Reservoir the unit stands at; register altitude decides a gauge reading's reference.
    pub(crate) reservoir: u32,
    /// Whether this is the first row after a start.
    pub(crate) is_start: bool,
}

impl Row {
    pub(crate) fn empty(at: i64, reservoir: usize) -> Self {
        let cells = [f32::NAN; N_CELLS];
        Self {
            at,
            cells,
            alarm: 0,
            reservoir: reservoir as u32,
            is_start: false,
        }
    }

    pub(crate) fn set(&mut self, cell: Cell, value: f64) {
        self.cells[cell as usize] = value as f32;
    }

    pub(crate) fn get(&self, cell: Cell) -> f64 {
        f64::from(self.cells[cell as usize])
    }
}
