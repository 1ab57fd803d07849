//! A `[[source]]` block as the configuration writes it; nothing checked beyond its shape.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// One source: where its files are, how they are written, what their columns mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceSpec {
    pub name: String,
    pub table: String,
    pub files: Vec<String>,
    #[serde(default)]
    pub layout: Layout,
    #[serde(default = "utf8")]
    pub encoding: String,
    #[serde(default = "comma")]
    pub delimiter: String,
    #[serde(default = "point")]
    pub decimal: String,
    #[serde(default)]
    pub skip_lines: u64,
    /// A pattern for the first line of the header, where files have more or fewer lines before it; those
    /// before it are passed over, `skip_lines` at least.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skip_until: Option<String>,
    /// The sheet of a workbook; None: the first that shows.
    // Not written where it is absent, so that descriptions from before it keep their hash.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// What fields may be quoted with: `"` where it is not said; the empty text: a quote is text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quote: Option<String>,
    /// Widths of the columns in characters, for files without a delimiter; the last takes the rest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub widths: Option<Vec<usize>>,
    /// Columns of fixed width stand without a blank between them; else a line in which a value stands
    /// across the end of a column is rejected.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub packed: bool,
    /// Lines of the header, whose cells one below the other make a name; None: one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub header_lines: Option<usize>,
    /// Patterns for the lines before the header, whose named parts become columns.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub preamble: Vec<String>,
    /// Patterns for lines that are not wanted, such as a footer; a line that reads as a record is none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ignore_lines: Vec<String>,
    /// Columns whose empty cells say what stood there before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fill_down: Vec<String>,
    /// Names of the columns, for files whose lines begin without any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub header: Option<Vec<String>>,
    #[serde(default = "empty")]
    pub null: Vec<String>,
    /// Density of the oil, kg/m³: turns a water content by volume into one by mass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub density_kgm3: Option<f64>,
    #[serde(default)]
    pub timezone: Option<String>,
    #[serde(default)]
    pub file_name: Option<String>,
    #[serde(default)]
    pub columns: BTreeMap<String, ColumnMap>,
    #[serde(default)]
    pub tall: Option<TallSpec>,
}

/// A column per quantity, a row per tag and time, a row per quantity and a column per record,
/// or an object per record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    #[default]
    Wide,
    Tall,
    Transposed,
    /// JSON objects, one a line or all in a list.
    Json,
}

/// Where one column of the table comes from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ColumnMap {
    #[serde(default)]
    pub from: Option<OneOrMany>,
    #[serde(default)]
    pub format: Option<String>,
    /// Unit of the time passed since the stamp that the others of `from` make, which the last one tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elapsed: Option<String>,
    #[serde(default)]
    pub unit: Option<UnitOf>,
    #[serde(default)]
    pub reference: Option<PressureWord>,
    #[serde(default)]
    pub value: Option<Scalar>,
    #[serde(default)]
    pub signal: Option<OneOrMany>,
    #[serde(default)]
    pub map: Option<BTreeMap<String, String>>,
}

/// One name, or several.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum OneOrMany {
    One(String),
    Many(Vec<String>),
}

impl OneOrMany {
    /// The names in their order.
    #[must_use]
    pub fn to_names(&self) -> Vec<String> {
        match self {
            Self::One(name) => vec![name.clone()],
            Self::Many(names) => names.clone(),
        }
    }
}

/// The unit of a column, or the column that states the unit of each row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum UnitOf {
    Fixed(String),
    Column(UnitColumn),
}

/// `{ from = "Unit" }`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitColumn {
    pub from: String,
}

/// What a pressure is measured against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PressureWord {
    Absolute,
    Gauge,
    Vacuum,
    PercentVacuum,
}

/// A constant.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Scalar {
    Bool(bool),
    Whole(i64),
    Real(f64),
    Text(String),
}

impl Scalar {
    /// The constant as a cell of the file would write it.
    #[must_use]
    pub fn to_text(&self) -> String {
        match self {
            Self::Bool(value) => value.to_string(),
            Self::Whole(value) => value.to_string(),
            Self::Real(value) => value.to_string(),
            Self::Text(value) => value.clone(),
        }
    }
}

/// The extra keys of a tall source.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TallSpec {
    pub tag: String,
    pub value: String,
    #[serde(default)]
    pub quality: Option<Quality>,
    #[serde(default)]
    pub pattern: Option<String>,
    #[serde(default)]
    pub ignore: Vec<String>,
}

/// Which lines of a tall file carry a value to trust.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quality {
    pub from: String,
    pub good: Vec<String>,
}

impl SourceSpec {
    /// BLAKE3 of the description, without the file patterns: they say where, not how.
    #[must_use]
    pub fn source_hash(&self) -> String {
        let how = Self {
            files: Vec::new(),
            ..self.clone()
        };
        // Maps are ordered and every key is written, so equal descriptions give equal text.
        let text = serde_json::to_string(&how).unwrap_or_default();
        blake3::hash(text.as_bytes()).to_hex().to_string()
    }
}

fn utf8() -> String {
    "utf-8".to_owned()
}

fn comma() -> String {
    ",".to_owned()
}

fn point() -> String {
    ".".to_owned()
}

fn empty() -> Vec<String> {
    vec![String::new()]
}
