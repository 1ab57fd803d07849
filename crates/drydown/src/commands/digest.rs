//! `drydown digest`: the mail of what is new, to a folder or over SMTP. New is what no mail told yet,
//! or told as less grave (`drydown_findings::news`).
//!
//! At least once: a mail is noted in `mails` only after it was written or sent, so a crash in
//! between sends it again rather than never.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context as _, Result, bail};
use drydown_findings::{Finding, FindingState, Mailed, news};
use drydown_quantity::Stamp;
use drydown_report::{Digest, DigestInput, MailAddresses, render_digest, to_message};
use drydown_store::{CommitNote, Store};
use drydown_tables::{Mail, to_batch};
use lettre::transport::smtp::authentication::Credentials;
use lettre::{Message, SmtpTransport, Transport};
use serde_json::json;

use super::answers::Answers;
use crate::cli::{Cli, DigestArgs, Format};
use crate::config::Config;
use crate::output::{print_result, print_warning};
use crate::usage::UsageError;

/// Days between two all-quiet mails.
const QUIET_DAYS: f64 = 7.0;

pub(super) fn run(cli: &Cli, arguments: &DigestArgs) -> Result<u8> {
    let config = Config::load(&cli.config)?;
    let way = match (&arguments.out, arguments.send) {
        (Some(folder), _) => Way::Folder(folder),
        (None, true) => Way::Smtp,
        (None, false) => {
            return Err(UsageError("digest: expected --out DIR or --send".to_owned()).into());
        }
    };
    let store = super::open_store(&config)?;
    let outcome = deliver(&config, &store, &way, super::now())?;
    print_result(&match cli.format {
        Format::Text => format!("{}\n", outcome.sentence),
        Format::Json => format!(
            "{}\n",
            json!({"mailed": outcome.mailed, "new": outcome.n_new, "said": outcome.sentence})
        ),
    });
    Ok(0)
}

/// Where a mail goes.
pub(super) enum Way<'a> {
    Folder(&'a Path),
    Smtp,
}

/// What a digest did.
pub(super) struct Outcome {
    pub(super) mailed: bool,
    pub(super) n_new: usize,
    pub(super) sentence: String,
}

/// Makes and delivers the digest of the last analysis, and notes it.
pub(super) fn deliver(
    config: &Config,
    store: &Store,
    way: &Way<'_>,
    now: Stamp,
) -> Result<Outcome> {
    let guard = store.lock("digest", Some(Duration::from_secs(3600)))?;
    let answers = Answers::load(store, config)?;
    if let Some(past) = answers.past() {
        print_warning(&format!(
            "{past}: what is new in it may be old; `drydown analyse` first gives today's news"
        ));
    }
    // The journal as it stands now, not as the analysis saw it: mails came after it.
    let journal: Vec<Mail> =
        drydown_tables::from_frame(&store.scan("mails", None, None)?.collect()?)?;
    let as_of = answers.context.as_of;
    let mailed: Vec<Mailed> = journal.iter().map(to_mailed).collect();
    let new = news(&answers.findings, &mailed, as_of);
    let is_new = |row: &Finding| {
        new.iter()
            .any(|news| news.finding.finding_id == row.finding_id)
    };
    let open: Vec<&Finding> = answers
        .findings
        .iter()
        .filter(|row| row.state != FindingState::Cleared && !is_new(row))
        .collect();
    if new.is_empty() {
        let last = journal.iter().filter_map(|row| row.as_of).max();
        let quiet_is_due = config.mail.weekly_all_quiet
            && last.is_none_or(|last| as_of.days_after(last) >= QUIET_DAYS);
        if !quiet_is_due {
            return Ok(Outcome {
                mailed: false,
                n_new: 0,
                sentence: "nothing new: no mail".to_owned(),
            });
        }
    }
    let digest = render_digest(&DigestInput {
        as_of,
        heard: answers.heard_since(as_of.plus_days(-7.0)),
        new: &new,
        open: &open,
        risks: &answers.risks,
        pump_health: &answers.pump_health,
        registers: &answers.registers,
    })?;
    let mail_id = mail_id(&digest, as_of);
    let addresses = MailAddresses {
        from: config.mail.from.clone(),
        to: config.mail.to.clone(),
    };
    let message = to_message(&digest, &addresses, as_of, &mail_id)?;
    let place = match way {
        Way::Folder(folder) => write_file(folder, &message, as_of, &mail_id)?,
        Way::Smtp => send(config, &message)?,
    };
    // What is listed as still open is noted too: it was told again, as grave as it is now.
    let told: Vec<&Finding> = new
        .iter()
        .map(|news| news.finding)
        .chain(open.iter().copied())
        .collect();
    let rows = journal_rows(&told, &mail_id, way, as_of, now);
    store.append(
        &guard,
        "mails",
        vec![to_batch(&rows, as_of)?],
        CommitNote::new(BTreeMap::new()),
    )?;
    Ok(Outcome {
        mailed: true,
        n_new: new.len(),
        sentence: format!("{}: {place}", digest.subject),
    })
}

fn mail_id(digest: &Digest, as_of: Stamp) -> String {
    let text = format!("{}\u{1f}{}", as_of.micros(), digest.text);
    blake3::hash(text.as_bytes())
        .to_hex()
        .as_str()
        .chars()
        .take(24)
        .collect()
}

fn to_mailed(row: &Mail) -> Mailed {
    Mailed {
        finding_id: row.finding_id.clone(),
        rule: row.rule.clone(),
        subject: row.subject.clone(),
        severity: row.severity,
        as_of: row.as_of,
    }
}

fn journal_rows(
    told: &[&Finding],
    mail_id: &str,
    way: &Way<'_>,
    as_of: Stamp,
    now: Stamp,
) -> Vec<Mail> {
    let sent_by = match way {
        Way::Folder(_) => "file",
        Way::Smtp => "smtp",
    };
    let row = |finding: Option<&&Finding>| Mail {
        mail_id: mail_id.to_owned(),
        finding_id: finding.map_or_else(String::new, |row| row.finding_id.clone()),
        rule: finding.map(|row| row.rule.clone()),
        subject: finding.map(|row| row.subject.clone()),
        mailed_at: now,
        as_of: Some(as_of),
        severity: finding.map(|row| row.severity),
        state: finding.map(|row| row.state),
        sent_by: Some(sent_by.to_owned()),
    };
    if told.is_empty() {
        vec![row(None)]
    } else {
        told.iter().map(|finding| row(Some(finding))).collect()
    }
}

fn write_file(folder: &Path, message: &Message, as_of: Stamp, mail_id: &str) -> Result<String> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    let short: String = mail_id.chars().take(8).collect();
    let file = folder.join(format!("digest-{}-{short}.eml", as_of.day()));
    let beside = file.with_extension("part");
    std::fs::write(&beside, message.formatted())
        .with_context(|| format!("cannot write {}", beside.display()))?;
    std::fs::rename(&beside, &file).with_context(|| format!("cannot write {}", file.display()))?;
    Ok(file.display().to_string())
}

fn send(config: &Config, message: &Message) -> Result<String> {
    let mail = &config.mail;
    if mail.smtp_host.is_empty() {
        return Err(config
            .error(
                &["mail", "smtp_host"],
                "found nothing, expected the name of a mail server for --send",
            )
            .into());
    }
    let mut builder = SmtpTransport::starttls_relay(&mail.smtp_host)
        .with_context(|| format!("cannot use the mail server {}", mail.smtp_host))?
        .port(mail.smtp_port)
        .timeout(Some(Duration::from_secs(60)));
    let secret = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
    match (secret(&mail.smtp_user_env), secret(&mail.smtp_password_env)) {
        (Some(user), Some(password)) => {
            builder = builder.credentials(Credentials::new(user, password))
        }
        (None, None) => {}
        _ => bail!(
            "only one of the environment variables {} and {} is set; set both or none",
            mail.smtp_user_env,
            mail.smtp_password_env
        ),
    }
    builder
        .build()
        .send(message)
        .with_context(|| format!("the mail server {} did not take the mail", mail.smtp_host))?;
    Ok(format!("sent through {}", mail.smtp_host))
}
