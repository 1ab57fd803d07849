//! Reads the data sets and their certified values.

/// A certified value and how near a result must come.
pub(super) struct Certified {
    pub(super) quantity: String,
    pub(super) value: String,
    tol_rel: Option<f64>,
    tol_abs: Option<f64>,
}

impl Certified {
    pub(super) fn number(&self) -> f64 {
        self.value.parse().unwrap()
    }

    /// Whether a tolerance is given: rows without are information.
    pub(super) fn is_toleranced(&self) -> bool {
        self.tol_rel.is_some() || self.tol_abs.is_some()
    }
}

/// Cells of one line; a comma within quotes belongs to its cell.
fn cells(line: &str) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => out.push(String::new()),
            other => out.last_mut().unwrap().push(other),
        }
    }
    out
}

/// The rows of a certified file.
pub(super) fn certified(text: &str) -> Vec<Certified> {
    text.lines()
        .skip(1)
        .map(cells)
        .map(|c| Certified {
            quantity: c[0].clone(),
            value: c[1].clone(),
            tol_rel: c.get(4).and_then(|v| v.parse().ok()),
            tol_abs: c.get(5).and_then(|v| v.parse().ok()),
        })
        .collect()
}

/// The number certified under a name.
pub(super) fn value(rows: &[Certified], quantity: &str) -> f64 {
    rows.iter()
        .find(|r| r.quantity == quantity)
        .unwrap()
        .number()
}

/// Asserts that a result meets the certified row of that name.
pub(super) fn check(set: &str, rows: &[Certified], quantity: &str, got: f64) {
    let row = rows.iter().find(|r| r.quantity == quantity);
    let row = row.unwrap_or_else(|| panic!("{set}: nothing certified as {quantity}"));
    let want = row.number();
    let allowed = row
        .tol_abs
        .unwrap_or(0.0)
        .max(row.tol_rel.unwrap_or(0.0) * want.abs());
    assert!(
        (got - want).abs() <= allowed,
        "{set} {quantity}: got {got}, certified {want}, allowed {allowed}"
    );
}

/// The columns of a numeric data file, by order.
pub(super) fn columns(text: &str) -> Vec<Vec<f64>> {
    let mut lines = text.lines();
    let width = lines.next().unwrap().split(',').count();
    let mut out = vec![Vec::new(); width];
    for line in lines {
        for (column, cell) in out.iter_mut().zip(line.split(',')) {
            column.push(cell.trim().parse().unwrap());
        }
    }
    out
}

/// Asserts nearness to a figure quoted beside its source: absolute, or relative to it.
pub(super) fn near(what: &str, got: f64, want: f64, tol: f64) {
    assert!(
        (got - want).abs() <= tol * want.abs().max(1.0),
        "{what}: got {got}, want {want}"
    );
}
