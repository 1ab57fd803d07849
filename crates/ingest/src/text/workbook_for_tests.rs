//! Small workbooks for tests, written part by part.

use std::io::{Cursor, Write as _};

/// A workbook of sheets (name and state), the last of which holds these rows of cells, as ECMA-376
/// part 1, section 18.3 lays it out.
pub(crate) fn workbook(rows: &str, sheets: &[(&str, &str)]) -> Vec<u8> {
    let mut bodies = vec![String::from("<sheetData/>"); sheets.len()];
    if let Some(last) = bodies.last_mut() {
        *last = format!("<sheetData>{rows}</sheetData>");
    }
    book("", sheets, &bodies)
}

/// A workbook whose sheets hold these elements; `properties` stand before the list of sheets.
pub(crate) fn book(properties: &str, sheets: &[(&str, &str)], bodies: &[String]) -> Vec<u8> {
    let mut out = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let mut put = |name: &str, text: &str| {
        out.start_file(name, zip::write::SimpleFileOptions::default())
            .unwrap();
        out.write_all(text.as_bytes()).unwrap();
    };
    let list: String = sheets
        .iter()
        .enumerate()
        .map(|(n, (name, state))| {
            format!(
                "<sheet name=\"{name}\" sheetId=\"{}\" state=\"{state}\" r:id=\"r{n}\"/>",
                n + 1
            )
        })
        .collect();
    let links: String = (0..sheets.len())
        .map(|n| {
            format!("<Relationship Id=\"r{n}\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet\" Target=\"worksheets/sheet{n}.xml\"/>")
        })
        .collect();
    put(
        "[Content_Types].xml",
        "<Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\"/>",
    );
    put(
        "_rels/.rels",
        "<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\"><Relationship Id=\"r\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>",
    );
    put(
        "xl/workbook.xml",
        &format!(
            "<workbook xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\" xmlns:r=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships\">{properties}<sheets>{list}</sheets></workbook>"
        ),
    );
    put(
        "xl/_rels/workbook.xml.rels",
        &format!(
            "<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\">{links}</Relationships>"
        ),
    );
    // Style 1: a date (built-in format 14); style 2: date and time (22); style 3: hours (46); style
    // 4: per cent (9); style 5: the same with a format of its own; style 6: a quoted percent sign.
    put(
        "xl/styles.xml",
        "<styleSheet xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\"><numFmts count=\"2\"><numFmt numFmtId=\"164\" formatCode=\"0.00\\ %;[Red]\\-0.00%\"/><numFmt numFmtId=\"165\" formatCode=\"0.0&quot; %&quot;\"/></numFmts><cellXfs><xf numFmtId=\"0\"/><xf numFmtId=\"14\"/><xf numFmtId=\"22\"/><xf numFmtId=\"46\"/><xf numFmtId=\"9\"/><xf numFmtId=\"164\"/><xf numFmtId=\"165\"/></cellXfs></styleSheet>",
    );
    for (n, body) in bodies.iter().enumerate() {
        put(
            &format!("xl/worksheets/sheet{n}.xml"),
            &format!(
                "<worksheet xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\">{body}</worksheet>"
            ),
        );
    }
    out.finish().unwrap().into_inner()
}

/// A cell of text, its reference first (`B2`).
pub(crate) fn text(at: &str, text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    format!("<c r=\"{at}\" t=\"inlineStr\"><is><t xml:space=\"preserve\">{text}</t></is></c>")
}

/// A cell with a number and one of the styles of [`workbook`].
pub(crate) fn number(at: &str, style: u8, value: &str) -> String {
    format!("<c r=\"{at}\" s=\"{style}\"><v>{value}</v></c>")
}
