//! Files of JSON objects: names that no record has, objects where a value belongs, what a reject shows.

use super::harness::Case;

const OBJECTS: &str = r#"
    table = "readings"
    layout = "json"
    [columns]
    unit_id = { from = "unit" }
    at = { from = "T", format = "rfc3339" }
    water_ppm = { from = "w", unit = "ppm" }
    alarm = { from = "a" }
"#;

/// A reject entry of a file without the name stands at line 1, as of any other file.
#[test]
fn a_file_without_a_name_is_told_at_its_first_line() {
    for (what, text, expected) in [
        (
            "no record",
            "[]",
            "
            at
            ! 1 alarm [(no names)] ~ the file has no column \"a\"
            ! 1 water_ppm [(no names)] ~ the file has no column \"w\"
            = 0/0/0/0/0/0
            ",
        ),
        (
            "nothing at all",
            "",
            "
            at
            ! 1 alarm [(no names)] ~ the file has no column \"a\"
            ! 1 water_ppm [(no names)] ~ the file has no column \"w\"
            = 0/0/0/0/0/0
            ",
        ),
        (
            "a sensor that was not there yet",
            "{\"unit\": \"U-1\", \"T\": \"2026-03-01T10:00:00Z\", \"a\": \"E4\"}\n",
            "
            at | water_ppm | alarm | line
            2026-03-01T10:00:00Z | - | E4 | 1
            ! 1 water_ppm [T,a,unit] ~ the file has no column \"w\"
            = 1/1/0/0/0/0
            ",
        ),
        (
            "objects over several lines",
            "{\n\"T\": 1\n}\n",
            "
            at
            ! 1 row [{] ~ no JSON object
            ! 1 alarm [(no names)] ~ the file has no column \"a\"
            ! 1 water_ppm [(no names)] ~ the file has no column \"w\"
            ! 2 row [\"T\": 1] ~ no JSON object
            ! 3 row [}] ~ no JSON object
            = 3/0/0/0/3/0
            ",
        ),
    ] {
        println!("{what}");
        Case::new(OBJECTS).text(text).gives(expected);
    }
}

#[test]
fn an_object_where_a_value_belongs_is_no_empty_cell() {
    Case::new(OBJECTS)
        .text(
            r#"
            {"unit": "U-1", "T": "2026-03-01T10:00:00Z", "w": 10, "a": "E4"}
            {"unit": "U-1", "T": "2026-03-01T10:01:00Z", "w": {"value": 5, "unit": "ppm"}, "a": {"code": "E4"}}
            {"unit": {"id": "U-1"}, "T": "2026-03-01T10:02:00Z", "w": 12}
            {"unit": "U-1", "T": "2026-03-01T10:03:00Z"}
            "#,
        )
        .gives(
            r#"
            at | water_ppm | alarm
            2026-03-01T10:00:00Z | 10 | E4
            2026-03-01T10:01:00Z | - | -
            2026-03-01T10:03:00Z | - | -
            ! 2 alarm [{"a.code": "E4"}] ~ found an object
            ! 2 water_ppm [{"w.unit": "ppm", "w.value": "5"}] ~ it is an object
            ! 3 row [{"T": "2026-03-01T10:02:00Z", "unit": "{\"unit.id\": \"U-1\"}", "unit.id": "U-1", "w": "12"}] ~ found an object
            = 4/3/0/0/1/0
            "#,
        );
}

/// What is rejected shows its names, not a line that the file does not have.
#[test]
fn a_rejected_object_shows_its_names() {
    Case::new(OBJECTS)
        .text(
            r#"
            {"unit": "U-1", "T": "2026-03-01T10:00:00Z", "w": 10, "a": null}
            {"UNIT": "U-1", "t": "2026-03-01T10:01:00Z", "w": 1}
            {"unit": "U-1", "T": "yesterday", "w": 1}
            "#,
        )
        .gives(
            r#"
            at | water_ppm
            2026-03-01T10:00:00Z | 10
            ! 2 row [{"UNIT": "U-1", "t": "2026-03-01T10:01:00Z", "w": "1"}] ~ is empty
            ! 3 row [{"T": "yesterday", "unit": "U-1", "w": "1"}] ~ expected a time
            = 3/1/0/0/2/0
            "#,
        );
}
