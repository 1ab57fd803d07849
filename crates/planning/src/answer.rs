//! What sizing answers.

use drydown_quantity::words;

use crate::standing::Standing;
use crate::suitability::Suitability;

words! {
    /// What a row speaks of.
    SubjectKind { Unit = "unit", Class = "class" }
}
words! {
    /// Which stretch of the job takes longest.
    Dominant { Heating = "heating", Capacity = "capacity", Drying = "drying", Ingress = "ingress" }
}
words! {
    /// What is shown of a subject.
    Verdict {
        /// The window is met with the asked confidence (without a window: the target is).
        Meets = "meets",
        /// The target is reached, the window not with the asked confidence.
        TooSlow = "too_slow",
        /// The target is reached with a probability between those two, or with a pump in alarm, of which nothing is promised.
        NotShownFeasible = "not_shown_feasible",
        /// The target is not reached with at least the configured probability.
        Infeasible = "infeasible",
        Barred = "barred",
        /// The fleet tells no removal for it.
        NoBasis = "no_basis",
    }
}

/// One unit or one size class on one job. Hours are None where they are infinite or there is nothing to tell them from.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitSize {
    pub subject: String,
    pub kind: SubjectKind,
    pub size_class: Option<String>,
    pub nameplate_flow_lpm: Option<f64>,
    pub suitability: Suitability,
    pub verdict: Verdict,
    /// Running hours to the target.
    pub hours_p10: Option<f64>,
    pub hours_p50: Option<f64>,
    pub hours_p90: Option<f64>,
    /// Wall-clock days at the configured availability.
    pub elapsed_days_p50: Option<f64>,
    pub elapsed_days_p90: Option<f64>,
    /// Probability of reaching the target at all, and of doing so within the window.
    pub p_reach: Option<f64>,
    pub p_within: Option<f64>,
    /// Probability that settled water brings the oil above the target again once it was reached; None where none is known of.
    pub p_comes_back: Option<f64>,
    /// Where the decline settles, 10 % and 90 % points, ppm.
    pub settles_ppm_p10: Option<f64>,
    pub settles_ppm_p90: Option<f64>,
    pub dominated_by: Option<Dominant>,
    /// What must be known before the unit is sent: it ranks behind those without. For a class: that
    /// each of its suitable units has one.
    pub warnings: Vec<String>,
    /// How the unit stands; None for a class, or where nobody asked.
    pub standing: Option<Standing>,
    pub note: String,
}

/// Why a size class is not the answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WhyNot {
    pub size_class: String,
    pub reason: String,
}

/// The answer to one job.
#[derive(Clone, Debug, PartialEq)]
pub struct SizeAnswer {
    /// Units without a warning by nameplate flow and id, those with one likewise, then classes by flow.
    pub rows: Vec<UnitSize>,
    /// The smallest size class that will do; None where none will.
    pub smallest: Option<String>,
    /// Every other class, smallest first.
    pub why_not: Vec<WhyNot>,
    /// What was assumed for want of knowledge, and the cautions that go with the job.
    pub assumptions: Vec<String>,
    pub cautions: Vec<&'static str>,
    pub confidence: f64,
}
