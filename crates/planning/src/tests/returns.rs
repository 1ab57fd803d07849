//! Water that comes back to the oil: settled water, and oil that does not pass the unit.

use super::*;

const CERTAIN_POOL: SettledWater = SettledWater {
    probability: 1.0,
    ln_pool_ppm: Spread { mean: 5.0, sd: 0.0 },
    ln_dissolving_per_h: Spread {
        mean: -3.0,
        sd: 0.0,
    },
    since_h: 0.0,
};

fn sized(start_ppm: f64, returns: Returns) -> UnitSize {
    let oil = oil();
    let mut job = job(&oil, 1000.0, start_ppm, 100.0);
    job.returns = returns;
    one(&job, 20.0, 0.5, None)
}

fn settled(law: SettledWater) -> Returns {
    Returns {
        settled: Some(law),
        mixing: None,
    }
}

#[test]
fn settled_water_takes_hours_and_comes_back() {
    let plain = sized(250.0, Returns::default());
    let fed = sized(250.0, settled(CERTAIN_POOL));
    assert!(fed.hours_p50.unwrap() > plain.hours_p50.unwrap());
    // Dried in about an hour, most of its 148 ppm is still there, and the oil can hold it.
    assert_eq!((plain.p_comes_back, fed.p_comes_back), (None, Some(1.0)));
    assert!(
        fed.note.contains("settled water would bring it"),
        "{}",
        fed.note
    );
    // With a chance of one half, half of the draws have it.
    let half = sized(
        250.0,
        settled(SettledWater {
            probability: 0.5,
            ..CERTAIN_POOL
        }),
    );
    assert!((half.p_comes_back.unwrap() - 0.5).abs() < 0.1, "{half:?}");
}

#[test]
fn a_sample_that_met_the_target_days_ago_is_not_taken_for_dry_oil_over_settled_water() {
    let fresh = sized(90.0, settled(CERTAIN_POOL));
    assert_eq!(
        (fresh.hours_p50, fresh.p_comes_back),
        (Some(0.0), Some(1.0))
    );
    let days_ago = sized(
        90.0,
        settled(SettledWater {
            since_h: 72.0,
            ..CERTAIN_POOL
        }),
    );
    assert!(days_ago.hours_p10.unwrap() > 0.2, "{days_ago:?}");
    assert_eq!(sized(90.0, Returns::default()).hours_p90, Some(0.0));
}

#[test]
fn a_badly_mixed_reservoir_takes_longer_and_nothing_comes_back_once_it_is_mixed() {
    let badly = Returns {
        settled: None,
        mixing: Some(BadMixing {
            probability: 1.0,
            loop_share_logit: Spread { mean: 0.5, sd: 0.2 },
            ln_exchange_per_h: Spread {
                mean: -3.0,
                sd: 0.3,
            },
        }),
    };
    let (plain, slow) = (sized(400.0, Returns::default()), sized(400.0, badly));
    assert!(
        slow.hours_p50.unwrap() > 2.0 * plain.hours_p50.unwrap(),
        "{slow:?}"
    );
    assert_eq!(slow.p_comes_back, None);
    assert!(slow.hours_p90.unwrap() > slow.hours_p10.unwrap());
}

#[test]
fn oil_that_may_be_dry_enough_already_is_said_to_be() {
    let (oil, unit) = (oil(), unit("U-1", "only", 20.0));
    let (coefficient, vapour) = (
        coefficient("U-1", 0.5, (0.5, 0.5)),
        vapour("U-1", 20.0, 0.0),
    );
    let candidate = Candidate {
        unit: &unit,
        coefficient: Some(&coefficient),
        capacity: None,
        vapour: Some(&vapour),
        temperature_slope: None,
    };
    let said = |start_ppm: f64, start_log_sd: f64| {
        let mut job = job(&oil, 1000.0, start_ppm, 100.0);
        job.start_log_sd = start_log_sd;
        let answer = size(&job, &[candidate], &config());
        let chance = answer
            .assumptions
            .iter()
            .find(|text| text.contains("at the target already"));
        (chance.cloned(), answer.rows[0].hours_p90.unwrap())
    };
    // The median is the target: half of the draws are below it, and the wetter half takes hours.
    let (chance, p90) = said(100.0, 0.5);
    let percent: f64 = chance
        .unwrap()
        .split(' ')
        .find_map(|word| word.parse().ok())
        .unwrap();
    assert!((percent - 50.0).abs() < 8.0 && p90 > 0.3, "{percent} {p90}");
    assert_eq!(said(400.0, 0.1).0, None);
}
