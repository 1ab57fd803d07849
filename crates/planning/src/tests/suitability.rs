//! The bars that come before hours.

use super::*;

fn reasons(change: impl Fn(&mut Reservoir, &mut Oil, &mut Unit)) -> Vec<String> {
    let (mut reservoir, mut oil, mut unit) = (reservoir(), oil(), unit("U-1", "only", 20.0));
    change(&mut reservoir, &mut oil, &mut unit);
    let mut job = job(&oil, 1000.0, 1000.0, 100.0);
    job.reservoir = Some(&reservoir);
    let coefficient = coefficient("U-1", 0.8, (0.8, 0.8));
    let candidate = Candidate {
        unit: &unit,
        coefficient: Some(&coefficient),
        capacity: None,
        vapour: None,
        temperature_slope: None,
    };
    let answer = size(&job, &[candidate], &config());
    match &answer.rows[0].suitability {
        Suitability::Suitable => Vec::new(),
        Suitability::Barred { reasons } => {
            // Barred is barred: no hours, no class, whatever the numbers would be.
            assert_eq!(answer.rows[0].verdict, Verdict::Barred);
            assert_eq!(
                (answer.rows[0].hours_p50, answer.smallest.clone()),
                (None, None)
            );
            assert!(!answer.why_not[0].reason.is_empty());
            reasons.clone()
        }
    }
}

#[test]
fn suitability_comes_before_hours_and_unknown_is_not_yes() {
    assert!(reasons(|_, _, _| {}).is_empty());
    let barred = |word: &str, change: &dyn Fn(&mut Reservoir, &mut Oil, &mut Unit)| {
        let reasons = reasons(change);
        assert!(
            reasons.iter().any(|reason| reason.contains(word)),
            "{word}: {reasons:?}"
        );
    };
    for status in [PcbStatus::Suspect, PcbStatus::Present, PcbStatus::Unknown] {
        barred("PCB", &|reservoir, _, _| {
            reservoir.pcb_status = Some(status)
        });
    }
    barred("energised", &|reservoir, _, _| {
        reservoir.energised = Some(true)
    });
    barred("paper-insulated", &|reservoir, _, _| {
        reservoir.paper_insulated = Some(true)
    });
    barred("60 °C", &|reservoir, _, _| {
        reservoir.max_oil_degc = Some(60.0)
    });
    barred("flash point 100", &|_, oil, _| oil.flash_degc = Some(100.0));
    barred("flash point", &|_, oil, _| oil.flash_degc = None);
    barred("family", &|_, oil, _| oil.family = None);
    barred("may not take gear", &|_, oil, _| {
        oil.family = Some("gear".into())
    });
    barred("families", &|_, _, unit| unit.oil_families_allowed.clear());
    let insulating = |oil: &mut Oil, unit: &mut Unit| {
        oil.family = Some("insulating".into());
        unit.oil_families_allowed.push("insulating".into());
    };
    barred("not registered as ready", &|_, oil, unit| {
        insulating(oil, unit)
    });
    barred("isolated", &|_, oil, unit| {
        insulating(oil, unit);
        unit.insulating_oil_ready = Some(true);
    });
    barred(
        "PCB status is not in the register",
        &|reservoir, oil, unit| {
            insulating(oil, unit);
            reservoir.pcb_status = None;
        },
    );
}
