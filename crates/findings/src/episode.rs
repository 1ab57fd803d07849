//! What a rule saw: a stretch of time during which it held for a subject.

use drydown_quantity::Stamp;

use crate::rows::Severity;

/// A stretch of time during which a rule held for a subject.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Episode {
    pub(crate) subject: String,
    pub(crate) severity: Severity,
    pub(crate) onset_at: Option<Stamp>,
    /// The first replay that held.
    pub(crate) first_seen: Stamp,
    /// The last replay that held.
    pub(crate) last_seen: Stamp,
    /// Whether it holds at `as_of`.
    pub(crate) holds: bool,
    pub(crate) evidence: String,
    pub(crate) action: String,
}
