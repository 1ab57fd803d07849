//! The funnel of the page on removal.

use super::as_read;
use super::world::World;
use crate::render_report;

fn removal_page(world: &World) -> String {
    let pages = render_report(&world.input());
    let page = pages.iter().find(|page| page.path == "coefficients.html");
    as_read(&page.unwrap().text)
}

#[test]
fn the_funnel_counts_its_runs_and_says_what_it_left_without_a_say() {
    let html = removal_page(&World::one_unit("U-1", "R-1"));
    for part in [
        "Nine of ten should lie between the lines; 1 of 2 do.",
        "Hollow: 1 run taken for wild",
        "Runs on GEAR-220 against what the others foretell: 1 of 2",
    ] {
        assert_eq!(html.matches(part).count(), 1, "{part}");
    }
}

#[test]
fn without_pooled_runs_there_is_no_funnel() {
    let mut world = World::one_unit("U-1", "R-1");
    world.residuals.clear();
    assert!(!removal_page(&world).contains("between the lines"));
}
