//! What oil does with water that it cannot dissolve, where that matters.
//!
//! A turbine oil sheds it within hours: a mid-stream sample then reads the saturation of the oil however
//! much lies at the bottom. A gear or engine oil keeps it emulsified for weeks, and the sample shows it
//! (common practice, no source). Which of the two an oil in use does, and how far its saturation is from
//! the register's, each reservoir's own samples must tell: all readings are kept, with their weights.

use drydown_physics::solubility;
use drydown_runs::history::Oil;

use crate::law::Visible;
use crate::service::Service;

/// Share of the water above saturation that a sample shows, where it is shed and where it is kept: what is on
/// its way down, and what has not come out of an emulsion in the weeks of a leak. Common practice, no
/// source.
const SHED: f64 = 0.08;
const KEPT: f64 = 0.4;
/// The same of an oil that keeps it before any of it has come out.
const KEPT_AT_FIRST: f64 = 0.66;
/// How far the saturation of an oil in service is from the register's (standard deviation of its ln): ageing
/// and additives move it by some tenth or more, and an oil 4 K warmer or colder than its samples'
/// middle, as by the season, by another tenth or more (common practice, no source).
const REGISTER_SD: f64 = 0.2;
/// Nodes of a standard normal variable and their weights, equal steps, the middle first: narrow enough
/// that the samples of an oil on its plateau tell which one it is on.
const NODES: [(f64, f64); 4] = [(0.6, 0.404), (-0.6, 0.404), (1.8, 0.096), (-1.8, 0.096)];
/// A limit above the lowest node, or a value seen near it: saturation matters.
const LIMIT_SHARE: f64 = 1.07;
const SEEN_SHARE: f64 = 1.15;
/// Probability that oils keep their water where the name of the family says so, or that they do not.
const SURELY: f64 = 0.85;

/// Saturation of oils whose constants nobody stated: words of the family, constants (log₁₀ of mg/kg against
/// 1/K), standard deviation of the ln. First match wins.
///
/// Insulating liquids: the pairs of IEEE C57.106 (mineral) and of the literature on esters, from memory.
/// Lubricants: base oils by Hibbard & Schalla, NACA RM E52D24 (1952), times what additives add: 1.5 to 2.5
/// in turbine, 3 to 6 in hydraulic, 3 to 12 in gear oils, some 4 in others (common practice, no source).
const FAMILIES: [(&[&str], f64, f64, f64); 7] = [
    (&["natural_ester", "natural ester"], 5.332, 684.0, 0.2),
    (&["ester"], 5.416, 629.5, 0.4),
    (&["insulat", "transformer"], 7.0895, 1567.0, 0.2),
    (&["turbine", "circulating"], 7.68, 1713.6, 0.3),
    (&["gear", "engine", "tractor"], 8.03, 1709.4, 0.6),
    (&["hydraulic"], 8.02, 1713.6, 0.4),
    (&[], 8.0, 1713.6, 0.7),
];

/// How the water of one reservoir may show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Saturation {
    /// Probability that its oil keeps water emulsified.
    keeps: f64,
    /// What its oil holds in service, ppm, and the standard deviation of the ln of it.
    solubility_ppm: f64,
    ln_sd: f64,
    /// Share of its variance that is the oil's own; the rest is the service temperature's.
    own_share: f64,
    /// Whether the register has the oil's constants.
    stated: bool,
}

/// What an oil holds in service.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Holds {
    pub(crate) ppm: f64,
    /// Standard deviation of the ln of it.
    pub(crate) ln_sd: f64,
    /// Share of its variance that is the oil's own; the rest is the service temperature's.
    own_share: f64,
    /// Whether the register has the oil's constants.
    stated: bool,
}

/// By the register's constants, else as oils of its family do.
pub(crate) fn holds(visible: Visible, (oil, service): (Option<&Oil>, Service)) -> Option<Holds> {
    let family = oil.and_then(|oil| oil.family.as_deref()).unwrap_or("");
    let family = family.to_lowercase();
    let says = |words: &[&str]| words.iter().any(|word| family.contains(word));
    let stated = visible.solubility_ppm.is_finite();
    let of_family = |(words, _, _, _): &&(&[&str], f64, f64, f64)| words.is_empty() || says(words);
    let (_, a, b_k, family_sd) = FAMILIES.iter().find(of_family)?;
    let (ppm, own_sd, b_k) = if stated {
        let b_k = oil.and_then(|oil| oil.solubility_b_k).unwrap_or(*b_k);
        (visible.solubility_ppm, REGISTER_SD, b_k)
    } else {
        (solubility::ppm(*a, *b_k, service.degc), *family_sd, *b_k)
    };
    // d ln S/dT of log₁₀ S = a − b/T
    let per_k = b_k * std::f64::consts::LN_10 / (service.degc + 273.15).powi(2);
    let ln_sd = own_sd.hypot(per_k * service.beyond_k);
    Some(Holds {
        ppm,
        ln_sd,
        own_share: (own_sd / ln_sd).powi(2),
        stated,
    })
}

impl Saturation {
    /// None where the reservoir stays far below its saturation, whatever the oil would do there.
    pub(crate) fn new(
        visible: Visible,
        (limit_ppm, highest_ppm): (Option<f64>, f64),
        (oil, service): (Option<&Oil>, Service),
    ) -> Option<Self> {
        let family = oil.and_then(|oil| oil.family.as_deref()).unwrap_or("");
        let family = family.to_lowercase();
        let says = |words: &[&str]| words.iter().any(|word| family.contains(word));
        let Holds {
            ppm: solubility_ppm,
            ln_sd,
            own_share,
            stated,
        } = holds(visible, (oil, service))?;
        let least = NODES.iter().map(|(z, _)| *z).fold(0.0, f64::min);
        let lowest = solubility_ppm * (least * ln_sd).exp();
        let matters = limit_ppm.is_some_and(|limit| limit > LIMIT_SHARE * lowest);
        if !(matters || highest_ppm > SEEN_SHARE * lowest) {
            return None;
        }
        let keeps = if says(&["turbine", "insulat", "circulating"]) {
            1.0 - SURELY
        } else if says(&["gear", "engine", "tractor"]) {
            SURELY
        } else {
            // the share that is expected of an oil that nothing is known of
            (visible.emulsified_share / KEPT_AT_FIRST).clamp(0.05, 0.95)
        };
        Some(Self {
            keeps,
            solubility_ppm,
            ln_sd,
            own_share,
            stated,
        })
    }

    /// The likelier of the two, for work that follows only one.
    pub(crate) fn likelier(self, visible: Visible) -> Visible {
        let keeps = self.keeps > 0.5;
        Visible {
            solubility_ppm: if keeps {
                self.kept_from_ppm()
            } else {
                self.solubility_ppm
            },
            emulsified_share: if keeps { KEPT } else { SHED },
            ..visible
        }
    }

    /// Where kept water begins to show less than there is: a saturation that nobody stated is no ground to
    /// read a sample as more than it shows.
    fn kept_from_ppm(self) -> f64 {
        if self.stated {
            self.solubility_ppm
        } else {
            f64::INFINITY
        }
    }

    /// How the water may show, with weights that sum to one.
    pub(crate) fn all(self) -> impl Iterator<Item = (f64, Visible)> {
        let shed = NODES.into_iter().map(move |(z, weight)| {
            let ln = z * self.ln_sd;
            let shows = Visible {
                solubility_ppm: ln.exp() * self.solubility_ppm,
                // where it is coldest, oil holds what it does however warm it is in service
                factor: (self.own_share * ln).exp(),
                emulsified_share: SHED,
            };
            ((1.0 - self.keeps) * weight, shows)
        });
        let kept = Visible {
            solubility_ppm: self.kept_from_ppm(),
            factor: 1.0,
            emulsified_share: KEPT,
        };
        shed.chain(std::iter::once((self.keeps, kept)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::oil;

    const KNOWN: Service = Service {
        degc: 45.0,
        beyond_k: 0.0,
    };

    #[test]
    fn it_matters_near_saturation_only() {
        let visible = Visible {
            solubility_ppm: 200.0,
            factor: 1.0,
            emulsified_share: 0.3,
        };
        let of = |limit, seen| Saturation::new(visible, (limit, seen), (Some(&oil()), KNOWN));
        assert!(of(Some(100.0), 90.0).is_none());
        assert!(of(Some(100.0), 190.0).is_some());
        let near = of(Some(180.0), 90.0).unwrap();
        let weights: f64 = near.all().map(|(weight, _)| weight).sum();
        assert!((weights - 1.0).abs() < 1e-12);
        // as far above the register's saturation as below it, whether it is shed or kept
        let mean: f64 = near.all().map(|(w, v)| w * v.factor.ln()).sum();
        assert!(mean.abs() < 1e-12, "{mean}");
    }

    #[test]
    fn an_unknown_service_temperature_moves_what_it_holds_in_service_only() {
        let visible = Visible {
            solubility_ppm: 200.0,
            factor: 1.0,
            emulsified_share: 0.3,
        };
        let spread = |beyond_k: f64, of: fn(&Visible) -> f64| {
            let service = Service { beyond_k, ..KNOWN };
            let seen = (Some(&oil()), service);
            let all: Vec<(f64, Visible)> = Saturation::new(visible, (Some(180.0), 90.0), seen)
                .unwrap()
                .all()
                .filter(|(_, visible)| visible.emulsified_share < 0.1)
                .collect();
            let total: f64 = all.iter().map(|(weight, _)| weight).sum();
            let square = |(weight, visible): &(f64, Visible)| weight * of(visible).powi(2);
            (all.iter().map(square).sum::<f64>() / total).sqrt()
        };
        let holds = |visible: &Visible| (visible.solubility_ppm / 200.0).ln();
        let factor = |visible: &Visible| visible.factor.ln();
        // ten kelvin are 39 % of this oil's saturation
        let (known, unknown) = (spread(0.0, holds), spread(10.0, holds));
        assert!(
            (unknown / known - 0.20f64.hypot(0.387) / 0.20).abs() < 0.01,
            "{known} {unknown}"
        );
        assert!(spread(10.0, factor) < known);
    }

    #[test]
    fn an_oil_without_constants_is_saturated_where_its_family_is() {
        let visible = Visible {
            solubility_ppm: f64::INFINITY,
            factor: 1.0,
            emulsified_share: 0.3,
        };
        let turbine = Oil {
            family: Some("mineral_turbine".to_owned()),
            solubility_a: None,
            solubility_b_k: None,
            ..oil()
        };
        let of = |limit| Saturation::new(visible, (Some(limit), 60.0), (Some(&turbine), KNOWN));
        assert!(of(80.0).is_none());
        let (shed, kept): (Vec<Visible>, Vec<Visible>) = of(200.0)
            .unwrap()
            .all()
            .map(|(_, visible)| visible)
            .partition(|visible| visible.solubility_ppm.is_finite());
        let within = |visible: &Visible| (80.0..400.0).contains(&visible.solubility_ppm);
        assert!(
            shed.len() == NODES.len() && shed.iter().all(within),
            "{shed:?}"
        );
        // what it keeps shows as it is
        assert_eq!(kept.len(), 1);
    }
}
