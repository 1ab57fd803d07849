//! The water in one reservoir followed through its timeline, for every usual ingress on a grid and
//! every regime.
//!
//! For a usual rate and a regime the state is normal (`state`). Between observations regimes change
//! with their hazards; the laws that meet in one regime are replaced by the normal law with their
//! moments (interacting multiple models; Blom & Bar-Shalom, IEEE Trans. Autom. Control 33, 1988). A sample
//! that does not fit may be another reservoir's, or tell of a change that nobody wrote down: both states
//! are kept until the next observation judges. The grid keeps the data's likelihood of the usual rate apart from any prior of it.

use crate::law::{DOUBTED, ENDED, Law, LevelPrior, MODES, SIZES, SOUND};
use crate::state::{Leap, State, merge, merge_all};
use crate::timeline::{Kind, Step, Timeline};

/// How often regimes may change, hours: for an answer, and to find where the likelihood lies.
pub(crate) const FINE_LEAP_H: f64 = 24.0 * 16.0;
pub(crate) const ROUGH_LEAP_H: f64 = 24.0 * 45.0;
/// The ingress stated is the mean of this last time, hours; since the last recorded repair where
/// that is later.
const RECENT_H: f64 = 24.0 * 30.0;
/// A state this much less likely than the best (ln) is given up.
const HOPELESS: f64 = 16.0;
/// A regime less likely than this is left out until something makes it likely again.
const NEGLIGIBLE_MODE: f64 = 1e-7;
/// A sample less likely than this to be strange is not doubted.
const NEGLIGIBLE_DOUBT: f64 = 1e-3;

/// A state and the log of its weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Slot {
    pub(crate) ln_weight: f64,
    pub(crate) state: State,
}

/// The states given each usual rate of a grid, and how well each rate explains the history.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Filtered {
    /// ln of the usual rate, ppm/h, ascending with a constant step; once for each variant of the law.
    pub(crate) ln_rate: Vec<f64>,
    pub(crate) ln_likelihood: Vec<f64>,
    /// State at the timeline's end in each regime, for each rate.
    pub(crate) slots: Vec<[Slot; MODES]>,
    /// Variant of the law, for each rate.
    pub(crate) variant: Vec<usize>,
    /// Hours over which the recent ingress was summed.
    pub(crate) recent_h: f64,
}

/// Runs the timeline for every rate of a grid, in leaps no longer than `longest_leap_h`.
pub(crate) fn filter(
    timeline: &Timeline,
    ln_rate: Vec<f64>,
    law: &Law,
    prior: LevelPrior,
    longest_leap_h: f64,
) -> Filtered {
    let leaking = law.moves.leaking_share();
    let state = State::new(prior.mean_ppm, prior.sd_ppm.powi(2), law);
    let mut weights = SIZES.map(|size| leaking * size);
    weights[SOUND] = 1.0 - leaking;
    let track = |ln_rate: &f64| Track {
        rate: ln_rate.exp(),
        ln_scale: 0.0,
        weights,
        states: [state; MODES],
    };
    let mut run = Run {
        tracks: ln_rate.iter().map(track).collect(),
        now_h: 0.0,
        recent_from_h: timeline.end_h - RECENT_H,
        longest_leap_h,
        law,
    };
    for step in &timeline.steps {
        run.advance_to(step.at_h);
        run.take(step);
    }
    run.advance_to(timeline.end_h);
    let from_h = run.recent_from_h.max(0.0);
    Filtered {
        ln_likelihood: run.tracks.iter().map(Track::ln_weight).collect(),
        slots: run.tracks.iter().map(Track::slots).collect(),
        variant: vec![0; ln_rate.len()],
        recent_h: timeline.end_h - from_h,
        ln_rate,
    }
}

/// One usual rate: the states in its regimes, their weights times the exponential of a scale.
#[derive(Clone, Debug)]
struct Track {
    /// Usual rate, ppm/h.
    rate: f64,
    /// −∞ once given up.
    ln_scale: f64,
    weights: [f64; MODES],
    states: [State; MODES],
}

impl Track {
    fn is_alive(&self) -> bool {
        self.ln_scale > f64::NEG_INFINITY
    }

    fn ln_weight(&self) -> f64 {
        self.ln_scale + self.weights.iter().sum::<f64>().ln()
    }

    fn slots(&self) -> [Slot; MODES] {
        let mut slots = self.states.map(|state| Slot {
            ln_weight: f64::NEG_INFINITY,
            state,
        });
        for (slot, weight) in slots.iter_mut().zip(self.weights) {
            slot.ln_weight = self.ln_scale + weight.ln();
        }
        slots
    }

    fn advance(&mut self, leap: &Leap, change: &Change, law: &Law) {
        let parts = self
            .states
            .iter_mut()
            .zip(&self.weights)
            .zip(law.moves.factors);
        for ((state, _), factor) in parts.filter(|((_, weight), _)| **weight > 0.0) {
            state.advance(self.rate * factor, leap, law);
        }
        let (sound, start) = (self.weights[SOUND], self.states[SOUND]);
        // leaks that end, beside those that have ended before
        let leaving = |mode: usize| {
            let share = if SIZES[mode] > 0.0 { change.ends } else { 0.0 };
            (self.weights[mode] * share, self.states[mode])
        };
        let before = (self.weights[ENDED], self.states[ENDED]);
        let ended = merge_all([before, leaving(1), leaving(2), leaving(3)]);
        let all = self.weights.iter_mut().zip(&mut self.states).zip(SIZES);
        for ((weight, state), size) in all.filter(|(_, size)| *size > 0.0) {
            let stays = (*weight * (1.0 - change.ends), *state);
            (*weight, *state) = merge(stays, (sound * change.begins * size, start));
        }
        self.weights[SOUND] = sound * (1.0 - change.begins);
        if let Some(ended) = ended {
            (self.weights[ENDED], self.states[ENDED]) = ended;
        }
    }

    /// Two regimes that nothing sets apart any more become one: a leak that has ended and a sample that
    /// was doubted, once the next observation has judged.
    fn join_sound(&mut self, mode: usize) {
        let sound = (self.weights[SOUND], self.states[SOUND]);
        let other = (self.weights[mode], self.states[mode]);
        (self.weights[SOUND], self.states[SOUND]) = merge(sound, other);
        self.weights[mode] = 0.0;
    }

    /// `strange`: likelihood of what is seen if the sample is strange, and its ln.
    fn take(&mut self, kind: &Kind, law: &Law, (strange, ln_strange): (f64, f64)) {
        let observes = matches!(
            kind,
            Kind::Sample { .. } | Kind::RunStart { .. } | Kind::RunEnd { .. } | Kind::Dried { .. }
        );
        let before = self.weights.into_iter().zip(self.states);
        let mut gains = [0.0; MODES];
        let all = self
            .states
            .iter_mut()
            .zip(&mut gains)
            .zip(law.moves.factors);
        for (((state, gain), factor), _) in all.zip(self.weights).filter(|(_, w)| *w > 0.0) {
            *gain = state.take(kind, self.rate * factor, law);
        }
        let live = gains.iter().zip(self.weights).filter(|(_, w)| *w > 0.0);
        let top = live.map(|(gain, _)| *gain).fold(ln_strange, f64::max);
        for (weight, gain) in self
            .weights
            .iter_mut()
            .zip(gains)
            .filter(|(w, _)| **w > 0.0)
        {
            *weight *= (gain - top).exp();
        }
        if observes {
            self.join_sound(ENDED);
            self.join_sound(DOUBTED);
        }
        let doubt = strange * (-top).exp();
        let good: f64 = self.weights.iter().sum();
        let total = good + doubt;
        if doubt > NEGLIGIBLE_DOUBT * total
            && let Some((_, state)) = before.reduce(merge)
        {
            // half is a wrong bottle, half a change that nobody wrote down
            self.weights[DOUBTED] = 0.5 * doubt;
            self.states[DOUBTED] = state;
            let sound = (self.weights[SOUND], self.states[SOUND]);
            let changed = (0.5 * doubt, state.changed_to(kind, law));
            (self.weights[SOUND], self.states[SOUND]) = merge(sound, changed);
        }
        let kept: f64 = self.weights.iter().sum();
        self.ln_scale += top + total.ln();
        for weight in &mut self.weights {
            *weight = match *weight / kept {
                share if share < NEGLIGIBLE_MODE => 0.0,
                share => share,
            };
        }
        if !self.ln_scale.is_finite() {
            self.ln_scale = f64::NEG_INFINITY;
        }
    }
}

/// The filter on its way.
struct Run<'a> {
    tracks: Vec<Track>,
    now_h: f64,
    recent_from_h: f64,
    longest_leap_h: f64,
    law: &'a Law,
}

impl Run<'_> {
    fn advance_to(&mut self, to_h: f64) {
        if self.now_h < self.recent_from_h && self.recent_from_h < to_h {
            self.leap(self.recent_from_h - self.now_h, 0.0);
            self.now_h = self.recent_from_h;
        }
        let hours = to_h - self.now_h;
        if hours > 0.0 {
            let sums = f64::from(u8::from(self.now_h >= self.recent_from_h));
            self.leap(hours, sums);
            self.now_h = to_h;
        }
    }

    /// Lets some hours pass in equal leaps.
    fn leap(&mut self, hours: f64, sums: f64) {
        let n = (hours / self.longest_leap_h).ceil().clamp(1.0, 1000.0);
        let each = hours / n;
        let (begins, ends) = self.law.moves.hazards_per_h();
        let change = Change {
            begins: -(-begins * hours / n).exp_m1(),
            ends: -(-ends * hours / n).exp_m1(),
        };
        for step in 0..n as usize {
            let leap = Leap::over((self.now_h + each * step as f64, each), self.law, sums);
            for track in self.tracks.iter_mut().filter(|track| track.is_alive()) {
                track.advance(&leap, &change, self.law);
            }
        }
    }

    fn take(&mut self, step: &Step) {
        if let Kind::NewIngress { keep } = step.kind {
            self.renew(keep);
            self.recent_from_h = self.recent_from_h.max(step.at_h);
            return;
        }
        let strange = match &step.kind {
            Kind::Sample { ppm, censor, .. } => self.law.strange.likelihood(*ppm, *censor),
            _ => 0.0,
        };
        let strange = (strange, strange.ln());
        let mut top = f64::NEG_INFINITY;
        for track in self.tracks.iter_mut().filter(|track| track.is_alive()) {
            track.take(&step.kind, self.law, strange);
            top = top.max(track.ln_scale);
        }
        for track in &mut self.tracks {
            if track.ln_scale < top - HOPELESS {
                track.ln_scale = f64::NEG_INFINITY;
            }
        }
    }

    /// A repair or a new breather: the ingress begins anew, the level stays.
    ///
    /// A repair mostly means that there was a leak and that it has ended: what is known of the usual
    /// rate stands. The other reading is that the usual rate itself has changed: then the old one
    /// tells only in part (`keep`) of the new.
    fn renew(&mut self, keep: f64) {
        for track in &mut self.tracks {
            track.join_sound(DOUBTED);
        }
        let top = self
            .tracks
            .iter()
            .map(Track::ln_weight)
            .fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() {
            return;
        }
        let scaled = |track: &Track| (track.ln_scale - top).exp();
        let parts = self.tracks.iter().flat_map(|track| {
            let scale = scaled(track);
            let slots = track.weights.into_iter().zip(track.states);
            slots.map(move |(weight, state)| (weight * scale, state))
        });
        let Some((_, anyhow)) = parts.reduce(merge) else {
            return;
        };
        let unleaking = |track: &Track| track.weights[SOUND] * scaled(track);
        let tempered = |track: &Track| unleaking(track).powf(keep);
        let sum: f64 = self.tracks.iter().map(unleaking).sum();
        let odds = if keep > 0.0 { 1.0 } else { UNPROMPTED_REPAIR };
        let scale = odds * sum / self.tracks.iter().map(tempered).sum::<f64>();
        for track in &mut self.tracks {
            let all = track.weights.iter().zip(track.states).enumerate();
            let leaks = all.filter(|(mode, _)| *mode != SOUND).map(|(_, slot)| slot);
            let ended = leaks.map(|(weight, state)| (weight * scaled(track), state));
            let other = (tempered(track) * scale, anyhow);
            let (weight, mut state) = ended.fold(other, merge);
            state.renew(self.law);
            track.ln_scale = weight.ln() + top;
            track.states = [state; MODES];
            track.weights = [0.0; MODES];
            track.weights[SOUND] = 1.0;
        }
    }
}

/// How much rarer a recorded repair is where no leak is (worn seals changed in time) than where one
/// is; common practice, no source.
const UNPROMPTED_REPAIR: f64 = 0.1;

/// Probabilities that a leak begins, or ends, within one leap.
struct Change {
    begins: f64,
    ends: f64,
}
