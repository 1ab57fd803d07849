//! Registers, laboratory reports and workbooks, with the lines that must stand in their proposals.

use super::{Case, check, check_all, proposed, table};
use crate::text::workbook_for_tests::{number, text as cell, workbook};

#[test]
fn laboratory_files() {
    let tests = [
        ("Water KF", "174.4", "mg/kg"),
        ("ISO 4406", "21/19/16", ""),
        ("Acid number", "0.08", "mgKOH/g"),
        ("Iron", "<1", "ppm"),
    ];
    let long = table(
        "LabNo;Equipment;Sampled;Issued;Test;Result;Unit;Method",
        40,
        |n| {
            let (test, result, unit) = tests[n % 4];
            format!(
                "C-{};T-{};2025-10-02 23:42;2025-10-04;{test};{result};{unit};D1",
                n / 4,
                n / 8
            )
        },
    );
    check_all(vec![
        Case {
            what: "a long file goes to results, and to samples as a second block",
            name: "cedar.csv",
            text: long,
            lines: &[
                "table      = \"results\"",
                "lab = { value = \"FILL-IN\" }",
                "sample_id = { from = \"LabNo\" }",
                "analyte = { from = \"Test\" }",
                "value = { from = \"Result\" }",
                "unit = { from = \"Unit\" }",
                "method = { from = \"Method\" }",
                "# water_ppm = { signal = \"Water KF\", unit = { from = \"Unit\" } }",
                "# iso4406 = { signal = \"ISO 4406\" }",
            ],
            absent: &["unit_id ="],
        },
        Case {
            what: "a report per row",
            name: "birch.csv",
            text: table(
                "Report,Tank,Drawn,Reported,Where,Oil temp °C,Water,ISO 4406,TAN,V40 cSt,BDV kV,Remark",
                20,
                |n| {
                    format!(
                        "B26{n:03},R-{},{:02}-Oct-2025,{:02}-Nov-2025,mid,49,{},22/19/17,{},32.1,45,",
                        n % 7,
                        1 + n,
                        1 + n,
                        ["266", "299 mg/kg", "<20"][n % 3],
                        ["0.05", "<0.05"][usize::from(n == 3)]
                    )
                },
            ),
            lines: &[
                "table      = \"samples\"",
                "sample_id = { from = \"Report\" }",
                "reservoir_id = { from = \"Tank\" }",
                "taken_at = { from = \"Drawn\", format = \"%d-%b-%Y\" }",
                "reported_at = { from = \"Reported\", format = \"%d-%b-%Y\" }",
                "sample_point = { from = \"Where\", map = { \"mid\" = \"reservoir_mid\" } }",
                "sample_degc = { from = \"Oil temp °C\", unit = \"Cel\" }",
                "water_ppm = { from = \"Water\", unit = \"mg/kg\" }",
                "iso4406 = { from = \"ISO 4406\" }",
                "acid_mgkoh_g = { from = \"TAN\", unit = \"mg{KOH}/g\" }",
                "viscosity_40c_mm2s = { from = \"V40 cSt\", unit = \"mm2/s\" }",
                "breakdown_kv = { from = \"BDV kV\", unit = \"kV\" }",
            ],
            absent: &[],
        },
    ]);
}

#[test]
fn registers() {
    check_all(vec![Case {
        what: "machines",
        name: "machines.csv",
        text: "Machine,Class,Rated flow gpm,Heater kW,Pump m3/h,Pump type,Chamber L,In service,Home,Insulating\nVD-01,M,23.7,30,50,rotary_vane,300,2023-05-01,ALD,no\nVD-02,L,52.8,66,100,liquid_ring,650,2023-05-01,ALD,yes\n".to_owned(),
        lines: &["table      = \"units\"", "unit_id = { from = \"Machine\" }", "nameplate_flow_lpm = { from = \"Rated flow gpm\", unit = \"[gal_us]/min\" }", "vacuum_pump_m3h = { from = \"Pump m3/h\", unit = \"m3/h\" }", "commissioned_on = { from = \"In service\", format = \"%Y-%m-%d\" }", "insulating_oil_ready = { from = \"Insulating\" }"],
        absent: &["FILL-IN", "not placed"],
    }, Case {
        what: "places",
        name: "places.csv",
        text: "Code,Name,Altitude ft,TZ\nALD,Alderbach,393.70,Europe/Berlin\nBLF,Bluff Mesa,5282.15,America/Denver\n".to_owned(),
        lines: &["table      = \"sites\"", "site_id = { from = \"Code\" }", "name = { from = \"Name\" }", "altitude_m = { from = \"Altitude ft\", unit = \"[ft_i]\" }", "timezone = { from = \"TZ\" }"],
        absent: &["FILL-IN"],
    }, Case {
        what: "deployments",
        name: "assignments.csv",
        text: "Machine,Tank,From,To\nP7,R06,2025-10-01T16:30:00+01:00,2025-10-02T02:39:00+01:00\nP8,R05,2025-10-02T07:43:00+01:00,\n".to_owned(),
        lines: &["table      = \"deployments\"", "from_at = { from = \"From\", format = \"rfc3339\" }", "to_at = { from = \"To\", format = \"rfc3339\" }"],
        absent: &["FILL-IN"],
    }, Case {
        what: "maintenance",
        name: "works.csv",
        text: "Machine,When,What,Remark\nP7,10/02/2026 00:00,new vanes,\nVD-02,15/03/2026 00:00,Ölwechsel Pumpe,\nCV-1,01/04/2026 00:00,Overhaul,late\n".to_owned(),
        lines: &["table      = \"maintenance\"", "at = { from = \"When\", format = \"%d/%m/%Y %H:%M\" }", "action = { from = \"What\", map = { \"Ölwechsel Pumpe\" = \"pump_oil\" } }", "note = { from = \"Remark\" }"],
        absent: &[],
    }, Case {
        what: "reservoirs",
        name: "tanks.csv",
        text: "Tank,Place,Use,Oil,Gallons,Basis,Water max,Coldest F,Live,PCB\nR01,ALD,turbine_lube,TU-32,2351.1,guess,200,71.2,N,none\nR02,ALD,hydraulic,TU-46,5188.3,dip,200,66.1,N,unknown\n".to_owned(),
        lines: &["table      = \"reservoirs\"", "reservoir_id = { from = \"Tank\" }", "site_id = { from = \"Place\" }", "volume_l = { from = \"Gallons\", unit = \"[gal_us]\" }", "water_limit_ppm = { from = \"Water max\", unit = \"mg/kg\" }", "coldest_oil_degc = { from = \"Coldest F\", unit = \"[degF]\" }", "energised = { from = \"Live\" }"],
        absent: &["FILL-IN", "not placed"],
    }, Case {
        what: "oils",
        name: "oils.csv",
        text: "Oil,Family,VG,KV40,A,B,Flash F\nTU-32,mineral_turbine,32,32,7.6514,1713.6,419.0\nHY-46,mineral_hydraulic,46,46,7.9445,1705,424.4\n".to_owned(),
        lines: &["table      = \"oils\"", "oil_type = { from = \"Oil\" }", "solubility_a = { from = \"A\", unit = \"1\" }", "solubility_b_k = { from = \"B\", unit = \"K\" }", "flash_degc = { from = \"Flash F\", unit = \"[degF]\" }"],
        absent: &["FILL-IN"],
    }, Case {
        what: "oils whose flash points have no unit",
        name: "oils.csv",
        text: "Oil,Family,VG,KV40,A,B,Flash\nTU-32,mineral_turbine,32,32,7.6514,1713.6,146\nHY-46,mineral_hydraulic,46,46,7.9445,1705,280\n".to_owned(),
        lines: &["flash_degc = { from = \"Flash\", unit = \"Cel\" }"],
        absent: &["[degF]"],
    }, Case {
        what: "what happened to the reservoirs",
        name: "tank_events.csv",
        text: "Tank,When,What,Litres,Oil,ppm,Note\nR03,2025-11-11T15:17:00Z,top_up,1094,HY-46,453,mid-run\nR01,2025-11-26T17:30:00Z,oil_change,1595,GR-320,75,\n".to_owned(),
        lines: &["table      = \"reservoir_events\"", "action = { from = \"What\" }", "volume_l = { from = \"Litres\", unit = \"L\" }", "water_ppm = { from = \"ppm\", unit = \"mg/kg\" }"],
        absent: &["FILL-IN"],
    }, Case {
        what: "what the controllers report",
        name: "events.csv",
        text: "Machine,When,Code,Text,Val\nFJ-1,2025-10-02 18:14:06,E100,START,\nFJ-1,2025-10-03 07:48:06,E101,\"STOP\nby \"\"operator\"\"\",\nFJ-1,2025-10-19 09:09:05,E100,START,\n".to_owned(),
        lines: &["table      = \"unit_events\"", "code = { from = \"Code\" }", "text = { from = \"Text\" }", "# guess, to uncomment: kind = { from = \"Code\", map = { \"E100\" = \"start\", \"E101\" = \"stop\" } }"],
        absent: &[],
    }]);
}

#[test]
fn a_sheet_is_found_among_others() {
    let mut rows = format!(
        "<row r=\"1\">{}{}{}{}</row>",
        cell("A1", "Certificate"),
        cell("B1", "Transformer"),
        cell("C1", "Sampled"),
        cell("D1", "Water [mg/kg]")
    );
    for n in 2..8 {
        // Some numbers were typed as text, with a decimal comma.
        let water = if n % 2 == 0 {
            cell(&format!("D{n}"), "20,5")
        } else {
            number(&format!("D{n}"), 0, "5.4")
        };
        rows.push_str(&format!(
            "<row r=\"{n}\">{}{}{}{water}</row>",
            cell(&format!("A{n}"), &format!("DW/{n}")),
            cell(&format!("B{n}"), &format!("T-{}", n / 3)),
            number(&format!("C{n}"), 1, &format!("{}", 45_931 + n)),
        ));
    }
    let book = workbook(&rows, &[("Cover", "visible"), ("Results", "visible")]);
    check(
        "laboratory workbook",
        "lab.xlsx",
        &book,
        &[
            "table      = \"samples\"",
            "sheet      = \"Results\"",
            "decimal    = \",\"",
            "sample_id = { from = \"Certificate\" }",
            "water_ppm = { from = \"Water [mg/kg]\", unit = \"mg/kg\" }",
            "taken_at = { from = \"Sampled\", format = \"%Y-%m-%d\" }",
        ],
        &["delimiter", "encoding"],
    );
}

#[test]
fn a_register_of_machines_in_german() {
    let text = table(
        "Tag;Baugröße;Nennmenge l/min;Heizung kW;Pumpe m³/h;Pumpenart;Kammer l;Heimat;Sonde;Trafo-tauglich",
        24,
        |n| {
            let (kind, probe) = [
                ("Drehschieber", "Eintritt"),
                ("Wasserring", "Austritt"),
                ("Schraube trocken", "Eintritt"),
            ][n % 3];
            let ready = ["ja", "nein"][n % 2];
            format!(
                "VD-{:02};M;{};24,0;65,0;{kind};700;NORD;{probe};{ready}",
                n + 1,
                40 + n
            )
        },
    );
    check_all(vec![Case {
        what: "machines by their tags",
        name: "anlagen.csv",
        text,
        lines: &[
            "table      = \"units\"",
            "unit_id = { from = \"Tag\" }",
            "nameplate_flow_lpm = { from = \"Nennmenge l/min\", unit = \"L/min\" }",
            "vacuum_pump_kind = { from = \"Pumpenart\", map = { \"Drehschieber\" = \"rotary_vane\", \"Schraube trocken\" = \"dry\", \"Wasserring\" = \"liquid_ring\" } }",
            "water_sensor_place = { from = \"Sonde\", map = { \"Austritt\" = \"outlet\", \"Eintritt\" = \"inlet\" } }",
            "insulating_oil_ready = { from = \"Trafo-tauglich\" }",
        ],
        absent: &["rejected until the map"],
    }]);
}

#[test]
fn a_remark_that_goes_on_is_no_row_of_the_sample_above() {
    let text = table(
        "Sample Ref,Tank,Drawn,Water ppm,Acid mgKOH/g,Remark",
        60,
        |n| match n % 3 {
            0 => format!(
                "C-{n},T-{},2025-10-{:02},{},0.1{},watch the",
                n % 4,
                1 + n % 28,
                80 + n,
                n % 9
            ),
            1 => ",,,,,water of this tank".to_owned(),
            _ => "Page 3 of 40,,,,,".to_owned(),
        },
    );
    let said = proposed("clyde.csv", text.as_bytes());
    assert!(
        said.contains("sample_id = { from = \"Sample Ref\" }"),
        "{said}"
    );
    assert!(!said.contains("fill_down"), "{said}");
}
