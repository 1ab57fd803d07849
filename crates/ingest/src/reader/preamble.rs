//! What the lines before a header tell: at the head of a file, and again further down.

use super::record::Job;
use crate::source::OF_PREAMBLE;

impl Job<'_> {
    /// Takes the named parts from the lines before the header.
    pub(crate) fn read_preamble(&mut self, text: &str) {
        for pattern in &self.source.preamble {
            let Some(found) = pattern.captures(text) else {
                self.unfit = Some(pattern.as_str().to_owned());
                continue;
            };
            for name in pattern.capture_names().flatten() {
                if let (Some(parts), Some(part)) = (&mut self.captured, found.name(name)) {
                    parts.insert(
                        format!("{OF_PREAMBLE}{name}"),
                        part.as_str().trim().to_owned(),
                    );
                }
            }
        }
    }

    /// Whether a line is one of those before the header and tells something else than they did.
    pub(super) fn is_told_anew(&self, line: &str) -> bool {
        self.source.preamble.iter().any(|pattern| {
            let Some(found) = pattern.captures(line) else {
                return false;
            };
            pattern.capture_names().flatten().any(|name| {
                let known = self.captured.as_ref();
                let known = known.and_then(|parts| parts.get(&format!("{OF_PREAMBLE}{name}")));
                let told = found.name(name).map(|part| part.as_str().trim());
                told.is_some() && told != known.map(String::as_str)
            })
        })
    }
}
