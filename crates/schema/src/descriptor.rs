//! The files of `data-schema/` as they are written: Frictionless Table Schemas.
//!
//! Own keys stand under `drydown` (table and field) and `ucum` (field); anything else
//! that the standard does not know is an error, so that a slip is not a silent loss.

use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Descriptor {
    #[serde(rename = "$schema")]
    pub(crate) profile: String,
    pub(crate) name: String,
    pub(crate) title: String,
    pub(crate) description: String,
    pub(crate) drydown: TableKeys,
    #[serde(rename = "primaryKey")]
    pub(crate) primary_key: Vec<String>,
    #[serde(rename = "missingValues")]
    #[expect(
        dead_code,
        reason = "for other readers of the CSV export; stored tables have nulls"
    )]
    missing_values: Vec<String>,
    pub(crate) fields: Vec<Field>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TableKeys {
    pub(crate) kind: Kind,
    pub(crate) partition: Option<String>,
    pub(crate) sort: Vec<String>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Kind {
    Ingested,
    Derived,
    Journal,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Field {
    pub(crate) name: String,
    #[serde(rename = "type")]
    pub(crate) kind: FieldKind,
    pub(crate) description: String,
    pub(crate) ucum: Option<String>,
    #[serde(default)]
    pub(crate) constraints: Constraints,
    #[serde(default)]
    pub(crate) drydown: FieldKeys,
}

/// The field types of the standard that the contract uses.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum FieldKind {
    String,
    Integer,
    Number,
    Boolean,
    Datetime,
    Date,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Constraints {
    #[serde(default)]
    pub(crate) required: bool,
    pub(crate) minimum: Option<f64>,
    pub(crate) maximum: Option<f64>,
    pub(crate) pattern: Option<String>,
    #[serde(default, rename = "enum")]
    pub(crate) words: Vec<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FieldKeys {
    #[serde(default)]
    pub(crate) any_unit: bool,
    pub(crate) reference: Option<Reference>,
    pub(crate) relative_bound: Option<String>,
    #[serde(default)]
    pub(crate) accepts: Range,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Reference {
    Gauge,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Range {
    pub(crate) minimum: Option<f64>,
    pub(crate) maximum: Option<f64>,
}
