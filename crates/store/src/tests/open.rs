//! Opening and locking.

use std::fs;
use std::thread;
use std::time::Duration;

use super::{lock, note, now_lines, readings, store};
use crate::{Store, StoreError};

#[test]
fn a_missing_store_names_the_commands_that_make_one() {
    let folder = tempfile::tempdir().unwrap();
    let error = Store::open(folder.path().join("nothing"))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("nothing") && error.contains("no store here"),
        "{error}"
    );
    assert!(
        error.contains("`drydown ingest`") && error.contains("`drydown demo`"),
        "{error}"
    );
    assert!(matches!(
        Store::open(folder.path()),
        Err(StoreError::Missing { .. })
    ));
}

#[test]
fn somebody_elses_folder_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("thesis.txt"), "mine").unwrap();
    for opened in [
        Store::open(folder.path()),
        Store::open_or_create(folder.path()),
    ] {
        assert!(matches!(opened, Err(StoreError::NotAStore { .. })));
    }
    let file = folder.path().join("thesis.txt");
    assert!(matches!(
        Store::open_or_create(&file),
        Err(StoreError::NotAStore { .. })
    ));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn a_store_once_made_opens_again_and_a_half_made_one_is_finished() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("deep/er");
    Store::open_or_create(&path).unwrap();
    Store::open(&path).unwrap();
    // Killed between the temporary marker and its renaming.
    let half = folder.path().join("half");
    fs::create_dir(&half).unwrap();
    fs::write(half.join("drydown-store.json.4711"), "{").unwrap();
    assert!(matches!(
        Store::open(&half),
        Err(StoreError::Missing { .. })
    ));
    Store::open_or_create(&half).unwrap();
    Store::open(&half).unwrap();
}

#[test]
fn a_store_of_a_later_program_is_refused() {
    let (folder, _) = store();
    let marker = folder.path().join("store/drydown-store.json");
    fs::write(&marker, r#"{"layout": 99}"#).unwrap();
    let opened = Store::open(folder.path().join("store"));
    assert!(matches!(opened, Err(StoreError::Newer { found: 99, .. })));
    fs::write(&marker, "garbage").unwrap();
    assert!(matches!(
        Store::open(folder.path().join("store")),
        Err(StoreError::BadLog { .. })
    ));
}

#[test]
fn urls_of_object_stores_are_refused_and_file_urls_are_paths() {
    for url in [
        "s3://bucket/store",
        "memory://x",
        "https://example.org/store",
    ] {
        assert!(
            matches!(Store::open(url), Err(StoreError::UrlNotBuilt { .. })),
            "{url}"
        );
    }
    let folder = tempfile::tempdir().unwrap();
    let url = format!("file://{}/made", folder.path().display());
    Store::open_or_create(&url).unwrap();
    Store::open(folder.path().join("made")).unwrap();
}

#[test]
fn a_path_with_awkward_characters_works() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_or_create(folder.path().join("a b [x]* é#?")).unwrap();
    let guard = lock(&store);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 10.0)]);
    store
        .append(&guard, "readings", vec![rows], note("k", "v"))
        .unwrap();
    assert_eq!(now_lines(&store), ["U-1 2026-01-01T00:00:00Z 10 2026-01"]);
}

#[test]
fn a_path_with_a_percent_escape_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let refused = Store::open_or_create(folder.path().join("a%20b")).unwrap_err();
    assert!(matches!(refused, StoreError::NotAStore { .. }), "{refused}");
    assert!(!folder.path().join("a%20b").exists());
}

#[test]
fn a_second_writer_is_told_who_writes() {
    let (folder, first) = store();
    let second = Store::open(folder.path().join("store")).unwrap();
    assert_eq!(first.lock_holder(), None);
    let guard = first.lock("ingest", Some(Duration::ZERO)).unwrap();
    let error = second
        .lock("analyse", Some(Duration::from_millis(120)))
        .unwrap_err();
    let StoreError::Locked {
        holder, waited_s, ..
    } = &error
    else {
        panic!("{error}")
    };
    assert_eq!(
        (holder.owner.as_str(), holder.pid),
        ("ingest", std::process::id())
    );
    assert!(*waited_s >= 0.12);
    assert!(error.to_string().contains("ingest (process"), "{error}");
    drop(guard);
    assert_eq!(first.lock_holder(), None);
    second.lock("analyse", Some(Duration::ZERO)).unwrap();
}

#[test]
fn a_waiting_writer_gets_its_turn() {
    let (folder, first) = store();
    let guard = first.lock("ingest", None).unwrap();
    let waiter = thread::spawn(move || {
        let second = Store::open(folder.path().join("store")).unwrap();
        second.lock("analyse", None).map(|_| folder).unwrap()
    });
    thread::sleep(Duration::from_millis(150));
    assert!(!waiter.is_finished());
    drop(guard);
    waiter.join().unwrap();
}

#[test]
fn a_lock_file_left_by_a_dead_writer_does_not_lock() {
    let (folder, first) = store();
    fs::write(
        folder.path().join("store/writer.lock"),
        r#"{"owner":"ingest","pid":1}"#,
    )
    .unwrap();
    first.lock("analyse", Some(Duration::ZERO)).unwrap();
}

#[test]
fn the_lock_of_one_store_is_none_of_another() {
    let (_a, first) = store();
    let (_b, second) = store();
    let guard = lock(&first);
    let rows = readings(&[("U-1", "2026-01-01T00:00:00Z", 10.0)]);
    let wrong = second.append(&guard, "readings", vec![rows], note("k", "v"));
    assert!(matches!(wrong, Err(StoreError::WrongGuard { .. })));
}
