//! The fits of one run's points under each law, each made when it is first asked for and kept.
//!
//! The same run is asked for again wherever its reservoir is fitted at several times.

use std::cell::{OnceCell, RefCell};
use std::rc::Rc;

use drydown_quantity::Stamp;
use drydown_runs::history::SamplePoint;

use super::fit::{
    Fit, can_tell_mixing, finish, fit_drift, fit_settled, fit_two_compartments, fit_well_mixed,
};
use super::laws::{Gain, Kind};
use super::model::{MixingPriors, USUAL_MIXING};
use super::points::Points;
use super::{RunInput, free_water_at_start, priors, status};
use crate::config::RunFitConfig;
use crate::rows::RunStatus;

/// What one run shows by itself.
#[derive(Clone)]
pub(super) enum Look<'a> {
    /// There is nothing to fit, and why.
    Unfit(RunStatus, String),
    Fitted(Fits<'a>),
}

/// The laws fitted to one run, without intervals. All but the first only where the run was looked at further.
#[derive(Clone)]
pub(super) struct Fits<'a> {
    made: Rc<Made<'a>>,
    looked_further: bool,
    looked_for_settled: bool,
}

/// Every fit that was made of the run.
struct Made<'a> {
    well_mixed: Fit<'a>,
    begins_wet: bool,
    drift: OnceCell<f64>,
    settled: OnceCell<Fit<'a>>,
    /// By what is known of the loop beforehand; the usual first.
    two: OnceCell<Fit<'a>>,
    two_under: Kept<'a, MixingPriors>,
    finished: Kept<'a, (Kind, Option<MixingPriors>)>,
}

/// Fits by what they were made under.
struct Kept<'a, K>(RefCell<Vec<(K, Fit<'a>)>>);

impl<'a, K: PartialEq> Kept<'a, K> {
    const fn new() -> Self {
        Self(RefCell::new(Vec::new()))
    }

    fn get_or_make(&self, key: K, make: impl FnOnce() -> Fit<'a>) -> Fit<'a> {
        let held = self.0.borrow();
        if let Some((_, fit)) = held.iter().find(|(held, _)| *held == key) {
            return fit.clone();
        }
        drop(held);
        let fit = make();
        self.0.borrow_mut().push((key, fit.clone()));
        fit
    }
}

impl<'a> Look<'a> {
    /// Fits the law of one body to a run.
    pub(super) fn first(
        input: &RunInput<'_>,
        points: &'a Points,
        config: &'a RunFitConfig,
    ) -> Self {
        if let Some((status, why)) = status::check_before(input, points) {
            return Self::Unfit(status, why);
        }
        let free_water = free_water_at_start(points);
        let well_mixed = fit_well_mixed(points, priors(input, config), free_water, config);
        Self::Fitted(Fits {
            looked_further: false,
            looked_for_settled: false,
            made: Rc::new(Made {
                begins_wet: begins_wet(input, &well_mixed),
                well_mixed,
                drift: OnceCell::new(),
                settled: OnceCell::new(),
                two: OnceCell::new(),
                two_under: Kept::new(),
                finished: Kept::new(),
            }),
        })
    }

    pub(super) fn fits(&self) -> Option<&Fits<'a>> {
        match self {
            Self::Fitted(fits) => Some(fits),
            Self::Unfit(..) => None,
        }
    }
}

impl<'a> Fits<'a> {
    /// Fits the other laws too, where the run can speak of them.
    pub(super) fn look_further(&mut self, may_hold_settled: bool) {
        let plain = self.well_mixed();
        let can = can_tell_mixing(plain);
        let settled = can && may_hold_settled && knows_solubility(plain);
        self.looked_further = can;
        self.looked_for_settled = settled;
    }

    /// The law of one body.
    pub(super) fn well_mixed(&self) -> &Fit<'a> {
        &self.made.well_mixed
    }

    /// The oil was about saturated as the run began, or a sample of the bottom found free water.
    pub(super) fn begins_wet(&self) -> bool {
        self.made.begins_wet
    }

    /// Deviance of the law of one body with an end level that moves.
    fn drift(&self) -> Option<f64> {
        let made = &self.made;
        let make = || fit_drift(&made.well_mixed).deviance;
        self.looked_further.then(|| *made.drift.get_or_init(make))
    }

    /// A loop and a rest, with what is usual of them.
    pub(super) fn two(&self) -> Option<&Fit<'a>> {
        let made = &self.made;
        let make = || fit_two_compartments(&made.well_mixed, USUAL_MIXING);
        self.looked_further.then(|| made.two.get_or_init(make))
    }

    /// A loop and a rest under what is known of them, whether the run was looked at further or not.
    pub(super) fn two_under(&self, mixing: MixingPriors) -> Fit<'a> {
        let made = &self.made;
        made.two_under
            .get_or_make(mixing, || fit_two_compartments(&made.well_mixed, mixing))
    }

    /// One body over settled water.
    pub(super) fn settled(&self) -> Option<&Fit<'a>> {
        self.looked_for_settled.then(|| self.settled_anyhow())
    }

    fn settled_anyhow(&self) -> &Fit<'a> {
        let made = &self.made;
        made.settled.get_or_init(|| fit_settled(&made.well_mixed))
    }

    pub(super) fn gain(&self) -> Option<Gain> {
        let fit = self.two()?;
        let two = fit.deviance;
        let plain = self.well_mixed().deviance;
        let best = plain.min(self.drift().unwrap_or(f64::INFINITY));
        let settled = self.settled();
        Some(Gain {
            two: plain - two,
            two_most: material_gain(self.well_mixed(), fit),
            settled_over_best: settled.map(|settled| best - settled.deviance),
            two_over_best: best - two,
            begins_wet: self.begins_wet(),
            settled: settled.map(|settled| plain - settled.deviance),
            settled_most: settled.map_or(f64::INFINITY, |settled| {
                material_gain(self.well_mixed(), settled)
            }),
        })
    }

    /// The fit of one kind of law with its interval, or the law of one body where the run cannot have it.
    pub(super) fn finished(&self, kind: Kind, lent: MixingPriors) -> Fit<'a> {
        let plain = self.well_mixed();
        let (kind, lent) = match kind {
            // Free water leaves by a law of its own, which knows no loop and rest.
            Kind::TwoCompartments if !plain.model.shape.free_water => (kind, Some(lent)),
            Kind::Settled if knows_solubility(plain) => (kind, None),
            _ => (Kind::WellMixed, None),
        };
        self.made.finished.get_or_make((kind, lent), || {
            finish(match (kind, lent) {
                (Kind::TwoCompartments, Some(lent)) => fit_two_compartments(plain, lent),
                (Kind::Settled, _) => self.settled_anyhow().clone(),
                _ => plain.clone(),
            })
        })
    }
}

/// The most deviance that a law may gain over one body: what its residuals are the smaller for, where no law is better
/// than half of a sensor's own scale (about 1 % of the reading).
///
/// A quiet sensor shows what no law holds: oil whose temperature lags, a sensor's own curve, vapour that falls with the
/// load. A second exponential takes some of it for mixing, and by the sensor's noise alone that gains without end.
fn material_gain(plain: &Fit<'_>, other: &Fit<'_>) -> f64 {
    const LAW_SD: f64 = 0.5;
    /// Bins that speak at most: neighbours share what the law does not hold.
    const N_MOST: f64 = 40.0;
    let of = |fit: &Fit<'_>| fit.model.misfit(&fit.theta);
    let (Some((plain, n)), Some((other, _))) = (of(plain), of(other)) else {
        return f64::INFINITY;
    };
    n.min(N_MOST) * ((plain + LAW_SD * LAW_SD) / (other + LAW_SD * LAW_SD)).ln()
}

/// Whether the law with settled water can be written for a run.
fn knows_solubility(fit: &Fit<'_>) -> bool {
    let mut steps = fit.model.points.steps.iter();
    steps.all(|step| step.tank_solubility_ppm.is_finite())
}

/// Whether water may lie under the oil as a run begins: oil at rest over settled water is about saturated.
fn begins_wet(input: &RunInput<'_>, fit: &Fit<'_>) -> bool {
    /// A sensor's zero and the register's solubility leave no more than this (common practice, no source).
    const ABOUT_SATURATED: f64 = 0.8;
    const CLEARLY_ABOVE: f64 = 1.1;
    let Some(first) = fit.model.points.steps.first() else {
        return false;
    };
    let by_bottom = |start: Stamp| {
        input.samples.iter().any(|sample| {
            sample.sample_point == Some(SamplePoint::ReservoirBottom)
                && sample.taken_at.is_some_and(|taken| taken <= start)
                && sample
                    .water_ppm
                    .is_some_and(|water| water > CLEARLY_ABOVE * first.tank_solubility_ppm)
        })
    };
    let start_ppm = fit.model.values(&fit.theta).start_ppm;
    start_ppm > ABOUT_SATURATED * first.tank_solubility_ppm || by_bottom(input.run.started_at)
}
