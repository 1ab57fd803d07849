//! A list of rejects with some of its texts mended: what `drydown export rejects` printed, given back.
//!
//! Of each file in it a copy is written beside the file, with the mended records in their places, and the
//! copy is ingested: every other row of it is a duplicate. Exports themselves are never written to, and
//! what was mended lies on disk like anything else that was ingested.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result};
use arrow::array::{Array, AsArray, RecordBatch};
use arrow::csv::ReaderBuilder;
use arrow::datatypes::{Field, Int64Type, Schema};
use drydown_ingest::{Mend, Source};
use drydown_schema::{arrow_schema, table};
use drydown_store::Store;

use super::matching::Found;
use super::{FILE_TEXT, IngestInputs, matching};
use crate::usage::UsageError;

/// What becomes of the files named on the command line.
#[derive(Debug, Default)]
pub(super) struct Given {
    /// The files, copies in the places of lists.
    pub(super) files: Vec<PathBuf>,
    /// What was written, and what was not mended.
    pub(super) warnings: Vec<String>,
    /// A list that asks for nothing.
    pub(super) nothing_to_do: bool,
}

/// One entry: line and column.
type Place = (i64, String);
/// Texts by source and file, then by place.
type Texts = BTreeMap<(String, String, String), BTreeMap<Place, String>>;

/// Writes the mended copies that lists of rejects among the named files ask for.
pub(super) fn take(
    inputs: &IngestInputs<'_>,
    sources: &[Source],
    store: Option<&Store>,
) -> Result<Given> {
    let mut given = Given::default();
    let mut lists = Vec::new();
    for file in &inputs.files {
        match list_delimiter(file) {
            Some(delimiter) => lists.push((file, delimiter)),
            None => given.files.push(file.clone()),
        }
    }
    let Some((first, _)) = lists.first() else {
        return Ok(given);
    };
    let store = store.context("there is no store yet: ingest first")?;
    if inputs.dry_run {
        return Err(UsageError(format!(
            "{} is a list of rejects, of which copies of files are made: not in a dry run",
            first.display()
        ))
        .into());
    }
    let rejected = texts_of(&store.load_files("rejects", &store.live_files("rejects", None)?)?)?;
    let everything = IngestInputs {
        files: Vec::new(),
        again: None,
        ..*inputs
    };
    let found = matching::find_files(&everything, sources)?.found;
    let mut copies = 0;
    for (list, delimiter) in lists {
        for (key, texts) in &texts_of(&read_list(list, delimiter)?)? {
            let changed = rejected
                .get(key)
                .map_or_else(Vec::new, |old| changed(old, texts));
            if changed.is_empty() {
                continue;
            }
            let (source, hash, name) = key;
            let of_file = found.iter().find(|one| {
                one.name == *name
                    && sources
                        .get(one.source_idx)
                        .is_some_and(|s| s.name() == source)
            });
            let copy = match of_file {
                Some(one) => write_copy(inputs, sources, one, hash, &changed)?,
                None => Err("it is no longer there".to_owned()),
            };
            match copy {
                Ok((path, words)) => {
                    copies += 1;
                    given.files.push(path);
                    given.warnings.extend(words);
                }
                Err(why) => given
                    .warnings
                    .push(format!("{name} ({source}): not mended: {why}")),
            }
        }
    }
    given.nothing_to_do = given.files.is_empty();
    if copies == 0 && given.warnings.is_empty() {
        given.warnings.push(
            "no text of the list differs from what was rejected: mend it in the column raw"
                .to_owned(),
        );
    }
    Ok(given)
}

/// The entries of one file whose text is another than was rejected.
fn changed<'t>(
    old: &'t BTreeMap<Place, String>,
    texts: &'t BTreeMap<Place, String>,
) -> Vec<Mend<'t>> {
    let mends = texts.iter().filter_map(|(place, now)| {
        let before = old.get(place)?;
        (before != now).then_some(Mend {
            line: u64::try_from(place.0).ok()?,
            column: &place.1,
            found: before,
            now,
        })
    });
    mends.collect()
}

/// The delimiter of a list of rejects, as printed or as a spreadsheet saved it; None: it is no list.
fn list_delimiter(file: &Path) -> Option<u8> {
    let spec = table("rejects")?;
    let names: Vec<&str> = spec.columns.iter().map(|c| c.name.as_str()).collect();
    let mut first = String::new();
    BufReader::new(File::open(file).ok()?)
        .read_line(&mut first)
        .ok()?;
    let first = first.trim_start_matches('\u{feff}').trim_end();
    [b',', b';', b'\t'].into_iter().find(|delimiter| {
        let mut found = first
            .split(char::from(*delimiter))
            .map(|n| n.trim_matches('"'));
        names.iter().all(|name| found.next() == Some(name)) && found.next().is_none()
    })
}

fn read_list(file: &Path, delimiter: u8) -> Result<Vec<RecordBatch>> {
    let cannot_read = || format!("cannot read {}", file.display());
    let spec = table("rejects").context("the data contract has no table \"rejects\"")?;
    let mut text = fs::read_to_string(file).with_context(cannot_read)?;
    if let Some(rest) = text.strip_prefix('\u{feff}') {
        text = rest.to_owned();
    }
    // An empty text is none to a reader of CSV.
    let contract = arrow_schema(spec);
    let fields = contract.fields().iter().map(|field| {
        let (name, kind) = (field.name(), field.data_type());
        Field::new(name, kind.clone(), true)
    });
    let fields: Vec<Field> = fields.collect();
    let reader = ReaderBuilder::new(Arc::new(Schema::new(fields)))
        .with_header(true)
        .with_delimiter(delimiter)
        .build(text.as_bytes())
        .with_context(cannot_read)?;
    reader
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| {
            UsageError(format!(
                "{}: {error}: expected the list that `drydown export rejects` printed, changed in the column raw only",
                file.display()
            ))
            .into()
        })
}

fn texts_of(batches: &[RecordBatch]) -> Result<Texts> {
    let mut out = Texts::new();
    for batch in batches {
        let text = |name: &str| {
            batch
                .column_by_name(name)
                .and_then(|column| column.as_string_opt::<i32>())
                .with_context(|| format!("table \"rejects\" has no text column \"{name}\""))
        };
        let (sources, hashes, files) = (text("source")?, text("file_hash")?, text("file")?);
        let (columns, raws) = (text("column")?, text("raw")?);
        let lines = batch
            .column_by_name("line")
            .and_then(|column| column.as_primitive_opt::<Int64Type>())
            .context("table \"rejects\" has no whole numbers \"line\"")?;
        for row in 0..batch.num_rows() {
            let or_empty = |column: &arrow::array::StringArray| {
                if column.is_null(row) {
                    String::new()
                } else {
                    column.value(row).to_owned()
                }
            };
            let file = (or_empty(sources), or_empty(hashes), or_empty(files));
            let place = (lines.value(row), or_empty(columns));
            out.entry(file).or_default().insert(place, or_empty(raws));
        }
    }
    Ok(out)
}

/// Writes the copy of one file; the inner error: why there is none.
fn write_copy(
    inputs: &IngestInputs<'_>,
    sources: &[Source],
    file: &Found,
    hash: &str,
    changed: &[Mend<'_>],
) -> Result<Result<(PathBuf, Vec<String>), String>> {
    let Some(source) = sources.get(file.source_idx) else {
        return Ok(Err("its source is gone".to_owned()));
    };
    if file.member.is_some() {
        return Ok(Err("it lies in an archive: unpack that".to_owned()));
    }
    let content = file.content()?;
    if source.file_hash(&file.name, &content.bytes) != hash {
        return Ok(Err(
            "it has changed since the list was printed: ingest it and print the list again"
                .to_owned(),
        ));
    }
    let mended = match source.mended(&content.bytes, changed, FILE_TEXT) {
        Ok(mended) => mended,
        Err(error) => return Ok(Err(error.to_string())),
    };
    let mut words: Vec<String> = mended
        .left
        .iter()
        .map(|(line, why)| format!("{}:{line}: not mended: {why}", file.name))
        .collect();
    if mended.n_mended == 0 {
        return Ok(Err(words.join("; ")));
    }
    let Some(path) = free_name(inputs, source, file)? else {
        return Ok(Err(format!(
            "no name beside it fits files of \"{}\": mend the file itself",
            source.name()
        )));
    };
    // The mark says how the text is encoded, whatever the source's own files are.
    let text = format!("\u{feff}{}", mended.text);
    let half = path.with_extension("part");
    fs::write(&half, text)
        .and_then(|()| fs::rename(&half, &path))
        .with_context(|| format!("cannot write {}", path.display()))?;
    words.push(format!(
        "{}: {} entries mended in a copy, {}",
        file.name,
        mended.n_mended,
        path.display()
    ));
    Ok(Ok((path, words)))
}

/// A name beside the file that its source matches, and from which it takes the same columns.
fn free_name(inputs: &IngestInputs<'_>, source: &Source, file: &Found) -> Result<Option<PathBuf>> {
    let Some(base) = file.path.file_name().and_then(|name| name.to_str()) else {
        return Ok(None);
    };
    let (stem, ending) = match base.split_once('.') {
        Some((stem, ending)) => (stem, format!(".{ending}")),
        None => (base, String::new()),
    };
    for n in 1..100 {
        let mark = if n == 1 {
            "mended".to_owned()
        } else {
            format!("mended{n}")
        };
        for name in [
            format!("{stem}_{mark}{ending}"),
            format!("{mark}_{stem}{ending}"),
        ] {
            let path = file.path.with_file_name(&name);
            let shown = match file.name.rsplit_once('/') {
                Some((folder, _)) => format!("{folder}/{name}"),
                None => name,
            };
            let same_columns = source
                .file_hash(&shown, b"")
                .eq(&source.file_hash(&file.name, b""));
            if !path.exists()
                && same_columns
                && source.fits_name(&shown)
                && matching::is_matched(inputs.config, source, &shown)?
            {
                return Ok(Some(path));
            }
        }
    }
    Ok(None)
}
