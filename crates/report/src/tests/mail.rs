//! The mail: what is new in full, what is open in a few lines, and a message other programs can read.
//! (`tests/mail/read_mail.py` reads the demo's mail with Python's mail reader.)

use drydown_findings::{Finding, FindingState, News, Severity};

use super::as_read;
use super::world::{QUARTER, World, finding};
use crate::{CAUTION_LINE, Digest, DigestInput, Heard, MailAddresses, render_digest, to_message};

fn digest(world: &World, new: &[Finding], open: &[Finding]) -> Digest {
    let new: Vec<News<'_>> = new
        .iter()
        .map(|finding| News {
            finding,
            told: None,
        })
        .collect();
    digest_of(world, &new, open)
}

fn digest_of(world: &World, new: &[News<'_>], open: &[Finding]) -> Digest {
    let open: Vec<&Finding> = open.iter().collect();
    render_digest(&DigestInput {
        as_of: QUARTER.end(),
        heard: Heard { heard: 1, of: 2 },
        new,
        open: &open,
        risks: &world.risks,
        pump_health: &world.pump_health,
        registers: &world.registers,
    })
    .unwrap()
}

fn new(rule: &str, subject: &str, severity: Severity) -> Finding {
    Finding {
        state: FindingState::New,
        ..finding(rule, subject, severity)
    }
}

fn addresses() -> MailAddresses {
    MailAddresses {
        from: "drydown@example.org".to_owned(),
        to: vec!["Night shift <night@example.org>".to_owned()],
    }
}

#[test]
fn the_subject_says_whether_to_open_it() {
    let act = || new("pump_change", "U-1", Severity::Act);
    let info = || new("no_altitude", "S-1", Severity::Info);
    for (new, open, expected) in [
        (
            vec![],
            vec![],
            "drydown 2026-10-01: nothing new, 0 findings open",
        ),
        (
            vec![],
            vec![act()],
            "drydown 2026-10-01: nothing new, 1 finding open, 1 of them to act on",
        ),
        (
            vec![info()],
            vec![],
            "drydown 2026-10-01: 1 new (1 for information)",
        ),
        (
            vec![info(), act(), info()],
            vec![act()],
            "drydown 2026-10-01: 3 new (1 to act on, 2 for information)",
        ),
    ] {
        assert_eq!(digest(&World::default(), &new, &open).subject, expected);
    }
}

#[test]
fn what_grew_graver_says_what_it_was() {
    let worse = new("pump_change", "U-1", Severity::Act);
    let fresh = new("no_altitude", "S-1", Severity::Info);
    let told = |finding, told| News { finding, told };
    let mail = digest_of(
        &World::default(),
        &[told(&fresh, None), told(&worse, Some(Severity::Watch))],
        &[],
    );
    assert_eq!(
        mail.subject,
        "drydown 2026-10-01: 1 new and 1 worse (1 to act on, 1 for information)"
    );
    for text in [&mail.text, &mail.html] {
        assert!(
            text.contains("[act, was watch] U-1: vacuum pump changed"),
            "{text}"
        );
        assert!(text.contains("[info] S-1:"), "{text}");
    }
    let mail = digest_of(
        &World::default(),
        &[told(&worse, Some(Severity::Watch))],
        &[],
    );
    assert_eq!(mail.subject, "drydown 2026-10-01: 1 worse (1 to act on)");
}

#[test]
fn every_new_finding_is_told_most_severe_first() {
    let mut rows: Vec<Finding> = (0..60)
        .map(|idx| new("volume_suspect", &format!("R-{idx:02}"), Severity::Info))
        .collect();
    rows.push(new("hot_oil", "U-4", Severity::Act));
    let mail = digest(&World::default(), &rows, &[]);
    for text in [&mail.text, &as_read(&mail.html)] {
        for row in &rows {
            assert!(text.contains(row.subject.as_str()), "{}", row.subject);
        }
        assert!(text.find("U-4").unwrap() < text.find("R-00").unwrap());
        // One rule's many: the first in full, the others by name. What is to act on, always in full.
        let full = |subject: &str| text.contains(&format!("on {subject},"));
        assert!(full("U-4") && full("R-00") && full("R-02") && !full("R-03"));
        assert!(text.contains("[info] registered volume doubtful, 57 more: R-03, R-04,"));
    }
    assert!(mail.text.contains("NEW (61)"));
    let acts: Vec<Finding> = (0..60)
        .map(|idx| new("hot_oil", &format!("U-{idx:02}"), Severity::Act))
        .collect();
    let mail = digest(&World::default(), &acts, &[]);
    for row in &acts {
        assert!(mail.text.contains(&format!("on {},", row.subject)));
    }
}

#[test]
fn what_is_open_is_short_and_counted() {
    let open: Vec<Finding> = (0..200)
        .map(|idx| {
            let severity = if idx < 150 {
                Severity::Act
            } else {
                Severity::Watch
            };
            finding("reservoir_wet", &format!("R-{idx:03}"), severity)
        })
        .collect();
    let mail = digest(&World::default(), &[], &open);
    let listed = mail
        .text
        .split("STILL OPEN (200)")
        .nth(1)
        .and_then(|rest| rest.split("CAUTIONS").next())
        .unwrap();
    assert!(listed.lines().count() <= 13, "{listed}");
    assert!(listed.contains("[act]") && listed.contains("(150, oldest since 2026-07-03): R-000,"));
    assert!(listed.contains("and 130 more") && listed.contains("and 42 more"));
    assert!(listed.contains("first page of the quarter's report"));
    assert_eq!(mail.html.matches("<li>[").count(), 2);
}

#[test]
fn cautions_stand_near_the_top_and_lines_are_short() {
    let world = World::one_unit("U-1", "R-1");
    let mail = digest(&world, &[new("pump_change", "U-1", Severity::Act)], &[]);
    assert!(mail.text.starts_with("Heard from 1 of 2 units"));
    let words = mail.text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.find(CAUTION_LINE).unwrap() < words.find("NEW (1)").unwrap());
    assert!(mail.html.find(CAUTION_LINE).unwrap() < mail.html.find("New (1)").unwrap());
    assert!(mail.text.lines().all(|line| line.chars().count() <= 78));
    assert!(mail.text.contains("water in the pump's oil") && !mail.text.contains("wet_oil"));
}

#[test]
fn markup_in_names_stays_text() {
    let mail = digest(
        &World::default(),
        &[new("<b>rule</b>", "<img src=x>", Severity::Act)],
        &[finding("pump_change", "\"><script>", Severity::Watch)],
    );
    assert!(!mail.html.contains("<img") && !mail.html.contains("<script"));
    assert!(mail.html.contains("&lt;img src=x&gt;"));
}

#[test]
fn a_pump_brings_its_chart_and_four_at_most() {
    let mut world = World::one_unit("U-1", "R-1");
    let mut rows = vec![new("pump_change", "U-1", Severity::Watch)];
    for idx in 2..9 {
        let id = format!("U-{idx}");
        world
            .pump_health
            .extend(World::one_unit(&id, "R-1").pump_health);
        rows.push(new("pump_change", &id, Severity::Watch));
    }
    let mail = digest(&world, &rows, &[]);
    assert_eq!(mail.pictures.len(), 4);
    for (id, png) in &mail.pictures {
        assert!(mail.html.contains(&format!("cid:{id}")));
        assert_eq!(png.get(..8), Some(b"\x89PNG\r\n\x1a\n".as_slice()));
    }
    assert_eq!(mail.html.matches("alt=\"Pump level of U-").count(), 4);
}

#[test]
fn the_message_has_its_parts_and_is_the_same_each_time() {
    let world = World::one_unit("Ü-1", "R-1");
    let mail = digest(&world, &[new("pump_change", "Ü-1", Severity::Act)], &[]);
    let message = |id| {
        to_message(&mail, &addresses(), QUARTER.end(), id)
            .unwrap()
            .formatted()
    };
    assert_eq!(message("abc"), message("abc"));
    let text = String::from_utf8(message("abc")).unwrap();
    assert!(text.is_ascii(), "RFC 5322, 2.1: lines of US-ASCII");
    let (head, body) = text.split_once("\r\n\r\n").unwrap();
    for part in [
        "From: drydown@example.org",
        "To: \"Night shift\" <night@example.org>",
        "Date: Thu, 01 Oct 2026 00:00:00 +0000",
        "Message-ID: <abc@drydown.invalid>",
        "MIME-Version: 1.0",
        "multipart/alternative",
    ] {
        assert!(head.contains(part), "{part}\n{head}");
    }
    for (part, n) in [
        ("Content-Type: text/plain; charset=utf-8", 1),
        ("Content-Type: multipart/related", 1),
        ("Content-Type: text/html; charset=utf-8", 1),
        ("Content-Type: image/png", 1),
        ("\r\n--alternative-abc--", 1),
        ("\r\n--related-abc--", 1),
    ] {
        assert_eq!(body.matches(part).count(), n, "{part}");
    }
    // RFC 5322, 2.1.1: no line over 998 characters.
    assert!(text.lines().all(|line| line.len() <= 998));
}

#[test]
fn an_address_that_is_none_is_named() {
    let mail = digest(&World::default(), &[], &[]);
    let wrong = MailAddresses {
        to: vec!["night shift".to_owned()],
        ..addresses()
    };
    let error = to_message(&mail, &wrong, QUARTER.end(), "x").unwrap_err();
    assert!(error.to_string().contains("\"night shift\""), "{error}");
}
