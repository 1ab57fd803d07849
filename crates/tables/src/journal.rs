//! The journals as records: what was loaded and rejected, analysed and mailed.

use drydown_findings::{FindingState, Severity};
use drydown_quantity::Stamp;

use crate::record::record;

/// One row of `rejects`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reject {
    pub source: String,
    pub file_hash: String,
    pub line: i64,
    /// Empty where the whole record was kept out.
    pub column: String,
    pub file: Option<String>,
    /// `row` or `cell`.
    pub scope: Option<String>,
    pub raw: Option<String>,
    pub reason: Option<String>,
}

/// One row of `loads`: `rows_in = rows_kept + rows_duplicate + rows_rejected`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Load {
    pub source: String,
    pub file_hash: String,
    /// None in rows of earlier versions.
    pub bytes_hash: Option<String>,
    pub file: Option<String>,
    pub source_hash: Option<String>,
    pub loaded_at: Option<Stamp>,
    pub rows_in: i64,
    pub rows_kept: i64,
    pub rows_duplicate: i64,
    pub rows_superseded: i64,
    /// None in rows of earlier versions.
    pub rows_superseded_by_own: Option<i64>,
    pub rows_rejected: i64,
    pub rows_ignored: i64,
}

/// One row of `analyses`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Analysis {
    pub analysis_id: String,
    pub as_of: Stamp,
    /// A JSON object, table to version.
    pub versions_read: String,
    /// A JSON object, table to version.
    pub versions_written: String,
    pub config_hash: String,
    pub code_version: String,
    /// The jobs that ran.
    pub jobs: Vec<String>,
    /// Made by `report`, for a quarter; None in rows of earlier versions.
    pub for_report: Option<bool>,
}

/// One row of `mails`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mail {
    pub mail_id: String,
    /// Empty for a mail that carried no finding.
    pub finding_id: String,
    /// Its rule and subject; None in rows of earlier versions.
    pub rule: Option<String>,
    pub subject: Option<String>,
    pub mailed_at: Stamp,
    pub as_of: Option<Stamp>,
    pub severity: Option<Severity>,
    pub state: Option<FindingState>,
    /// `file` or `smtp`.
    pub sent_by: Option<String>,
}

record!(Reject, "rejects", key(source, file_hash, line, column), {
    source, file_hash, line, column, file, scope, raw, reason,
});

record!(Load, "loads", key(source, file_hash), {
    source, file_hash, bytes_hash, file, source_hash, loaded_at, rows_in, rows_kept, rows_duplicate,
    rows_superseded, rows_superseded_by_own, rows_rejected, rows_ignored,
});

record!(Analysis, "analyses", key(analysis_id), {
    analysis_id, as_of, versions_read, versions_written, config_hash, code_version, jobs, for_report,
});

record!(Mail, "mails", key(mail_id, finding_id), {
    mail_id, finding_id, mailed_at, as_of, severity, state, sent_by, rule, subject,
});
