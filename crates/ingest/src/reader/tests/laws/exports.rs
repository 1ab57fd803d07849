//! Generated exports of five kinds of sources, and what each line asks of a store.

use proptest::prelude::*;

/// Columns the generated files fill.
pub(super) const COLUMNS: [&str; 3] = ["oil_flow_lpm", "water_ppm", "alarm"];

/// Speaks for all three columns.
pub(super) const WIDE: &str = r#"
    name = "wide"
    table = "readings"
    null = ["", "---"]
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    oil_flow_lpm = { from = "Q", unit = "L/min" }
    water_ppm = { from = "W", unit = "ppm" }
    alarm = { from = "Alarm" }
"#;

/// Speaks for the water alone.
pub(super) const WATER: &str = r#"
    name = "water"
    table = "readings"
    null = ["", "---"]
    delimiter = ";"
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    water_ppm = { from = "W", unit = "ppm" }
"#;

/// Speaks for a cell a line.
pub(super) const TALL: &str = r#"
    name = "tall"
    table = "readings"
    layout = "tall"
    null = ["", "---"]
    [tall]
    tag = "Tag"
    value = "Value"
    quality = { from = "Quality", good = ["Good"] }
    pattern = '^(?<unit_id>[^.]+)\.(?<signal>.+)$'
    ignore = ['\.SPARE$']
    [columns]
    unit_id = {}
    at = { from = "Time", format = "rfc3339" }
    oil_flow_lpm = { signal = "Q", unit = "L/min" }
    water_ppm = { signal = "W", unit = "ppm" }
    alarm = { signal = "Alarm" }
"#;

/// An object a line.
pub(super) const JSON: &str = r#"
    name = "json"
    table = "readings"
    layout = "json"
    null = ["", "---"]
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    oil_flow_lpm = { from = "Q", unit = "L/min" }
    water_ppm = { from = "W", unit = "ppm" }
    alarm = { from = "Alarm" }
"#;

/// Tells the unit where it changes.
pub(super) const FILLED: &str = r#"
    name = "filled"
    table = "readings"
    null = ["", "---"]
    fill_down = ["Unit"]
    [columns]
    unit_id = { from = "Unit" }
    at = { from = "Time", format = "rfc3339" }
    oil_flow_lpm = { from = "Q", unit = "L/min" }
    water_ppm = { from = "W", unit = "ppm" }
    alarm = { from = "Alarm" }
"#;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Wide,
    Water,
    Tall,
    Json,
    Filled,
}

impl Kind {
    pub(super) const fn description(self) -> &'static str {
        match self {
            Self::Wide => WIDE,
            Self::Water => WATER,
            Self::Tall => TALL,
            Self::Json => JSON,
            Self::Filled => FILLED,
        }
    }

    pub(super) const ALL: [Self; 5] = [
        Self::Wide,
        Self::Water,
        Self::Tall,
        Self::Json,
        Self::Filled,
    ];

    /// The line of the first record: below the header, if there is one.
    pub(super) const fn first_line(self) -> usize {
        match self {
            Self::Json => 1,
            _ => 2,
        }
    }
}

/// A cell as the file writes it.
#[derive(Clone, Copy, Debug)]
pub(super) enum Written {
    Null,
    Value(u8),
    Unreadable,
}

impl Written {
    fn text(self, column: &str) -> String {
        match (self, column) {
            (Self::Null, _) => "---".to_owned(),
            (Self::Value(value), "alarm") => format!("\"code {value}, again\""),
            (Self::Value(value), _) => value.to_string(),
            (Self::Unreadable, "alarm") => String::new(),
            (Self::Unreadable, _) => "x".to_owned(),
        }
    }

    /// What is stored; None for null.
    fn meaning(self, column: &str) -> Option<String> {
        match (self, column) {
            (Self::Value(value), "alarm") => Some(format!("code {value}, again")),
            (Self::Value(value), _) => Some(value.to_string()),
            _ => None,
        }
    }
}

/// What is wrong with a line, if something is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    None,
    Blank,
    BadTime,
    NoUnit,
    Short,
    Header,
    /// Tall files: a tag that is ignored, one that is unknown, a bad quality.
    Ignored,
    Unknown,
    BadQuality,
}

#[derive(Clone, Debug)]
pub(super) struct Line {
    unit: u8,
    minute: u8,
    cells: [Written; 3],
    /// The signal of a tall line.
    signal: usize,
    fault: Fault,
}

#[derive(Clone, Debug)]
pub(super) struct Export {
    pub(super) kind: Kind,
    pub(super) lines: Vec<Line>,
}

/// What one line asks of a store.
pub(super) enum Ask {
    Nothing,
    Ignore,
    Reject,
    /// Key, and the cells it speaks for.
    Set((String, String), Vec<(&'static str, Option<String>)>),
}

impl Line {
    fn key(&self) -> (String, String) {
        (
            format!("U-{}", self.unit),
            format!("2026-03-{:02}T00:00:00Z", self.minute + 1),
        )
    }

    fn text(&self, kind: Kind) -> String {
        let (unit, mut at) = self.key();
        let unit = if self.fault == Fault::NoUnit && !matches!(kind, Kind::Tall | Kind::Filled) {
            String::new()
        } else {
            unit
        };
        if self.fault == Fault::BadTime {
            at = "yesterday".to_owned();
        }
        let cell = |column: usize| self.cells[column].text(COLUMNS[column]);
        match (self.fault, kind) {
            (Fault::Blank, _) => "  ".to_owned(),
            (Fault::Short, _) => "lost".to_owned(),
            (Fault::Header, _) => header(kind).to_owned(),
            (_, Kind::Wide | Kind::Filled) => {
                format!("{unit},{at},{},{},{}", cell(0), cell(1), cell(2))
            }
            (_, Kind::Json) => {
                let said = |text: String| serde_json::json!(text.trim_matches('"'));
                format!(
                    "{{\"Unit\": {}, \"Time\": {}, \"Q\": {}, \"W\": {}, \"Alarm\": {}}}",
                    said(unit),
                    said(at),
                    said(cell(0)),
                    said(cell(1)),
                    said(cell(2))
                )
            }
            (_, Kind::Water) => format!("{at};{};{unit}", cell(1)),
            (fault, Kind::Tall) => {
                let signal = match fault {
                    Fault::Ignored => "SPARE",
                    Fault::Unknown | Fault::NoUnit => "FUEL",
                    _ => ["Q", "W", "Alarm"][self.signal],
                };
                let quality = if fault == Fault::BadQuality {
                    "Bad"
                } else {
                    "Good"
                };
                format!("{at},{unit}.{signal},{},{quality}", cell(self.signal))
            }
        }
    }

    pub(super) fn ask(&self, kind: Kind) -> Ask {
        let said = |column: usize| (COLUMNS[column], self.cells[column].meaning(COLUMNS[column]));
        match (self.fault, kind) {
            (Fault::Blank, _) => Ask::Nothing,
            (Fault::Ignored, Kind::Tall) => Ask::Ignore,
            (Fault::NoUnit, Kind::Filled) => Ask::Set(self.key(), vec![said(0), said(1), said(2)]),
            (Fault::BadTime | Fault::NoUnit | Fault::Short | Fault::Header, _)
            | (Fault::Unknown, Kind::Tall) => Ask::Reject,
            (Fault::BadQuality, Kind::Tall) => {
                Ask::Set(self.key(), vec![(COLUMNS[self.signal], None)])
            }
            (_, Kind::Wide | Kind::Json | Kind::Filled) => {
                Ask::Set(self.key(), vec![said(0), said(1), said(2)])
            }
            (_, Kind::Water) => Ask::Set(self.key(), vec![said(1)]),
            (_, Kind::Tall) => Ask::Set(self.key(), vec![said(self.signal)]),
        }
    }
}

const fn header(kind: Kind) -> &'static str {
    match kind {
        Kind::Wide | Kind::Filled => "Unit,Time,Q,W,Alarm",
        // No object, and so rejected as a header further down is.
        Kind::Json => "\"Unit\"",
        Kind::Water => "Time;W;Unit",
        Kind::Tall => "Time,Tag,Value,Quality",
    }
}

impl Export {
    pub(super) fn text(&self) -> String {
        let mut text = match self.kind {
            Kind::Json => String::new(),
            kind => format!("{}\n", header(kind)),
        };
        let mut told = None;
        for line in &self.lines {
            let written = line.text(self.kind);
            let is_whole = matches!(line.fault, Fault::None | Fault::BadTime);
            let unit = format!("U-{},", line.unit);
            text.push_str(
                match self.kind == Kind::Filled && told == Some(line.unit) && is_whole {
                    true => written
                        .strip_prefix(unit.trim_end_matches(','))
                        .unwrap_or(&written),
                    false => &written,
                },
            );
            text.push('\n');
            told = is_whole.then_some(line.unit);
        }
        text
    }

    /// One line of one unit.
    pub(super) fn of_unit(kind: Kind, unit: u8, value: u8) -> Self {
        let line = Line {
            unit,
            minute: 0,
            cells: [Written::Value(value); 3],
            signal: 1,
            fault: Fault::None,
        };
        Self {
            kind,
            lines: vec![line],
        }
    }

    /// Whether no key is spoken for twice.
    pub(super) fn names_each_key_once(&self) -> bool {
        let mut keys: Vec<_> = self.lines.iter().map(Line::key).collect();
        keys.sort();
        keys.windows(2).all(|pair| pair[0] != pair[1])
    }
}

fn written() -> impl Strategy<Value = Written> {
    prop_oneof![
        2 => Just(Written::Null),
        6 => (0_u8..3).prop_map(Written::Value),
        1 => Just(Written::Unreadable),
    ]
}

fn fault() -> impl Strategy<Value = Fault> {
    prop_oneof![
        20 => Just(Fault::None),
        1 => Just(Fault::Blank),
        1 => Just(Fault::BadTime),
        1 => Just(Fault::NoUnit),
        1 => Just(Fault::Short),
        1 => Just(Fault::Header),
        1 => Just(Fault::Ignored),
        1 => Just(Fault::Unknown),
        1 => Just(Fault::BadQuality),
    ]
}

fn line() -> impl Strategy<Value = Line> {
    (
        0_u8..3,
        0_u8..4,
        [written(), written(), written()],
        0_usize..3,
        fault(),
    )
        .prop_map(|(unit, minute, cells, signal, fault)| Line {
            unit,
            minute,
            cells,
            signal,
            fault,
        })
}

/// Up to seven exports of five kinds over twelve keys, so that files speak of the same rows.
pub(super) fn exports() -> impl Strategy<Value = Vec<Export>> {
    let kind = prop::sample::select(Kind::ALL.to_vec());
    let export = (kind, prop::collection::vec(line(), 0..12))
        .prop_map(|(kind, lines)| Export { kind, lines });
    prop::collection::vec(export, 1..8)
}
