//! The invented fleet as a whole: the same seed gives the same bytes, small fleets work, the truth
//! agrees with itself, and the counts agree with a reader that knows nothing of the writer.

use std::collections::BTreeMap;
use std::io::Read as _;

use flate2::read::GzDecoder;

use crate::{DemoConfig, DemoFile, DemoFleet, FileTruth, make_fleet};

fn build(config: &DemoConfig) -> (DemoFleet, Vec<DemoFile>) {
    let mut files = Vec::new();
    let fleet = make_fleet(config, &mut |file| files.push(file));
    (fleet, files)
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_other_seeds_do_not() {
    let fleets: Vec<_> = [1, 1, 2, 3]
        .map(|seed| build(&DemoConfig::standard(3, 2, seed)))
        .into_iter()
        .collect();
    assert_eq!(fleets[0].1, fleets[1].1);
    assert_eq!(fleets[0].0.truth, fleets[1].0.truth);
    assert_eq!(
        fleets[0].0.truth.truth_files(),
        fleets[1].0.truth.truth_files()
    );
    for (a, b) in [(0, 2), (0, 3), (2, 3)] {
        assert_ne!(fleets[a].1, fleets[b].1);
        assert_ne!(fleets[a].0.truth.cells, fleets[b].0.truth.cells);
    }
}

#[test]
fn one_unit_for_one_month_works_runs_and_is_sampled() {
    for seed in 1..=5 {
        let (fleet, files) = build(&DemoConfig::standard(1, 1, seed));
        assert!(!fleet.truth.runs.is_empty());
        assert!(fleet.truth.reservoirs.len() >= 3);
        assert!(
            files
                .iter()
                .any(|file| file.path == "exports/north/log_U-01_2026-09.csv.gz")
        );
        assert!(
            files
                .iter()
                .any(|file| file.path.starts_with("exports/labs/"))
        );
        assert!(fleet.config_toml.contains("name = \"north\""));
        assert!(!fleet.config_toml.contains("name = \"coast\""));
    }
    // Nonsense is taken as the least, not as an error.
    let (fleet, _) = build(&DemoConfig::standard(0, 0, 1));
    assert_eq!(fleet.truth.from_at.rfc3339(), "2026-09-01T00:00:00Z");
}

#[test]
fn the_standard_fleet_has_the_size_and_the_truth_it_promises() {
    let started = std::time::Instant::now();
    let mut n_bytes = 0;
    let mut n_files = 0;
    let fleet = make_fleet(&DemoConfig::standard(24, 18, 1), &mut |file| {
        n_bytes += file.bytes.len();
        n_files += 1;
    });
    let truth = &fleet.truth;
    println!(
        "{n_files} files, {n_bytes} bytes in {:?}",
        started.elapsed()
    );
    assert_eq!(n_files, truth.files.len());
    assert_eq!(truth.from_at.rfc3339(), "2025-04-01T00:00:00Z");
    assert_eq!(truth.to_at.rfc3339(), "2026-10-01T00:00:00Z");
    let wide = ["north", "high", "lowland", "island"];
    let is_wide = |file: &&FileTruth| wide.contains(&file.source.as_str());
    let n_rows: usize = truth
        .files
        .iter()
        .filter(is_wide)
        .map(|file| file.rows_in)
        .sum();
    println!("{n_rows} wide rows, {} runs", truth.runs.len());
    assert!((900_000..2_000_000).contains(&n_rows), "{n_rows}");
    assert_eq!(truth.cells.len(), 240);
    assert!(truth.cells.iter().all(|cell| cell.removal_per_pass < 1.0));
    let own = truth.cells.iter().filter(|cell| cell.n_runs > 0).count();
    assert!((80..220).contains(&own), "{own} of 240 pairs were seen");
    for run in &truth.runs {
        assert!(run.ended_at >= run.started_at && run.ended_at <= truth.to_at);
        if run.removal_rate_per_h.is_finite() {
            // k = η·Q/V, with η below 1.
            let rate = run.dried_flow_lpm * 60.0 / run.volume_l;
            assert!((run.removal_rate_per_h / rate - 1.0).abs() < 1e-9);
            assert!(run.dried_flow_lpm < run.flow_lpm);
        }
    }
    let share = |is_so: &dyn Fn(&crate::FutureTruth) -> bool| {
        truth.futures.iter().filter(|future| is_so(future)).count() as f64
            / truth.futures.len() as f64
    };
    let passes = share(&|future| future.passes_limit_at.is_some());
    let free = share(&|future| future.free_water_at.is_some());
    println!("without a unit {passes:.2} pass the limit, {free:.2} meet free water");
    assert!((0.1..0.6).contains(&passes) && (0.1..0.6).contains(&free));
}

#[test]
fn futures_start_from_the_waters_of_the_reservoirs() {
    let (fleet, _) = build(&DemoConfig::standard(5, 4, 2));
    let truth = &fleet.truth;
    assert_eq!(truth.futures.len(), truth.reservoirs.len() * 5);
    for reservoir in &truth.reservoirs {
        let last = truth
            .futures
            .iter()
            .find(|f| f.reservoir_id == reservoir.reservoir_id && f.from_at == truth.to_at)
            .unwrap();
        assert_eq!(
            last.water_all_ppm.to_bits(),
            reservoir.water_all_ppm.to_bits()
        );
    }
    for future in &truth.futures {
        let is_above = future.water_sample_ppm > future.water_limit_ppm;
        assert!(!is_above || future.passes_limit_at == Some(future.from_at));
        assert_eq!(
            future.passes_limit_at.is_some(),
            future.highest_sample_ppm > future.water_limit_ppm
        );
    }
}

#[test]
fn healthy_spans_and_failing_spells_do_not_meet() {
    let config = DemoConfig {
        failing_share: 0.9,
        ..DemoConfig::standard(6, 6, 3)
    };
    let (fleet, _) = build(&config);
    let truth = &fleet.truth;
    assert!(truth.pumps.iter().any(|spell| spell.cause != "wet_oil"));
    for span in &truth.healthy {
        assert!(span.from_at < span.to_at);
        for spell in truth
            .pumps
            .iter()
            .filter(|spell| spell.unit_id == span.unit_id)
        {
            let ends = spell.repaired_at.unwrap_or(truth.to_at);
            assert!(span.to_at <= spell.onset_at || ends <= span.from_at);
        }
    }
}

#[test]
fn no_failing_share_means_no_failing_pump_and_no_dirt_means_clean_files() {
    let config = DemoConfig {
        failing_share: 0.0,
        dirt: 0.0,
        ..DemoConfig::standard(6, 3, 1)
    };
    let (fleet, _) = build(&config);
    assert!(
        fleet
            .truth
            .pumps
            .iter()
            .all(|spell| spell.cause == "wet_oil")
    );
    for file in fleet
        .truth
        .files
        .iter()
        .filter(|file| file.table == "readings")
    {
        assert_eq!(file.rows_in, file.rows_kept, "{}", file.path);
        assert_eq!(file.rows_superseded, 0);
    }
}

/// A reader that only knows lines: what each file holds that was seen before.
#[derive(Default)]
struct NaiveReader {
    /// Stamp (or tag and stamp) to the rest of the line, per unit.
    seen: BTreeMap<String, BTreeMap<String, String>>,
}

#[derive(Debug, Default, PartialEq)]
struct NaiveCounts {
    rows_in: usize,
    duplicate: usize,
    superseded: usize,
    rejected: usize,
    ignored: usize,
}

impl NaiveReader {
    fn read(&mut self, file: &DemoFile, source: &str) -> NaiveCounts {
        let text = match file.path.ends_with(".gz") {
            true => {
                let mut text = String::new();
                GzDecoder::new(file.bytes.as_slice())
                    .read_to_string(&mut text)
                    .unwrap();
                text
            }
            false => file.bytes.iter().map(|byte| char::from(*byte)).collect(),
        };
        let unit = file.path.split('_').nth(1).unwrap().to_owned();
        let (skip, delimiter, key_fields) = match source {
            "lowland" => (4, ';', 1),
            "island" => (0, ';', 2),
            "coast" => (0, ',', 2),
            "delta" => (0, ';', 2),
            _ => (0, ',', 1),
        };
        let mut lines = text.lines().skip(skip);
        let header = lines
            .next()
            .unwrap_or("")
            .trim_start_matches("\u{ef}\u{bb}\u{bf}")
            .to_owned();
        let n_fields = header.split(delimiter).count();
        let seen = self.seen.entry(unit).or_default();
        let mut counts = NaiveCounts::default();
        for line in lines.filter(|line| !line.is_empty()) {
            if line.contains("SPARE") {
                counts.ignored += 1;
                continue;
            }
            counts.rows_in += 1;
            let fields: Vec<&str> = line.split(delimiter).collect();
            let far = fields.iter().take(key_fields).any(|field| {
                field.contains("/203")
                    || field.contains(".203")
                    || field.starts_with("203")
                    || (source == "delta" && field.parse().is_ok_and(|ms: f64| ms > 1.9e12))
            });
            if line == header || fields.len() != n_fields || far {
                counts.rejected += 1;
                continue;
            }
            let key = fields[..key_fields].join("|");
            let rest = fields[key_fields..].join("|");
            match seen.insert(key, rest.clone()) {
                Some(before) if before == rest => counts.duplicate += 1,
                Some(_) => counts.superseded += 1,
                None => {}
            }
        }
        counts
    }
}

#[test]
fn the_counts_are_those_of_a_naive_reader() {
    // Six months that end in September hold no fold, in which local stamps come twice.
    let (fleet, files) = build(&DemoConfig {
        dirt: 3.0,
        ..DemoConfig::standard(12, 6, 1)
    });
    let truth: BTreeMap<&str, &FileTruth> = fleet
        .truth
        .files
        .iter()
        .map(|file| (file.path.as_str(), file))
        .collect();
    let mut reader = NaiveReader::default();
    let mut total = NaiveCounts::default();
    for file in &files {
        let counted = truth[file.path.as_str()];
        assert_eq!(
            counted.rows_in,
            counted.rows_kept + counted.rows_duplicate + counted.rows_rejected
        );
        if counted.table != "readings" {
            continue;
        }
        let found = reader.read(file, &counted.source);
        // A tall line whose value reads as null changes nothing where its row is there already; what
        // reads as null is the ingest's to know, so the naive reader gives a range.
        let is_tall = counted.source == "delta" || counted.source == "coast";
        let nulls = if is_tall { counted.cell_rejects } else { 0 };
        assert!(
            (found.duplicate..=found.duplicate + nulls).contains(&counted.rows_duplicate),
            "{}: {} duplicates",
            file.path,
            counted.rows_duplicate
        );
        let wanted = NaiveCounts {
            rows_in: counted.rows_in,
            duplicate: found.duplicate,
            superseded: counted.rows_superseded,
            rejected: counted.rows_rejected,
            ignored: counted.rows_ignored,
        };
        assert_eq!(found, wanted, "{}", file.path);
        total.duplicate += found.duplicate;
        total.superseded += found.superseded;
        total.rejected += found.rejected;
        total.ignored += found.ignored;
    }
    println!("{total:?}");
    assert!(total.duplicate > 1000 && total.superseded > 10);
    assert!(total.rejected > 50 && total.ignored > 10);
}

#[test]
fn local_stamps_follow_daylight_saving() {
    // 2026-03-08 02:00 to 03:00 does not exist in Chicago, 2025-11-02 01:00 to 02:00 comes twice.
    let (_, files) = build(&DemoConfig::standard(10, 12, 1));
    let mut folded = 0;
    for file in files
        .iter()
        .filter(|file| file.path.starts_with("exports/north/"))
    {
        let mut text = String::new();
        GzDecoder::new(file.bytes.as_slice())
            .read_to_string(&mut text)
            .unwrap();
        assert!(!text.contains("\n03/08/2026 02:"), "{}", file.path);
        folded += text.matches("\n11/02/2025 01:").count();
    }
    assert!(folded > 0);
}
