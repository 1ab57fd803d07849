//! Water limits by service, where the register has none.
//!
//! Defaults only: the equipment maker's limit and the standard in force come first.

use drydown_runs::history::{Oil, Reservoir};

/// The water limit used, and where it comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct WaterLimit {
    pub(crate) ppm: f64,
    /// What the default is for; None where the register states the limit.
    pub(crate) default_for: Option<&'static str>,
}

/// Words in the service or the oil's family, the limit in ppm, what it is for. First match wins.
///
/// Turbine: ASTM D4378-20 warning, as restated elsewhere. Hydraulic, gear, phosphate ester: common
/// practice. Insulating: IEC 60422:2013 category A, from memory, the strictest since the voltage is
/// not known here; esters: IEEE C57.147, from memory. Compressor, auxiliary: ASTM D6224, from memory,
/// weak. Fuel: EN 590, from memory.
const DEFAULTS: &[(&[&str], f64, &str)] = &[
    (
        &["phosphate", "ehc", "control fluid"],
        500.0,
        "phosphate-ester control fluid",
    ),
    (
        &[
            "natural ester",
            "natural_ester",
            "synthetic ester",
            "synthetic_ester",
        ],
        200.0,
        "ester insulating liquid",
    ),
    (
        &["transformer", "insulat", "tap changer", "switchgear"],
        20.0,
        "mineral insulating oil of unknown voltage",
    ),
    (&["turbine"], 1000.0, "turbine oil"),
    (&["hydraulic"], 500.0, "hydraulic oil"),
    (&["gear"], 500.0, "enclosed gear oil"),
    (
        &[
            "compressor",
            "pump",
            "circulating",
            "auxiliary",
            "bearing",
            "lube",
            "paper machine",
        ],
        500.0,
        "auxiliary lubricating oil",
    ),
    (&["diesel", "fuel"], 200.0, "diesel fuel"),
];

/// The register's limit, else the default of the service, else of the oil's family.
pub(crate) fn water_limit(reservoir: &Reservoir, oil: Option<&Oil>) -> Option<WaterLimit> {
    if let Some(ppm) = reservoir.water_limit_ppm.filter(|ppm| *ppm > 0.0) {
        return Some(WaterLimit {
            ppm,
            default_for: None,
        });
    }
    let service = reservoir.service.as_deref().unwrap_or("").to_lowercase();
    let family = oil
        .and_then(|oil| oil.family.as_deref())
        .unwrap_or("")
        .to_lowercase();
    let text = format!("{service} {family}").replace('-', " ");
    DEFAULTS
        .iter()
        .find(|(words, _, _)| words.iter().any(|word| text.contains(word)))
        .map(|(_, ppm, name)| WaterLimit {
            ppm: *ppm,
            default_for: Some(name),
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::world::plain_reservoir;

    #[test]
    fn the_register_wins_and_a_default_says_what_it_is_for() {
        let mut reservoir = plain_reservoir("R-1");
        reservoir.water_limit_ppm = Some(150.0);
        assert_eq!(
            water_limit(&reservoir, None),
            Some(WaterLimit {
                ppm: 150.0,
                default_for: None
            })
        );
        reservoir.water_limit_ppm = None;
        for (service, ppm) in [
            ("steam turbine", Some(1000.0)),
            ("gearbox", Some(500.0)),
            ("transformer", Some(20.0)),
            ("natural-ester transformer", Some(200.0)),
            ("unheard-of", None),
        ] {
            reservoir.service = Some(service.to_owned());
            assert_eq!(
                water_limit(&reservoir, None).map(|limit| limit.ppm),
                ppm,
                "{service}"
            );
        }
    }
}
