//! Which file belongs to which source, and in which order files are taken.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use drydown_ingest::{
    Content, Member, Source, TextError, archive_members, lone_member, read_member, with_member,
};
use drydown_schema::{TableKind, tables};
use globset::{GlobBuilder, GlobMatcher};

use super::{FILE_TEXT, IngestInputs};
use crate::config::Config;
use crate::usage::UsageError;

/// A file that a source matches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) source_idx: usize,
    /// Where it lies.
    pub(crate) path: PathBuf,
    /// Its path relative to the configuration, as the ledger shows it; a file of an archive goes on
    /// with its path inside.
    pub(crate) name: String,
    /// Bytes on disk; of a file of an archive those it unpacks to.
    pub(super) size: u64,
    /// Which file of the archive that lies there; None: it is no archive of several.
    pub(super) member: Option<Member>,
}

impl Found {
    /// All it holds.
    pub(super) fn content(&self) -> Result<Content> {
        let cannot_read = || format!("cannot read {}", self.path.display());
        match &self.member {
            None => Ok(Content {
                bytes: std::fs::read(&self.path).with_context(cannot_read)?,
                error: None,
            }),
            Some(member) => {
                let opened = File::open(&self.path).with_context(cannot_read)?;
                Ok(read_member(BufReader::new(opened), member, FILE_TEXT))
            }
        }
    }
}

impl Found {
    /// Bytes on disk, or in the archive.
    pub(super) fn n_bytes(&self) -> u64 {
        match &self.member {
            Some(member) => member.n_bytes,
            None => self.path.metadata().map_or(0, |found| found.len()),
        }
    }

    /// Gives what it holds as a reader. The inner error: the file of an archive cannot be unpacked.
    pub(super) fn with_reader<T>(
        &self,
        take: impl FnOnce(&mut (dyn Read + Send)) -> Result<T>,
    ) -> Result<Result<T, TextError>> {
        let mut opened = File::open(&self.path)
            .with_context(|| format!("cannot read {}", self.path.display()))?;
        let Some(member) = &self.member else {
            return take(&mut opened).map(Ok);
        };
        match with_member(BufReader::new(opened), member, take) {
            Ok(taken) => taken.map(Ok),
            Err(error) => Ok(Err(error)),
        }
    }
}

/// Files taken in one commit.
pub(super) struct Batch<'a> {
    pub(super) files: Vec<&'a Found>,
}

/// The tables in the order in which they are taken: registers and events, then readings, then samples.
pub(super) fn tables_in_order() -> Vec<String> {
    let last = |name: &str| match name {
        "readings" => 1,
        "samples" | "results" => 2,
        _ => 0,
    };
    let mut names: Vec<String> = tables()
        .iter()
        .filter(|spec| spec.kind == TableKind::Ingested)
        .map(|spec| spec.name.clone())
        .collect();
    names.sort_by_key(|name| last(name));
    names
}

/// What the sources match.
#[derive(Debug, Default)]
pub(super) struct Files {
    pub(super) found: Vec<Found>,
    /// Paths that cannot be looked at, such as a broken link: the others are taken.
    pub(super) warnings: Vec<String>,
}

/// Every file that a source matches, by path; of the named files only, where some are named.
pub(super) fn find_files(inputs: &IngestInputs<'_>, sources: &[Source]) -> Result<Files> {
    let matchers = matchers(inputs.config, sources)?;
    let mut files = if inputs.files.is_empty() {
        matched(inputs.config, &matchers)?
    } else {
        Files {
            found: named(inputs, sources, &matchers)?,
            warnings: Vec::new(),
        }
    };
    let found = &mut files.found;
    for file in found.iter_mut() {
        if let Some(source) = sources.get(file.source_idx) {
            name_by_member(source, file);
        }
    }
    found.sort_by(|a, b| (&a.name, a.source_idx).cmp(&(&b.name, b.source_idx)));
    Ok(files)
}

/// Whether a source's patterns match a path, relative to the configuration.
pub(super) fn is_matched(config: &Config, source: &Source, name: &str) -> Result<bool> {
    let matchers = matchers(config, std::slice::from_ref(source))?;
    Ok(matchers.iter().any(|matcher| matcher.glob.is_match(name)))
}

/// A file that is alone in its archive goes by the archive's name; where the source takes columns from
/// a name and that one does not fit, by its path inside, as the files of an archive of several do.
fn name_by_member(source: &Source, file: &mut Found) {
    if file.member.is_some() || source.fits_name(&file.name) {
        return;
    }
    let inner = File::open(&file.path)
        .ok()
        .and_then(|opened| lone_member(BufReader::new(opened)));
    let name = inner.map(|inner| format!("{}/{inner}", file.name));
    if let Some(name) = name.filter(|name| source.fits_name(name)) {
        file.name = name;
    }
}

/// Batches of files in their order, each of about so much text.
pub(super) fn to_batches<'a>(files: &[&'a Found], text: u64) -> Vec<Batch<'a>> {
    let mut batches = Vec::new();
    let mut current = Batch { files: Vec::new() };
    let mut held = 0;
    for file in files {
        let weight = text_weight(file);
        if !current.files.is_empty() && held + weight > text {
            batches.push(std::mem::replace(&mut current, Batch { files: Vec::new() }));
            held = 0;
        }
        held += weight;
        current.files.push(file);
    }
    if !current.files.is_empty() {
        batches.push(current);
    }
    batches
}

/// Bytes of text a file unpacks to, roughly: run logs compress about eightfold.
pub(super) fn text_weight(file: &Found) -> u64 {
    let packed = file.member.is_none()
        && ["gz", "zst", "zip", "xlsx", "xlsm"]
            .iter()
            .any(|ending| file.path.extension().is_some_and(|found| found == *ending));
    if packed {
        file.size.saturating_mul(8)
    } else {
        file.size
    }
}

struct Matcher {
    source_idx: usize,
    /// The pattern's folder without wildcards, relative to the configuration.
    folder: PathBuf,
    glob: GlobMatcher,
}

fn matchers(config: &Config, sources: &[Source]) -> Result<Vec<Matcher>> {
    let mut matchers = Vec::new();
    for (source_idx, source) in sources.iter().enumerate() {
        for pattern in source.files() {
            let glob = GlobBuilder::new(pattern)
                .literal_separator(true)
                .build()
                .map_err(|error| {
                    config.source_error(
                        source_idx,
                        &["files"],
                        &format!("found \"{pattern}\", expected a file pattern: {error}"),
                    )
                })?;
            let plain: PathBuf = Path::new(pattern)
                .components()
                .take_while(|part| {
                    !part
                        .as_os_str()
                        .to_string_lossy()
                        .contains(['*', '?', '[', '{'])
                })
                .collect();
            let folder = if plain == Path::new(pattern) {
                plain.parent().map(Path::to_path_buf).unwrap_or_default()
            } else {
                plain
            };
            matchers.push(Matcher {
                source_idx,
                folder,
                glob: glob.compile_matcher(),
            });
        }
    }
    Ok(matchers)
}

fn matched(config: &Config, matchers: &[Matcher]) -> Result<Files> {
    let mut files = Files::default();
    for matcher in matchers {
        let mut paths = Vec::new();
        walk(&config.base.join(&matcher.folder), &mut paths)?;
        for path in paths {
            let Ok(relative) = path.strip_prefix(&config.base) else {
                continue;
            };
            if matcher.glob.is_match(relative) {
                match to_found(matcher.source_idx, &path, relative) {
                    Ok(these) => {
                        for one in these {
                            if !files.found.contains(&one) {
                                files.found.push(one);
                            }
                        }
                    }
                    Err(error) => {
                        let warning = format!("{error:#}: it is passed over");
                        if !files.warnings.contains(&warning) {
                            files.warnings.push(warning);
                        }
                    }
                }
            }
        }
    }
    Ok(files)
}

/// A file, or the files of the archive that it is.
fn to_found(source_idx: usize, path: &Path, relative: &Path) -> Result<Vec<Found>> {
    let size = path
        .metadata()
        .with_context(|| format!("cannot look at {}", path.display()))?
        .len();
    let name = relative.to_string_lossy().replace('\\', "/");
    // What cannot be opened is said when it is read.
    let members = File::open(path)
        .ok()
        .and_then(|opened| archive_members(BufReader::new(opened)));
    let Some(members) = members else {
        return Ok(vec![Found {
            source_idx,
            path: path.to_path_buf(),
            name,
            size,
            member: None,
        }]);
    };
    let of_archive = |member: Member| Found {
        source_idx,
        path: path.to_path_buf(),
        name: format!("{name}/{}", member.name),
        size: member.n_bytes,
        member: Some(member),
    };
    Ok(members.into_iter().map(of_archive).collect())
}

/// Every file below a folder; a folder that is not there has none.
fn walk(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    if !folder.is_dir() {
        return Ok(());
    }
    for entry in folder
        .read_dir()
        .with_context(|| format!("cannot look into {}", folder.display()))?
    {
        let path = entry
            .with_context(|| format!("cannot look into {}", folder.display()))?
            .path();
        if path.is_dir() {
            walk(&path, files)?;
        } else {
            files.push(path);
        }
    }
    Ok(())
}

/// The files named on the command line; each must belong to sources of one table.
fn named(
    inputs: &IngestInputs<'_>,
    sources: &[Source],
    matchers: &[Matcher],
) -> Result<Vec<Found>> {
    let base = inputs
        .config
        .base
        .canonicalize()
        .with_context(|| format!("cannot find {}", inputs.config.base.display()))?;
    let mut found = Vec::new();
    for file in &inputs.files {
        let whole = file
            .canonicalize()
            .map_err(|error| UsageError(format!("{}: {error}", file.display())))?;
        let relative = whole.strip_prefix(&base).unwrap_or(&whole);
        let mut matching: Vec<usize> = matchers
            .iter()
            .filter(|matcher| matcher.glob.is_match(relative))
            .map(|matcher| matcher.source_idx)
            .collect();
        matching.dedup();
        let mut of_tables: Vec<&str> = matching
            .iter()
            .filter_map(|idx| sources.get(*idx))
            .map(|source| source.table().name.as_str())
            .collect();
        of_tables.sort_unstable();
        of_tables.dedup();
        match of_tables.len() {
            0 => {
                return Err(UsageError(format!(
                    "{} matches no source of {}\nhint: `drydown draft {}` proposes one",
                    file.display(),
                    inputs.config.file.display(),
                    file.display()
                ))
                .into());
            }
            1 => {}
            _ => {
                return Err(UsageError(format!(
                    "{} matches sources of {}; a file may belong to one table only",
                    file.display(),
                    of_tables.join(" and ")
                ))
                .into());
            }
        }
        for source_idx in matching {
            found.extend(to_found(source_idx, &whole, relative)?);
        }
    }
    Ok(found)
}
