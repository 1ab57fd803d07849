//! What laboratories write: limits, missing values, percent against ppm, corrected
//! reports, results beyond the columns of `samples`.
//!
//! The notation is common practice, no source.

use super::harness::{Case, dedented};

/// Reports with a row a sample.
pub(super) const SAMPLES: &str = r#"
    table = "samples"
    delimiter = ";"
    timezone = "UTC"
    [columns]
    lab = { value = "north lab" }
    sample_id = { from = "No" }
    water_ppm = { from = "Water", unit = "ppm" }
    acid_mgkoh_g = { from = "TAN" }
    breakdown_kv = { from = "BDV", unit = "kV" }
    iso4406 = { from = "ISO" }
"#;

/// Water cells, one a sample, as `value censor` or what became of them.
fn water(head: &str, cells: &[(&str, &str)]) {
    let mut text = String::from("No;Water;TAN;BDV;ISO\n");
    let mut rows = String::from("water_ppm | water_censor\n");
    let mut rejects = String::new();
    for (n, (cell, expected)) in cells.iter().enumerate() {
        text.push_str(&format!("S-{n:03};{cell};;;\n"));
        if *expected == "refused" {
            rows.push_str("- | -\n");
            rejects.push_str(&format!("! {} water_ppm [{cell}]\n", n + 2));
        } else {
            rows.push_str(&format!("{expected}\n"));
        }
    }
    Case::new(&format!("{head}\n{}", dedented(SAMPLES)))
        .bytes(text.as_bytes())
        .gives(&format!("{rows}{rejects}"));
}

#[test]
fn water_as_laboratories_write_it() {
    water(
        "",
        &[
            ("120", "120 | ="),
            ("120.5", "120.5 | ="),
            ("0", "0 | ="),
            ("<20", "20 | <"),
            ("< 20", "20 | <"),
            ("≤20", "20 | <"),
            ("<=20", "20 | <"),
            ("BDL(20)", "20 | <"),
            ("ND (<20)", "20 | <"),
            ("BDL", "- | <"),
            ("N/D", "- | <"),
            ("n.d.", "- | <"),
            ("ND", "- | <"),
            ("none", "- | <"),
            ("nil", "- | <"),
            ("neg", "- | <"),
            (">10000", "10000 | >"),
            ("> 10,000", "10000 | >"),
            (">1%", "10000 | >"),
            ("≥1%", "10000 | >"),
            ("TNTC", "- | >"),
            ("*", "- | >"),
            ("OVER", "- | >"),
            ("~50", "50 | ="),
            ("50 est", "50 | ="),
            ("N/A", "- | -"),
            ("NR", "- | -"),
            ("QNS", "- | -"),
            ("INS", "- | -"),
            ("-", "- | -"),
            ("--", "- | -"),
            ("", "- | -"),
            ("500 ppm", "500 | ="),
            ("500 mg/kg", "500 | ="),
            ("0.5 g/kg", "500 | ="),
            ("0.05 %", "500 | ="),
            ("0.05%", "500 | ="),
            ("0.05 wt%", "500 | ="),
            ("<0.05%", "500 | <"),
            // By volume it would need the oil's density; a trace is no number; Celsius is no water.
            ("0.05 vol%", "refused"),
            ("trace", "refused"),
            ("20 °C", "refused"),
            ("20%RS", "refused"),
            ("-5", "refused"),
            ("30%", "refused"),
            ("12 to 15", "refused"),
            ("#REF!", "refused"),
        ],
    );
}

#[test]
fn water_with_decimal_commas() {
    water(
        "decimal = \",\"",
        &[
            ("0,05 %", "500 | ="),
            ("<0,05%", "500 | <"),
            ("1.234,5", "1234.5 | ="),
            ("1.234", "1234 | ="),
            ("12,5", "12.5 | ="),
            ("0.05 %", "refused"),
        ],
    );
}

#[test]
fn percent_and_ppm_line_by_line() {
    Case::new(
        r#"
        table = "samples"
        [columns]
        lab = { from = "Lab" }
        sample_id = { from = "No" }
        water_ppm = { from = "Water", unit = { from = "Unit" } }
        water_censor = { from = "Q" }
        "#,
    )
    .text(
        "
        Lab,No,Q,Water,Unit
        A,1,,250,mg/kg
        A,2,,0.025,%
        A,3,,0.25,g/kg
        A,4,,250,PPM
        A,5,<,0.002,% (m/m)
        A,6,,0.025 %,mg/kg
        A,7,,250,furlong
        A,8,=,<20,ppm
        A,9,,250,
        ",
    )
    .gives(
        "
        sample_id | water_ppm | water_censor
        1 | 250 | =
        2 | 250 | =
        3 | 250 | =
        4 | 250 | =
        5 | 20 | <
        6 | 250 | =
        7 | - | -
        8 | 20 | <
        9 | - | -
        ! 8 water_ppm [250] ~ found the unit \"furlong\"
        ! 10 water_ppm [250] ~ found the unit \"\"
        ",
    );
}

#[test]
fn acid_breakdown_and_what_is_no_value_of_theirs() {
    Case::new(SAMPLES)
        .text(
            "
            No;Water;TAN;BDV;ISO
            1;;0.12;45;
            2;;0.12 mg KOH/g;45 kV;
            3;;NR;45000 V;
            4;;<0.05;>75 kV;
            5;;21;121;
            6;;0.1 ppm;45 (2.5mm);
            ",
        )
        .gives(
            "
            acid_mgkoh_g | breakdown_kv
            0.12 | 45
            0.12 | 45
            - | 45
            - | -
            - | -
            - | -
            ! 5 acid_mgkoh_g [<0.05] ~ found a limit
            ! 5 breakdown_kv [>75 kV] ~ found a limit
            ! 6 acid_mgkoh_g [21] ~ outside
            ! 6 breakdown_kv [121] ~ outside
            ! 7 acid_mgkoh_g [0.1 ppm] ~ cannot become
            ! 7 breakdown_kv [45 (2.5mm)]
            ",
        );
}

#[test]
fn a_corrected_report_takes_the_place_of_the_first() {
    Case::new(SAMPLES)
        .text(
            "
            No;Water;TAN;BDV;ISO
            26-0001;<20;0.1;;19/17/14
            26-0002;300;0.1;;
            26-0001;<20;0.1;;19/17/14
            ",
        )
        .text(
            "
            No;Water;TAN;BDV;ISO
            26-0001;45;0.1;;
            26-0002;300;0.1;;
            26-0003;TNTC;;;
            ",
        )
        .gives(
            "
            sample_id | water_ppm | water_censor | iso4406_4um | acid_mgkoh_g | line
            26-0001 | 45 | = | - | 0.1 | 2
            26-0002 | 300 | = | - | 0.1 | 3
            26-0003 | - | > | - | - | 4
            = 3/2/1/0/0/0
            = 3/2/1/1/0/0
            ",
        );
}

#[test]
fn an_analyte_on_each_line_fills_the_columns_of_samples() {
    Case::new(
        r#"
        table = "samples"
        layout = "tall"
        delimiter = "|"
        [tall]
        tag = "Test"
        value = "Result"
        ignore = ['^Comment$']
        [columns]
        lab = { value = "A" }
        sample_id = { from = "No" }
        taken_at = { from = "Taken", format = "%m/%d/%Y" }
        water_ppm = { signal = ["Water KF", "Water"], unit = { from = "Unit" } }
        viscosity_40c_mm2s = { signal = "KV40", unit = "cSt" }
        iso4406 = { signal = "Cleanliness" }
        "#,
    )
    .text(
        "
        No|Taken|Test|Result|Unit
        1|03/01/2026|Water KF|<20|mg/kg
        1|03/01/2026|KV40|46.2|
        1|03/01/2026|Cleanliness|≥19/17/14|
        1|03/01/2026|Comment|looks fine|
        2|03/02/2026|Water|0.05|%
        2|03/02/2026|Iron|12|mg/kg
        ",
    )
    .gives(
        "
        sample_id | taken_at | water_ppm | water_censor | viscosity_40c_mm2s | iso4406_4um | iso4406_note
        1 | 2026-03-01T00:00:00Z | 20 | < | 46.2 | 19 | 4 um: fewer than 20 particles counted
        2 | 2026-03-02T00:00:00Z | 500 | = | - | - | -
        ! 7 row [2|03/02/2026|Iron|12|mg/kg] ~ neither mapped nor ignored
        = 5/4/0/0/1/1
        ",
    );
}

#[test]
fn results_beyond_the_columns_of_samples() {
    Case::new(
        r#"
        table = "results"
        [columns]
        lab = { value = "A" }
        sample_id = { from = "No" }
        analyte = { from = "Test" }
        value = { from = "Result", unit = { from = "Unit" } }
        unit = { from = "Unit" }
        method = { from = "Method" }
        detection_limit = { from = "LOD" }
        "#,
    )
    .text(
        "
        No,Test,Result,Unit,Method,LOD
        1,Iron,12,mg/kg,ICP,1
        1,Copper,<1,mg/kg,ICP,1
        1,Hydrogen,N/D,µL/L,GC,
        1,Yeast,TNTC,CFU/mL,plate,
        1,Furan,QNS,µg/L,,
        1,Odour,not tested,,,
        1,Colour,L3.0,,,
        1,Iron,12,mg/kg,ICP,1
        2,Iron,12 mg/kg,mg/kg,ICP,1
        2,Copper,<1 mg/kg,,ICP,
        2,Tin,0.0012 %,mg/kg,ICP,
        2,Zinc,4 mg/kg,µL/L,ICP,
        ",
    )
    .gives(
        "
        analyte | value | censor | unit | detection_limit | missing_reason
        Colour | - | - | - | - | -
        Copper | 1 | < | mg/kg | 1 | -
        Furan | - | - | µg/L | - | quantity_not_sufficient
        Hydrogen | - | < | µL/L | - | -
        Iron | 12 | = | mg/kg | 1 | -
        Odour | - | - | - | - | not_requested
        Yeast | - | > | CFU/mL | - | -
        Copper | 1 | < | mg/kg | - | -
        Iron | 12 | = | mg/kg | 1 | -
        Tin | 12 | = | mg/kg | - | -
        Zinc | - | - | µL/L | - | -
        ! 8 value [L3.0] ~ expected a number
        ! 13 value [4 mg/kg] ~ and the row's unit is
        = 12/11/1/0/0/0
        ",
    );
}

#[test]
fn estimates_stand_as_values_and_are_told_of() {
    let source = super::harness::source(&dedented(SAMPLES));
    let text = "No;Water;TAN;BDV;ISO\n1;~50;~0.1;;\n2;50;0.1;;\n3;50 est;~0.1;;\n4;<20;;;\n";
    let rows = super::harness::read(
        &source,
        "lab.csv",
        text.as_bytes(),
        &crate::site::SiteContext::default(),
    );
    assert_eq!(
        rows.notes(),
        [
            "4 values are the laboratory's own estimates (\"~0.1\", \"~50\", \"50 est\") and stand as plain values"
        ]
    );
}

#[test]
fn a_viscosity_is_of_its_columns_temperature() {
    Case::new(
        "table = \"samples\"\n[columns]\nlab = { value = \"A\" }\nsample_id = { from = \"No\" }\nviscosity_40c_mm2s = { from = \"KV\", unit = \"cSt\" }\n",
    )
    .text(
        "
        No,KV
        1,46.2
        2,46.2 cSt @40
        3,46.2@40°C
        4,46.2 cSt @ 40 C
        5,6.8 @100
        6,SUS 215
        7,46.2 @
        ",
    )
    .gives(
        "
        viscosity_40c_mm2s
        46.2
        46.2
        46.2
        46.2
        -
        -
        -
        ! 6 viscosity_40c_mm2s [6.8 @100] ~ expected a viscosity at 40 °C
        ! 7 viscosity_40c_mm2s [SUS 215] ~ expected a number
        ! 8 viscosity_40c_mm2s [46.2 @] ~ expected a viscosity at 40 °C
        ",
    );
}

/// 100 ppm v/v in oil of 870 kg/m³ are 114.71 mg/kg (water of 998 kg/m³; CALC row 60 of the domain's
/// check values).
#[test]
fn water_by_volume() {
    let source = |density: &str| {
        format!(
            "table = \"samples\"\n{density}\n[columns]\nlab = {{ value = \"north lab\" }}\nsample_id = {{ from = \"No\" }}\nwater_ppm = {{ from = \"Water\", unit = {{ from = \"Unit\" }} }}\n"
        )
    };
    let text = "
        No,Water,Unit
        1,100,ppm v/v
        2,<10,uL/L
        3,100,µL/L
        4,100,vol-ppm
        5,100,mL/m3
        6,0.01,vol%
        7,100,mg/kg
        8,100 ppm(v/v),mg/kg
        9,100,mg/L
        10,50000,µg/l
        ";
    Case::new(&source("density_kgm3 = 870.0")).text(text).gives(
        "
        water_ppm | water_censor
        114.712644 | =
        57.471264 | =
        11.471264 | <
        114.712644 | =
        114.712644 | =
        114.712644 | =
        114.712644 | =
        100 | =
        114.712644 | =
        114.942529 | =
        ",
    );
    Case::new(&source(""))
        .text("No,Water,Unit\n1,100,ppm v/v\n2,100,mg/kg\n")
        .gives(
            "
        water_ppm | water_censor
        - | -
        100 | =
        ! 2 water_ppm [100] ~ write density_kgm3 = … (kg/m³) into the source \"case\"
        ",
        );
}

#[test]
fn a_unit_by_volume_needs_the_density() {
    let problems = |density: &str| {
        let block = format!(
            "name = \"x\"\ntable = \"samples\"\nfiles = [\"*\"]\n{density}\n[columns]\nlab = {{ value = \"n\" }}\nsample_id = {{ from = \"No\" }}\nwater_ppm = {{ from = \"W\", unit = \"ppm v/v\" }}\n"
        );
        let spec: crate::source::SourceSpec = toml::from_str(&block).unwrap();
        match spec.compile() {
            Ok(_) => String::new(),
            Err(problems) => problems
                .iter()
                .map(ToString::to_string)
                .collect::<Vec<_>>()
                .join("; "),
        }
    };
    assert!(problems("").contains("density_kgm3"), "{}", problems(""));
    assert_eq!(problems("density_kgm3 = 870.0"), "");
    let in_g_ml = problems("density_kgm3 = 0.87");
    assert!(in_g_ml.contains("700 to 1300"), "{in_g_ml}");
}
