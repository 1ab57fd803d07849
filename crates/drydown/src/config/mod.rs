//! `drydown.toml`: reading it, its documented defaults, and errors that name file, line and key.

mod locate;
mod sections;

use std::path::{Path, PathBuf};

use drydown_ingest::SourceSpec;
use serde::Deserialize;

pub(crate) use sections::{
    AnalysisSection, DisplaySection, FindingsSection, MailSection, StoreSection,
};

/// The configuration, read and checked.
#[derive(Debug)]
pub(crate) struct Config {
    /// The file it came from.
    pub(crate) file: PathBuf,
    /// The folder its paths are relative to.
    pub(crate) base: PathBuf,
    /// Its text, for locating keys.
    text: String,
    pub(crate) store: StoreSection,
    pub(crate) display: DisplaySection,
    pub(crate) analysis: AnalysisSection,
    pub(crate) findings: FindingsSection,
    pub(crate) mail: MailSection,
    pub(crate) sources: Vec<SourceSpec>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    store: StoreSection,
    #[serde(default)]
    display: DisplaySection,
    #[serde(default)]
    analysis: AnalysisSection,
    #[serde(default)]
    findings: FindingsSection,
    #[serde(default)]
    mail: MailSection,
    #[serde(default)]
    source: Vec<SourceSpec>,
}

/// The configuration cannot be used. Exit status 2.
#[derive(Debug, thiserror::Error)]
#[error("{place}: {problem}")]
pub(crate) struct ConfigError {
    /// `file:line, key "…"`.
    pub(crate) place: String,
    /// What was found, what was expected, what to do.
    pub(crate) problem: String,
}

impl Config {
    /// Reads a configuration file.
    pub(crate) fn load(file: &Path) -> Result<Self, ConfigError> {
        let text = std::fs::read_to_string(file).map_err(|error| ConfigError {
            place: file.display().to_string(),
            problem: if error.kind() == std::io::ErrorKind::NotFound {
                "no such configuration file\nhint: name one with --config FILE, or let `drydown demo` write an example".to_owned()
            } else {
                format!("cannot be read: {error}")
            },
        })?;
        Self::parse(file, text)
    }

    fn parse(file: &Path, text: String) -> Result<Self, ConfigError> {
        let raw: Raw =
            toml::from_str(&text).map_err(|error| locate::parse_error(file, &text, &error))?;
        let base = match file.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
            _ => PathBuf::from("."),
        };
        let config = Self {
            file: file.to_path_buf(),
            base,
            text,
            store: raw.store,
            display: raw.display,
            analysis: raw.analysis,
            findings: raw.findings,
            mail: raw.mail,
            sources: raw.source,
        };
        config.check_values()?;
        Ok(config)
    }

    fn check_values(&self) -> Result<(), ConfigError> {
        if self.store.path.contains("://") {
            return Err(self.error(
                &["store", "path"],
                &format!(
                    "found \"{}\", expected a folder; object stores are not built yet",
                    self.store.path
                ),
            ));
        }
        if let Err(problem) = self.display.check() {
            return Err(self.error(&["display", problem.key], &problem.text));
        }
        if let Err(problem) = self.analysis.check() {
            return Err(self.error(&["analysis", problem.key], &problem.text));
        }
        if let Err(problem) = self.findings.check() {
            return Err(self.error(&["findings", problem.key], &problem.text));
        }
        if let Err(problem) = self.mail.check() {
            return Err(self.error(&["mail", problem.key], &problem.text));
        }
        for (idx, source) in self.sources.iter().enumerate() {
            if self
                .sources
                .iter()
                .take(idx)
                .any(|earlier| earlier.name == source.name)
            {
                return Err(self.source_error(
                    idx,
                    &["name"],
                    &format!(
                        "found \"{}\" a second time, expected a name of its own",
                        source.name
                    ),
                ));
            }
        }
        Ok(())
    }

    /// An error at a key, with the line it stands on.
    pub(crate) fn error(&self, path: &[&str], problem: &str) -> ConfigError {
        ConfigError {
            place: locate::place(&self.file, &self.text, path, None),
            problem: problem.to_owned(),
        }
    }

    /// An error at a key of the nth `[[source]]` block.
    pub(crate) fn source_error(
        &self,
        source_idx: usize,
        path: &[&str],
        problem: &str,
    ) -> ConfigError {
        ConfigError {
            place: locate::place(&self.file, &self.text, path, Some(source_idx)),
            problem: problem.to_owned(),
        }
    }

    /// The store's folder.
    pub(crate) fn store_path(&self) -> PathBuf {
        self.base.join(&self.store.path)
    }

    /// A hash of what the analysis depends on (sources and display do not change an estimate).
    pub(crate) fn analysis_hash(&self) -> String {
        let text = serde_json::to_string(&(&self.analysis, &self.findings)).unwrap_or_default();
        blake3::hash(text.as_bytes())
            .to_hex()
            .as_str()
            .chars()
            .take(16)
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(text: &str) -> String {
        Config::parse(Path::new("drydown.toml"), text.to_owned())
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn an_unknown_key_names_file_line_and_the_nearest_key() {
        let text = problem("[store]\npath = \"store\"\n\n[display]\nunit = \"us\"\n");
        assert!(text.starts_with("drydown.toml:5"), "{text}");
        assert!(text.contains("unit") && text.contains("units"), "{text}");
    }

    #[test]
    fn a_wrong_value_names_its_key() {
        let text =
            problem("[store]\npath = \"store\"\n[findings]\nreservoir_watch_probability = 1.5\n");
        assert!(
            text.starts_with("drydown.toml:4, key \"findings.reservoir_watch_probability\""),
            "{text}"
        );
    }

    #[test]
    fn an_object_store_url_is_refused() {
        assert!(problem("[store]\npath = \"s3://bucket/x\"\n").contains("object stores"));
    }

    #[test]
    fn text_that_is_not_toml_is_refused_with_its_line() {
        assert!(problem("[store]\npath = \n").starts_with("drydown.toml:2"));
    }
}
