//! Work on the vacuum side that nobody has seen the effect of: recorded after the last run that was judged.

use drydown_quantity::Stamp;
use drydown_runs::history::{Maintenance, MaintenanceAction};

use crate::Cause;
use crate::spans::{Renewal, renewal_of_row};

/// The latest work after a time (of one unit's rows, by time) that may have ended what was seen of its pump;
/// None where there is none.
///
/// Another pump, a rebuild, vanes and a mended leak may end any change, for a cause is a likelihood. New pump
/// oil ends what wet oil does, a changed exhaust filter what a restriction does, another gauge what the old
/// one showed; where the cause is not known each of them may. What the work did only the next run shows: an
/// alert is stepped down by it and not cleared, and days to the limit counted from before it are void.
#[must_use]
pub fn mended_since(
    rows: &[Maintenance],
    seen: Stamp,
    cause: Option<Cause>,
) -> Option<(Stamp, MaintenanceAction)> {
    rows.iter()
        .rfind(|row| row.at > seen && may_end(row, cause))
        .map(|row| (row.at, row.action))
}

fn may_end(row: &Maintenance, cause: Option<Cause>) -> bool {
    let Some(renewal) = renewal_of_row(row) else {
        return false;
    };
    let is_open = |of: Cause| matches!(cause, None | Some(Cause::Unknown)) || cause == Some(of);
    match renewal {
        Renewal::Pump => true,
        Renewal::Base => row.action == MaintenanceAction::LeakRepair || is_open(Cause::WetOil),
        // Which filter nobody wrote: it may be that of the exhaust.
        Renewal::Passage | Renewal::SomeFilter => is_open(Cause::Restriction),
        Renewal::Gauge => is_open(Cause::Gauge),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn which_work_may_end_what_was_seen() {
        use MaintenanceAction::{
            Filter, Gauge, Heater, LeakRepair, PumpOil, PumpSwap, Rebuild, Vanes,
        };
        let seen: Stamp = "2026-06-20".parse().unwrap();
        for (action, day, note, cause, expected) in [
            (Rebuild, "2026-06-27", None, Some(Cause::Wear), true),
            (Vanes, "2026-06-27", None, Some(Cause::Leak), true),
            (PumpSwap, "2026-06-27", None, None, true),
            (LeakRepair, "2026-06-27", None, Some(Cause::Wear), true),
            (PumpOil, "2026-06-27", None, Some(Cause::WetOil), true),
            (PumpOil, "2026-06-27", None, Some(Cause::Unknown), true),
            (PumpOil, "2026-06-27", None, Some(Cause::Wear), false),
            (
                Filter,
                "2026-06-27",
                Some("exhaust filter"),
                Some(Cause::Restriction),
                true,
            ),
            (Filter, "2026-06-27", Some("oil filter"), None, false),
            (Gauge, "2026-06-27", None, Some(Cause::Wear), false),
            (Gauge, "2026-06-27", None, None, true),
            (Heater, "2026-06-27", None, None, false),
            (Rebuild, "2026-06-19", None, None, false),
        ] {
            let row = Maintenance {
                unit_id: "U-1".into(),
                at: day.parse().unwrap(),
                action,
                note: note.map(str::to_owned),
                serial: None,
                hours_meter: None,
            };
            let found = mended_since(&[row], seen, cause);
            assert_eq!(found.is_some(), expected, "{action} for {cause:?} on {day}");
        }
    }
}
