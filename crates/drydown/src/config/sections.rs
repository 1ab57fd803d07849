//! The sections of `drydown.toml` that are not sources, with their defaults.
//!
//! Every default stands here once, with its reason; the stages take them as explicit structs.

use serde::{Deserialize, Serialize};

use drydown_findings::FindingsConfig;
use drydown_quantity::DisplayUnits;

/// A value that cannot be used.
pub(crate) struct BadValue {
    pub(crate) key: &'static str,
    pub(crate) text: String,
}

fn check_within(key: &'static str, value: f64, lower: f64, upper: f64) -> Result<(), BadValue> {
    if value.is_finite() && value >= lower && value <= upper {
        return Ok(());
    }
    Err(BadValue {
        key,
        text: format!("found {value}, expected a number from {lower} to {upper}"),
    })
}

/// `[store]`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StoreSection {
    /// Folder of the Delta tables.
    pub(crate) path: String,
}

/// How figures are shown to people; stored values are always metric.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum UnitSystem {
    /// inHg gauge, °F, gal/min, psi.
    Us,
    /// kPa, °C, L/min.
    #[default]
    Metric,
}

impl From<UnitSystem> for DisplayUnits {
    fn from(system: UnitSystem) -> Self {
        match system {
            UnitSystem::Us => Self::Us,
            UnitSystem::Metric => Self::Metric,
        }
    }
}

/// `[display]`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct DisplaySection {
    pub(crate) units: UnitSystem,
    /// IANA zone in which pages and mail show times.
    pub(crate) timezone: String,
}

impl Default for DisplaySection {
    fn default() -> Self {
        Self {
            units: UnitSystem::Metric,
            timezone: "UTC".to_owned(),
        }
    }
}

impl DisplaySection {
    pub(super) fn check(&self) -> Result<(), BadValue> {
        jiff::tz::TimeZone::get(&self.timezone)
            .map(|_| ())
            .map_err(|_| BadValue {
                key: "timezone",
                text: format!(
                    "found \"{}\", expected an IANA zone such as \"America/Chicago\"",
                    self.timezone
                ),
            })
    }
}

/// `[analysis]`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct AnalysisSection {
    /// A stop or gap at least this long ends a run, hours (contract: two).
    pub(crate) stop_ends_run_h: f64,
    /// Bin of the condensed series, minutes: short against a drying time, long against sensor noise.
    pub(crate) series_bin_min: f64,
    /// How long after a start its curve is kept, minutes.
    pub(crate) start_window_min: f64,
    /// Chamber pressure a pump must be able to hold, kPa absolute (18 inHg at sea level).
    pub(crate) pump_limit_kpa: f64,
    /// Designed false alerts per unit-year, all channels together.
    pub(crate) false_alerts_per_unit_year: f64,
    /// Days that `reservoir_risk` answers for.
    pub(crate) horizon_days: f64,
    /// Seed of every simulation; subjects add their own identifier to it.
    pub(crate) seed: u64,
    /// Reference conditions of removal coefficients.
    pub(crate) reference_oil_degc: f64,
    pub(crate) reference_chamber_kpa: f64,
}

impl Default for AnalysisSection {
    fn default() -> Self {
        Self {
            stop_ends_run_h: 2.0,
            series_bin_min: 10.0,
            start_window_min: 15.0,
            pump_limit_kpa: 40.37,
            false_alerts_per_unit_year: 0.2,
            horizon_days: 60.0,
            seed: 1,
            reference_oil_degc: 65.0,
            reference_chamber_kpa: 20.0,
        }
    }
}

impl AnalysisSection {
    pub(super) fn check(&self) -> Result<(), BadValue> {
        check_within("stop_ends_run_h", self.stop_ends_run_h, 0.1, 72.0)?;
        check_within("series_bin_min", self.series_bin_min, 1.0, 120.0)?;
        check_within("start_window_min", self.start_window_min, 2.0, 120.0)?;
        check_within("pump_limit_kpa", self.pump_limit_kpa, 1.0, 100.0)?;
        check_within(
            "false_alerts_per_unit_year",
            self.false_alerts_per_unit_year,
            0.001,
            50.0,
        )?;
        check_within("horizon_days", self.horizon_days, 1.0, 730.0)?;
        check_within("reference_oil_degc", self.reference_oil_degc, 20.0, 110.0)?;
        check_within(
            "reference_chamber_kpa",
            self.reference_chamber_kpa,
            0.5,
            100.0,
        )
    }
}

/// `[findings]`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FindingsSection {
    /// Probability of passing a limit at which a reservoir is a finding.
    pub(crate) reservoir_watch_probability: f64,
    /// Probability at which it asks for action.
    pub(crate) reservoir_act_probability: f64,
    /// So many reservoirs, the first by rank, may ask for action.
    pub(crate) reservoir_act_first: i64,
    /// Hours of silence of a deployed unit before it is a finding.
    pub(crate) silent_unit_h: f64,
    /// Share of a source's rows, or of a column's values, rejected before it is a finding.
    pub(crate) rejected_share: f64,
    /// Margin below the flash point at which hot oil is a finding, K (common practice, no source).
    pub(crate) flash_margin_k: f64,
    /// Days after which a cleared finding is no longer listed.
    pub(crate) keep_cleared_days: f64,
}

impl Default for FindingsSection {
    fn default() -> Self {
        Self {
            reservoir_watch_probability: 0.5,
            reservoir_act_probability: 0.8,
            reservoir_act_first: 10,
            silent_unit_h: 36.0,
            rejected_share: 0.01,
            flash_margin_k: 40.0,
            keep_cleared_days: 183.0,
        }
    }
}

impl FindingsSection {
    pub(super) fn check(&self) -> Result<(), BadValue> {
        check_within(
            "reservoir_watch_probability",
            self.reservoir_watch_probability,
            0.0,
            1.0,
        )?;
        check_within(
            "reservoir_act_probability",
            self.reservoir_act_probability,
            0.0,
            1.0,
        )?;
        check_within(
            "reservoir_act_first",
            self.reservoir_act_first as f64,
            0.0,
            1e6,
        )?;
        check_within("silent_unit_h", self.silent_unit_h, 1.0, 8760.0)?;
        check_within("rejected_share", self.rejected_share, 0.0, 1.0)?;
        check_within("flash_margin_k", self.flash_margin_k, 0.0, 200.0)?;
        check_within("keep_cleared_days", self.keep_cleared_days, 0.0, 3660.0)
    }

    /// As the stage takes it. `new` means within seven days before as_of (contract).
    pub(crate) fn to_stage(&self) -> FindingsConfig {
        FindingsConfig {
            reservoir_watch_probability: self.reservoir_watch_probability,
            reservoir_act_probability: self.reservoir_act_probability,
            reservoir_act_first: self.reservoir_act_first,
            silent_unit_h: self.silent_unit_h,
            rejected_share: self.rejected_share,
            new_days: 7.0,
            flash_margin_k: self.flash_margin_k,
            keep_cleared_days: self.keep_cleared_days,
        }
    }
}

/// `[mail]`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct MailSection {
    pub(crate) from: String,
    pub(crate) to: Vec<String>,
    /// SMTP host; empty: only --out works.
    pub(crate) smtp_host: String,
    pub(crate) smtp_port: u16,
    /// Environment variables that hold user and password, never the values themselves.
    pub(crate) smtp_user_env: String,
    pub(crate) smtp_password_env: String,
    /// Send one mail a week when there is nothing new (so that silence is noticed).
    pub(crate) weekly_all_quiet: bool,
}

impl Default for MailSection {
    fn default() -> Self {
        Self {
            from: "drydown@example.org".to_owned(),
            to: vec!["maintenance@example.org".to_owned()],
            smtp_host: String::new(),
            smtp_port: 587,
            smtp_user_env: "DRYDOWN_SMTP_USER".to_owned(),
            smtp_password_env: "DRYDOWN_SMTP_PASSWORD".to_owned(),
            weekly_all_quiet: true,
        }
    }
}

impl MailSection {
    pub(super) fn check(&self) -> Result<(), BadValue> {
        let wrong = |key, text: &str| BadValue {
            key,
            text: format!("found \"{text}\", expected an address such as \"name@example.org\""),
        };
        if self.from.parse::<lettre::message::Mailbox>().is_err() {
            return Err(wrong("from", &self.from));
        }
        match self
            .to
            .iter()
            .find(|to| to.parse::<lettre::message::Mailbox>().is_err())
        {
            Some(to) => Err(wrong("to", to)),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The page of settings says of every key what holds when nobody says anything.
    #[test]
    fn the_page_of_settings_states_the_defaults() {
        #[derive(Serialize)]
        struct Sections {
            store: StoreSection,
            display: DisplaySection,
            analysis: AnalysisSection,
            findings: FindingsSection,
            mail: MailSection,
        }
        let defaults = Sections {
            store: StoreSection {
                path: "store".to_owned(),
            },
            display: DisplaySection::default(),
            analysis: AnalysisSection::default(),
            findings: FindingsSection::default(),
            mail: MailSection::default(),
        };
        let page = include_str!("../../../../data-schema/settings.md");
        let block = page
            .split("```toml\n")
            .nth(1)
            .and_then(|rest| rest.split("```").next())
            .unwrap();
        let stated: toml::Table = toml::from_str(block).unwrap();
        assert_eq!(stated, toml::Table::try_from(defaults).unwrap());
    }
}
