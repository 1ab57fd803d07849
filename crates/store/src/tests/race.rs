//! Writers and readers at the same time.

use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use super::{lock, note, now_lines, readings, store};
use crate::{CommitNote, Store, StoreError};

#[test]
fn of_two_appends_from_one_version_only_one_counts() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = || [readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)])];
    store
        .append(&guard, "readings", Vec::new(), note("k", "v"))
        .unwrap();
    let mut first = store.stage(&guard, "readings").unwrap();
    let mut second = store.stage(&guard, "readings").unwrap();
    first.write(&rows()).unwrap();
    second.write(&rows()).unwrap();
    first.commit(note("k", "first")).unwrap();
    let lost = second.commit(note("k", "second")).unwrap_err();
    assert!(matches!(lost, StoreError::LostRace { .. }), "{lost}");
    assert_eq!(now_lines(&store), ["U-1 2026-01-01T00:00:00Z 1 2026-01"]);
}

#[test]
fn of_two_first_writes_only_one_counts() {
    let (folder, store) = store();
    let other = Store::open(folder.path().join("store")).unwrap();
    let guard = lock(&store);
    let rows = || [readings(&[("U-1", "2026-01-01T00:00:00Z", 1.0)])];
    let mut first = store.stage(&guard, "readings").unwrap();
    first.write(&rows()).unwrap();
    let mut second = other.stage(&guard, "readings").unwrap();
    second.write(&rows()).unwrap();
    second.commit(note("k", "second")).unwrap();
    let lost = first.commit(note("k", "first")).unwrap_err();
    assert!(matches!(lost, StoreError::LostRace { .. }), "{lost}");
    assert_eq!(now_lines(&store).len(), 1);
}

#[test]
fn rows_computed_from_an_older_version_are_refused() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = |ppm| vec![readings(&[("U-1", "2026-01-01T00:00:00Z", ppm)])];
    let from = |version| CommitNote::new(note("k", "v")).computed_from(version);
    let first = store
        .append(&guard, "readings", rows(1.0), from(None))
        .unwrap();
    let second = store
        .replace_all(&guard, "readings", rows(2.0), from(Some(first)))
        .unwrap();
    for stale in [None, Some(first)] {
        let lost = store
            .replace_all(&guard, "readings", rows(3.0), from(stale))
            .unwrap_err();
        assert!(matches!(lost, StoreError::LostRace { .. }), "{lost}");
    }
    assert_eq!(store.table_version("readings").unwrap(), Some(second));
    assert_eq!(now_lines(&store), ["U-1 2026-01-01T00:00:00Z 2 2026-01"]);
}

#[test]
fn a_file_replaced_meanwhile_cannot_be_replaced_again() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = |ppm| vec![readings(&[("U-1", "2026-01-01T00:00:00Z", ppm)])];
    store
        .append(&guard, "readings", rows(1.0), note("k", "v"))
        .unwrap();
    let live = store.live_files("readings", None).unwrap();
    store
        .replace_files(&guard, "readings", &live, rows(2.0), note("k", "v"))
        .unwrap();
    let lost = store.replace_files(&guard, "readings", &live, rows(3.0), note("k", "v"));
    assert!(matches!(lost, Err(StoreError::LostRace { .. })));
    assert_eq!(now_lines(&store), ["U-1 2026-01-01T00:00:00Z 2 2026-01"]);
}

#[test]
fn readers_beside_a_writer_see_one_version_whole() {
    let (folder, store) = store();
    let generation = |n: f64| {
        vec![readings(&[
            ("U-1", "2026-01-01T00:00:00Z", n),
            ("U-2", "2026-02-01T00:00:00Z", n),
            ("U-3", "2026-03-01T00:00:00Z", n),
        ])]
    };
    let guard = lock(&store);
    store
        .append(&guard, "readings", generation(0.0), note("k", "v"))
        .unwrap();
    let stop = AtomicBool::new(false);
    thread::scope(|scope| {
        let readers: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| {
                    let own = Store::open(folder.path().join("store")).unwrap();
                    let mut n_looks = 0;
                    while !stop.load(Ordering::Relaxed) {
                        for seen in [now_lines(&own), now_lines(&store)] {
                            let waters: Vec<_> =
                                seen.iter().map(|line| line.split(' ').nth(2)).collect();
                            assert_eq!(waters.len(), 3, "{seen:?}");
                            assert!(waters.iter().all(|w| *w == waters[0]), "{seen:?}");
                        }
                        n_looks += 1;
                    }
                    n_looks
                })
            })
            .collect();
        for n in 1..25 {
            store
                .replace_all(&guard, "readings", generation(f64::from(n)), note("k", "v"))
                .unwrap();
        }
        stop.store(true, Ordering::Relaxed);
        for reader in readers {
            assert!(reader.join().unwrap() > 0);
        }
    });
    assert_eq!(now_lines(&store)[0], "U-1 2026-01-01T00:00:00Z 24 2026-01");
}

#[test]
fn a_frame_stays_with_its_version() {
    let (_folder, store) = store();
    let guard = lock(&store);
    let rows = |ppm| vec![readings(&[("U-1", "2026-01-01T00:00:00Z", ppm)])];
    store
        .append(&guard, "readings", rows(1.0), note("k", "v"))
        .unwrap();
    let frame = store.scan("readings", None, None).unwrap();
    store
        .replace_all(&guard, "readings", rows(2.0), note("k", "v"))
        .unwrap();
    assert_eq!(super::lines(frame), ["U-1 2026-01-01T00:00:00Z 1 2026-01"]);
}
