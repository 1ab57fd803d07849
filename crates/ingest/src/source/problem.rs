//! What is wrong with a source's description, with the key that the message points at.

use std::fmt;

/// One problem of a `[[source]]` block.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceProblem {
    /// The key below the block, outermost first: `["columns", "oil_inlet_degc", "unit"]`.
    pub key: Vec<String>,
    /// What was found and what was expected.
    pub what: String,
    /// What to do about it, where that can be told.
    pub hint: Option<String>,
}

impl SourceProblem {
    pub(crate) fn new(key: &[&str], what: impl Into<String>) -> Self {
        Self {
            key: key.iter().map(|k| (*k).to_owned()).collect(),
            what: what.into(),
            hint: None,
        }
    }

    /// With the nearest known name as the hint.
    pub(crate) fn nearest(mut self, name: Option<&str>) -> Self {
        self.hint = name.map(|name| format!("did you mean \"{name}\"?"));
        self
    }

    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

impl fmt::Display for SourceProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.key.join("."), self.what)?;
        if let Some(hint) = &self.hint {
            write!(f, "; {hint}")?;
        }
        Ok(())
    }
}
