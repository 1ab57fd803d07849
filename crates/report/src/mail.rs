//! A digest as an RFC 5322 message: text and HTML alternatives, pictures inline (RFC 2045, 2387).

use std::time::{Duration, SystemTime};

use drydown_quantity::Stamp;
use lettre::Message;
use lettre::message::header::ContentType;
use lettre::message::{Attachment, Mailbox, MultiPart, SinglePart};

use crate::digest::Digest;

/// Who writes to whom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MailAddresses {
    /// Sender.
    pub from: String,
    /// Receivers.
    pub to: Vec<String>,
}

/// A mail that cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum MailError {
    /// An address is not one.
    #[error("found \"{found}\", expected a mail address such as \"name@example.org\"")]
    Address {
        /// What was found.
        found: String,
    },
    /// The message cannot be put together.
    #[error("the mail cannot be put together: {0}")]
    Build(#[from] lettre::error::Error),
}

/// The message. Date, message id and boundaries follow from `as_of` and the content, so the same digest gives the same bytes.
///
/// # Errors
/// Where an address is not one, or a part cannot be encoded.
pub fn to_message(
    digest: &Digest,
    addresses: &MailAddresses,
    as_of: Stamp,
    id: &str,
) -> Result<Message, MailError> {
    let mailbox = |text: &str| {
        text.parse::<Mailbox>().map_err(|_| MailError::Address {
            found: text.to_owned(),
        })
    };
    let seconds = u64::try_from(as_of.micros() / 1_000_000).unwrap_or(0);
    let mut builder = Message::builder()
        .from(mailbox(&addresses.from)?)
        .subject(digest.subject.clone())
        .date(SystemTime::UNIX_EPOCH + Duration::from_secs(seconds))
        .message_id(Some(format!("<{id}@drydown.invalid>")));
    for to in &addresses.to {
        builder = builder.to(mailbox(to)?);
    }
    let mut related = MultiPart::related()
        .boundary(format!("related-{id}"))
        .singlepart(SinglePart::html(digest.html.clone()));
    for (content_id, picture) in &digest.pictures {
        let png = ContentType::parse("image/png").unwrap_or(ContentType::TEXT_PLAIN);
        related = related
            .singlepart(Attachment::new_inline(content_id.clone()).body(picture.clone(), png));
    }
    let body = MultiPart::alternative()
        .boundary(format!("alternative-{id}"))
        .singlepart(SinglePart::plain(digest.text.clone()))
        .multipart(related);
    Ok(builder.multipart(body)?)
}
