//! The sentence that says why a reservoir stands where it stands.

use crate::subject::Subject;

/// The numbers that the sentence chooses from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Facts<'a> {
    pub(crate) subject: &'a Subject,
    pub(crate) paper: bool,
    pub(crate) p_water: Option<f64>,
    pub(crate) p_free: Option<f64>,
    pub(crate) p_cleanliness: Option<f64>,
    pub(crate) p_acid: Option<f64>,
    /// Median and 90 % ends of what a sample would show now, ppm.
    pub(crate) sample_ppm: Option<(f64, f64, f64)>,
    /// Median of all water, settled water included, ppm.
    pub(crate) all_ppm: Option<f64>,
    /// Rise of all water, ppm a day, net of what the air takes.
    pub(crate) rise_ppm_per_day: Option<f64>,
    /// What a leak multiplies the usual ingress by, and the probability that there is one.
    pub(crate) leak: Option<(f64, f64)>,
    pub(crate) horizon_days: f64,
}

/// A leak likelier than this is named.
const LEAK_IS_NAMED: f64 = 0.7;

/// The driver and what is missing, in sentences.
pub(crate) fn render_driver(facts: &Facts<'_>) -> String {
    let mut sentences = vec![main_sentence(facts)];
    if let Some(ppm) = settled_ppm(facts) {
        sentences.push(format!(
            "Settled water suspected, some {ppm:.0} ppm more than a sample shows: drain the bottom first."
        ));
        if let Some(settled) = facts.subject.settled.filter(|settled| settled.lies() > 0.5) {
            let (low, high) = settled.ends_ppm();
            sentences.push(format!(
                "A sample from the bottom read {:.0} ppm: {low:.0} to {high:.0} ppm of water may lie there (90 %).",
                settled.bottom_ppm
            ));
        }
    }
    if let Some((factor, p)) = facts
        .leak
        .filter(|(_, p)| !facts.paper && *p > LEAK_IS_NAMED)
    {
        sentences.push(format!(
            "It looks like a leak ({}): water comes in some {factor:.0} times as fast as is usual here, as where a cooler or a seal has begun to leak.",
            percent(p)
        ));
    }
    if facts.paper {
        sentences
            .push("The water in the paper is not assessed: it holds most of the water.".to_owned());
    }
    if let Some(name) = facts
        .subject
        .limit
        .as_ref()
        .and_then(|limit| limit.default_for)
    {
        let ppm = facts.subject.limit.as_ref().map_or(0.0, |limit| limit.ppm);
        sentences.push(format!(
            "The limit of {ppm:.0} ppm is the default for {name}."
        ));
    }
    if facts.sample_ppm.is_some() && facts.p_free.is_none() {
        let why = if facts.subject.visible.solubility_ppm.is_finite() {
            "no coldest oil temperature"
        } else {
            "no solubility constants"
        };
        sentences.push(format!(
            "Free water not assessed: {why}; ranked as reservoirs as near their water limit are."
        ));
    }
    let missing = missing(facts);
    if !missing.is_empty() {
        sentences.push(format!("Not known: {}.", missing.join(", ")));
    }
    sentences.join(" ")
}

fn main_sentence(facts: &Facts<'_>) -> String {
    let Some(level) = facts.sample_ppm else {
        return "No sample and no run tells the water here or in any comparable reservoir."
            .to_owned();
    };
    let parts = [
        (facts.p_free, "free water at the coldest place"),
        (facts.p_water.map(|p| 0.5 * p), "the water limit"),
        (
            facts.p_cleanliness.map(|p| 0.5 * p),
            "the cleanliness limit",
        ),
        (facts.p_acid.map(|p| 0.5 * p), "the acid limit"),
    ];
    let mut top: Option<(f64, usize)> = None;
    for (idx, (p, _)) in parts.iter().enumerate() {
        if let Some(p) = p.filter(|p| top.is_none_or(|(best, _)| *p > best)) {
            top = Some((p, idx));
        }
    }
    let state = water_state(facts, level);
    match top {
        None => format!("{state}; no limit is known to measure it by."),
        Some((p, _)) if p < 0.005 => format!(
            "{state}; nothing is likely to be passed within {:.0} days.",
            facts.horizon_days
        ),
        Some((_, idx)) => {
            let raw = [
                facts.p_free,
                facts.p_water,
                facts.p_cleanliness,
                facts.p_acid,
            ];
            let p = raw.get(idx).copied().flatten().unwrap_or(0.0);
            let what = parts.get(idx).map_or("", |(_, what)| what);
            let others = open_chances(&raw, &parts, idx);
            format!(
                "Mostly {what} ({}){others}: {}.",
                percent(p),
                lower_first(&state)
            )
        }
    }
}

/// `, perhaps the water limit (40 %)`: what else is neither sure nor out of the question.
fn open_chances(raw: &[Option<f64>; 4], parts: &[(Option<f64>, &str); 4], top: usize) -> String {
    let rest = raw.iter().zip(parts).enumerate();
    let open: Vec<String> = rest
        .filter(|(idx, _)| *idx != top)
        .filter_map(|(_, (p, (_, what)))| {
            let p = p.filter(|p| (0.05..=0.99).contains(p))?;
            Some(format!("{what} ({})", percent(p)))
        })
        .collect();
    if open.is_empty() {
        String::new()
    } else {
        format!(", perhaps {}", open.join(" and "))
    }
}

/// Water that a mid-stream sample would not show, ppm; None where the two waters hardly part.
fn settled_ppm(facts: &Facts<'_>) -> Option<f64> {
    let (shown, _, _) = facts.sample_ppm?;
    let settled = facts.all_ppm? - shown;
    (!facts.paper && settled > 20.0 && settled > 0.15 * shown).then_some(settled)
}

/// `Water now 180 ppm (90 % 140–230), rising 2.1 ppm a day`, and on what it rests.
fn water_state(facts: &Facts<'_>, (median, low, high): (f64, f64, f64)) -> String {
    let rise = facts
        .rise_ppm_per_day
        .filter(|_| !facts.paper)
        .map_or_else(String::new, |rise| {
            // of saturated oil a sample need not rise with what comes in
            let what = if settled_ppm(facts).is_some() {
                "all water "
            } else {
                ""
            };
            if rise >= 0.05 {
                format!(", {what}rising {} ppm a day", two_digits(rise))
            } else if rise <= -0.05 {
                format!(", {what}falling {} ppm a day", two_digits(-rise))
            } else {
                ", hardly changing".to_owned()
            }
        });
    let timeline = &facts.subject.timeline;
    let basis = match (
        timeline.n_samples,
        timeline.n_run_ends,
        timeline.sample_age_h,
    ) {
        (0, 0, _) => " (no sample and no run here: judged by the fleet alone)".to_owned(),
        (0, n, _) => format!(" (no sample, {n} run{} with a sensor)", plural(n)),
        (_, _, _) if timeline.only_censored => " (samples gave bounds only)".to_owned(),
        (_, _, Some(age_h)) if age_h > 24.0 * 90.0 => {
            format!(" (last sample {:.0} days ago)", age_h / 24.0)
        }
        _ => String::new(),
    };
    format!("Water now {median:.0} ppm (90 % {low:.0}–{high:.0}){rise}{basis}")
}

fn missing(facts: &Facts<'_>) -> Vec<&'static str> {
    let subject = facts.subject;
    let mut list = Vec::new();
    if subject.oil_kg.is_none() {
        list.push("volume");
    }
    if !subject.visible.solubility_ppm.is_finite() {
        list.push("the oil's solubility");
    } else if subject.coldest_solubility_ppm.is_none() {
        list.push("coldest oil temperature");
    }
    if subject.limit.is_none() {
        list.push("water limit");
    }
    if facts.p_cleanliness.is_none() {
        list.push("cleanliness");
    }
    if facts.p_acid.is_none() {
        list.push("acid number");
    }
    list
}

fn percent(p: f64) -> String {
    match 100.0 * p {
        p if p > 99.0 => "over 99 %".to_owned(),
        p if p < 1.0 => "under 1 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

fn two_digits(x: f64) -> String {
    if x < 1.0 {
        format!("{x:.2}")
    } else if x < 10.0 {
        format!("{x:.1}")
    } else {
        format!("{x:.0}")
    }
}

fn plural(n: i64) -> &'static str {
    if n == 1 { "" } else { "s" }
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + chars.as_str()
    })
}
