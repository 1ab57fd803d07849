//! Whether a unit may be sent at all. Comes before any hour is counted; unknown is not yes.

use drydown_runs::history::{PcbStatus, Unit};

use crate::config::PlanningConfig;
use crate::job::Job;

/// Whether a unit may do a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Suitability {
    /// Nothing in the registers speaks against it.
    Suitable,
    /// Barred, for these reasons.
    Barred {
        /// Each a sentence without a full stop.
        reasons: Vec<String>,
    },
}

impl Suitability {
    /// Whether nothing speaks against it.
    #[must_use]
    pub const fn is_suitable(&self) -> bool {
        matches!(self, Self::Suitable)
    }
}

/// What bars every unit from a job.
pub(crate) fn check_job(job: &Job<'_>, config: &PlanningConfig) -> Vec<String> {
    let mut reasons = Vec::new();
    let insulating = is_insulating(job, config);
    if let Some(reservoir) = job.reservoir {
        match reservoir.pcb_status {
            Some(PcbStatus::None) => {}
            Some(status) => reasons.push(format!(
                "PCB status is \"{status}\": test first; licensed handling and dedicated equipment only"
            )),
            None if insulating => reasons.push(
                "PCB status is not in the register: test first; licensed handling only".to_owned(),
            ),
            None => {}
        }
        if reservoir.energised == Some(true) {
            reasons.push("energised equipment: licensed specialists only".to_owned());
        } else if reservoir.energised.is_none() && insulating {
            reasons.push(
                "not known to be out of service and isolated: licensed specialists only".to_owned(),
            );
        }
        if reservoir.paper_insulated == Some(true) {
            reasons.push("paper-insulated transformer: licensed specialists only".to_owned());
        }
        if let Some(most) = reservoir.max_oil_degc.filter(|most| job.treat_degc > *most) {
            reasons.push(format!(
                "oil may not pass {most:.0} °C here, and drying was planned at {:.0} °C",
                job.treat_degc
            ));
        }
    } else if insulating {
        reasons.push(
            "insulating oil without a reservoir in the register: PCB status unknown".to_owned(),
        );
    }
    match job.oil.and_then(|oil| oil.flash_degc) {
        None => reasons.push("flash point of the oil is not in the register".to_owned()),
        Some(flash) if flash - job.treat_degc < config.flash_margin_k => reasons.push(format!(
            "flash point {flash:.0} °C is less than {:.0} K above the treating temperature of {:.0} °C",
            config.flash_margin_k, job.treat_degc
        )),
        Some(_) => {}
    }
    if job.oil.and_then(|oil| oil.family.as_deref()).is_none() {
        reasons.push("family of the oil is not in the register".to_owned());
    }
    reasons
}

/// What bars one unit from a job, beyond what bars every unit.
pub(crate) fn check_unit(job: &Job<'_>, unit: &Unit, config: &PlanningConfig) -> Vec<String> {
    let mut reasons = Vec::new();
    if let Some(family) = job.oil.and_then(|oil| oil.family.as_deref()) {
        if unit.oil_families_allowed.is_empty() {
            reasons
                .push("the register does not say which oil families the unit may take".to_owned());
        } else if !unit
            .oil_families_allowed
            .iter()
            .any(|allowed| allowed.eq_ignore_ascii_case(family))
        {
            reasons.push(format!("the unit may not take {family} oil"));
        }
    }
    if is_insulating(job, config) && unit.insulating_oil_ready != Some(true) {
        reasons.push("the unit is not registered as ready for insulating oil".to_owned());
    }
    reasons
}

/// Whether the job is about insulating oil, by the oil's family, the service or what the reservoir is.
pub(crate) fn is_insulating(job: &Job<'_>, config: &PlanningConfig) -> bool {
    let named = |text: &str| {
        let text = text.to_lowercase();
        config
            .insulating_families
            .iter()
            .any(|word| text.contains(word.as_str()))
    };
    let family = job.oil.and_then(|oil| oil.family.as_deref());
    let service = job
        .reservoir
        .and_then(|reservoir| reservoir.service.as_deref());
    let reservoir = job.reservoir.is_some_and(|reservoir| {
        reservoir.paper_insulated == Some(true) || reservoir.energised == Some(true)
    });
    family.is_some_and(named) || service.is_some_and(named) || reservoir
}
