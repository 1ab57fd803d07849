//! A fleet so large that no page holds all of it: the worst first, and every row within reach.

use drydown_findings::Severity;
use drydown_removal::Basis;

use super::pages::{page, pages};
use super::world::{World, coefficient, finding, risk};

const N_RESERVOIRS: usize = 1_200;
const N_UNITS: usize = 600;
const N_FOUND: usize = 150;

pub(super) fn large() -> World {
    let mut world = World::one_unit("U-1", "R-1");
    let ids = (0..N_RESERVOIRS).map(|idx| format!("R-{idx:04}"));
    world.risks = ids.zip(1..).map(|(id, rank)| risk(&id, rank)).collect();
    for idx in 0..N_FOUND {
        let subject = format!("R-{:04}", N_RESERVOIRS - 1 - idx);
        let row = finding("reservoir_wet", &subject, Severity::Watch);
        world.findings.push(row);
    }
    for idx in 0..N_UNITS {
        for oil in ["MIN-46", "PAO-46"] {
            let row = coefficient(&format!("U-{idx:04}"), oil, Basis::Cell, 0.7);
            world.coefficients.push(row);
        }
    }
    world
}

#[test]
fn every_reservoir_has_one_row_on_pages_of_bounded_length_and_is_found_by_name() {
    let pages = pages(&large());
    let rows = |html: &str| html.matches("<tbody id=\"R-").count();
    let by_risk: Vec<&String> = pages
        .iter()
        .filter(|(path, _)| path.starts_with("reservoirs") && !path.contains("by-name"))
        .map(|(_, html)| html)
        .collect();
    assert_eq!(
        by_risk.iter().map(|html| rows(html)).sum::<usize>(),
        N_RESERVOIRS
    );
    assert!(by_risk.iter().all(|html| (1..=500).contains(&rows(html))));
    assert!(page(&pages, "reservoirs.html").contains("<tbody id=\"R-0000\""));
    let names = page(&pages, "reservoirs-by-name.html");
    assert!(names.contains("href=\"reservoirs.html#R-0499\""));
    assert!(names.contains("href=\"reservoirs-3.html#R-1199\""));
    assert_eq!(names.matches("#R-").count(), N_RESERVOIRS);
}

#[test]
fn the_first_page_shows_the_worst_findings_of_a_rule_and_leads_to_all() {
    let pages = pages(&large());
    let index = page(&pages, "index.html");
    assert!(index.contains("The first 30 of 150 stand here"));
    assert!(index.contains("href=\"findings-reservoir_wet.html\""));
    // By rank of risk: the last reservoirs that were found are the worst.
    assert!(index.contains("reservoirs-3.html#R-1050\""));
    assert!(!index.contains("reservoirs-3.html#R-1199\""));
    let all = page(&pages, "findings-reservoir_wet.html");
    assert_eq!(all.matches("reservoirs-3.html#R-").count(), N_FOUND);
}

#[test]
fn removal_is_laid_out_by_oil() {
    let pages = pages(&large());
    let main = page(&pages, "coefficients.html");
    assert!(!main.contains("U-0007"));
    for oil in ["MIN-46", "PAO-46"] {
        let file = format!("coefficients-{oil}.html");
        assert!(main.contains(&format!("href=\"{file}\"")));
        let html = page(&pages, &file);
        let n_rows = html.matches("<th scope=\"row\">").count();
        assert!(n_rows >= N_UNITS, "{n_rows}");
        assert!(html.contains("The 60 lowest are drawn, of 60"), "{oil}");
    }
}
