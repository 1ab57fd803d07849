//! What the words of a header mean: whole words, in English and German, and German compounds.
//!
//! The synonyms are common practice, no source.

/// A meaning and the words that carry it, in lower case.
const MEANINGS: &[(&str, &[&str])] = &[
    (
        "time",
        &[
            "time",
            "timestamp",
            "ts",
            "zeit",
            "zeitstempel",
            "zeitpunkt",
            "uhrzeit",
            "datetime",
            "datumzeit",
            "stamp",
            "when",
            "wann",
            "logged",
            "heure",
            "hora",
        ],
    ),
    ("date", &["date", "datum", "day", "fecha"]),
    ("serial", &["serial", "serialdate", "sn", "seriennummer"]),
    (
        "machine",
        &[
            "machine",
            "unit",
            "skid",
            "dehydrator",
            "vdu",
            "anlage",
            "maschine",
            "gerät",
            "geraet",
            "aggregat",
            "rig",
        ],
    ),
    (
        "asset",
        &["asset", "equipment", "apparatus", "betriebsmittel"],
    ),
    (
        "tank",
        &[
            "tank",
            "reservoir",
            "behälter",
            "behaelter",
            "transformer",
            "transformator",
            "trafo",
            "ölbehälter",
        ],
    ),
    ("chamber", &["chamber", "kammer", "chmbr", "kessel"]),
    ("pressure", &["pressure", "press", "prs", "p", "druck"]),
    ("vacuum", &["vacuum", "vac", "vakuum", "unterdruck"]),
    ("gauge", &["gauge", "gage", "manometer"]),
    ("pump", &["pump", "pumpe", "pumpen"]),
    (
        "inlet",
        &[
            "in", "inlet", "eintritt", "vorlauf", "zulauf", "einlass", "entering", "entry",
        ],
    ),
    (
        "outlet",
        &[
            "out",
            "outlet",
            "austritt",
            "rücklauf",
            "ruecklauf",
            "ablauf",
            "auslass",
            "leaving",
            "return",
        ],
    ),
    ("supply", &["supply", "zufuhr"]),
    ("oil", &["oil", "öl", "oel", "fluid", "isolieröl"]),
    ("temp", &["temp", "temperature", "temperatur", "t", "tmp"]),
    (
        "flow",
        &[
            "flow",
            "flowrate",
            "durchfluss",
            "durchfluß",
            "fluss",
            "volumenstrom",
            "förderstrom",
            "q",
        ],
    ),
    (
        "discharge",
        &["discharge", "disch", "delivery", "druckseite"],
    ),
    ("suction", &["suction", "saug", "ansaug", "saugseite"]),
    ("filter", &["filter", "filters"]),
    (
        "delta",
        &[
            "dp",
            "delta",
            "differential",
            "diff",
            "differenz",
            "Δp",
            "δp",
        ],
    ),
    ("frequency", &["frequency", "freq", "frequenz", "hz", "vfd"]),
    (
        "water",
        &["water", "wasser", "h2o", "moisture", "wassergehalt"],
    ),
    ("humidity", &["feuchte", "feuchtigkeit", "humidity"]),
    (
        "activity",
        &[
            "activity",
            "aw",
            "act",
            "aktivität",
            "rs",
            "rh",
            "rf",
            "saturation",
            "sättigung",
            "sat",
        ],
    ),
    ("ppm", &["ppm"]),
    ("probe", &["probe", "sensor", "fühler", "sonde"]),
    (
        "vent",
        &[
            "vent",
            "bleed",
            "lüftung",
            "lueftung",
            "belüftung",
            "entlüftung",
            "lüftungs",
        ],
    ),
    ("valve", &["valve", "ventil"]),
    (
        "heater",
        &[
            "heater", "heizung", "heiz", "htr", "heat", "heating", "erhitzer",
        ],
    ),
    ("power", &["power", "leistung"]),
    (
        "on",
        &["on", "run", "running", "betrieb", "state", "läuft", "runs"],
    ),
    ("setpoint", &["setpoint", "sp", "sollwert", "soll", "set"]),
    ("current", &["amps", "amp", "current", "strom", "ampere"]),
    ("level", &["level", "lvl", "füllstand", "niveau", "pegel"]),
    ("sump", &["sump", "condensate", "kondensat", "receiver"]),
    (
        "ambient",
        &[
            "ambient",
            "umgebung",
            "umgebungs",
            "room",
            "raum",
            "air",
            "luft",
            "aussen",
        ],
    ),
    (
        "baro",
        &[
            "baro",
            "barometer",
            "barometric",
            "atmospheric",
            "atmosphere",
            "luftdruck",
        ],
    ),
    (
        "hours",
        &[
            "hours",
            "hourmeter",
            "runhours",
            "stunden",
            "betriebsstunden",
            "hrs",
        ],
    ),
    (
        "total",
        &[
            "total",
            "totalizer",
            "totaliser",
            "totalized",
            "summe",
            "zähler",
            "counter",
        ],
    ),
    (
        "alarm",
        &[
            "alarm",
            "alarms",
            "fault",
            "faults",
            "störung",
            "stoerung",
            "fehler",
            "warning",
            "meldung",
            "störmeldung",
        ],
    ),
    (
        "sample",
        &[
            "sample",
            "smp",
            "probe_",
            "proben",
            "probennummer",
            "probennr",
            "muster",
        ],
    ),
    (
        "taken",
        &[
            "taken",
            "drawn",
            "sampled",
            "entnahme",
            "probenahme",
            "entnommen",
            "collected",
        ],
    ),
    (
        "report",
        &[
            "report",
            "bericht",
            "berichtsnummer",
            "certificate",
            "zertifikat",
            "labno",
            "prüfbericht",
        ],
    ),
    (
        "reported",
        &[
            "reported",
            "issued",
            "berichtsdatum",
            "released",
            "freigabe",
        ],
    ),
    ("lab", &["lab", "laboratory", "labor"]),
    (
        "point",
        &["point", "where", "position", "entnahmestelle", "stelle"],
    ),
    ("kf", &["kf", "fischer"]),
    (
        "cleanliness",
        &[
            "4406",
            "iso4406",
            "cleanliness",
            "clean",
            "reinheit",
            "reinheitsklasse",
            "iso4406code",
        ],
    ),
    (
        "viscosity",
        &["viscosity", "visc", "viskosität", "viskositaet", "visk"],
    ),
    ("kv40", &["v40", "kv40", "visc40", "ny40"]),
    ("kv100", &["kv100", "v100", "visc100"]),
    ("40", &["40", "40c"]),
    ("100", &["100", "100c"]),
    (
        "acid",
        &[
            "tan",
            "acid",
            "acidity",
            "neutralisation",
            "neutralization",
            "nz",
            "säurezahl",
            "an",
        ],
    ),
    (
        "breakdown",
        &[
            "breakdown",
            "bdv",
            "durchschlagspannung",
            "durchschlag",
            "durchschlags",
            "dielectric",
        ],
    ),
    (
        "analyte",
        &[
            "test",
            "analyte",
            "parameter",
            "property",
            "element",
            "prüfung",
            "kenngröße",
            "determination",
            "messgröße",
        ],
    ),
    ("result", &["result", "ergebnis", "messwert", "befund"]),
    ("value", &["value", "val", "wert", "reading", "pv"]),
    ("uom", &["einheit", "uom", "units", "eu"]),
    (
        "method",
        &["method", "methode", "norm", "standard", "verfahren"],
    ),
    ("detection", &["detection", "lod", "nachweis"]),
    ("qualifier", &["qualifier", "censor", "sign"]),
    (
        "limit",
        &[
            "limit",
            "max",
            "maximum",
            "grenzwert",
            "grenze",
            "nachweisgrenze",
        ],
    ),
    ("class", &["class", "klasse", "size", "baugröße", "grösse"]),
    (
        "rated",
        &["rated", "nameplate", "nominal", "nenn", "design"],
    ),
    ("type", &["type", "kind", "typ", "art"]),
    (
        "volume",
        &[
            "volume",
            "volumen",
            "gallons",
            "gallon",
            "litres",
            "liters",
            "litre",
            "capacity",
            "inhalt",
            "menge",
            "füllmenge",
            "qty",
            "quantity",
        ],
    ),
    (
        "service",
        &[
            "service",
            "application",
            "use",
            "verwendung",
            "einsatz",
            "duty",
        ],
    ),
    (
        "commissioned",
        &["commissioned", "installed", "inbetriebnahme", "baujahr"],
    ),
    ("home", &["home", "base", "heimat", "depot"]),
    (
        "site",
        &[
            "site", "place", "location", "plant", "standort", "ort", "werk", "station",
        ],
    ),
    ("family", &["family", "families", "familie"]),
    ("insulating", &["insulating", "isolieröltauglich"]),
    ("name", &["name", "bezeichnung", "title"]),
    ("id", &["id", "no", "nr", "number", "nummer", "key", "ref"]),
    ("code", &["code", "kürzel", "ereigniscode"]),
    ("event", &["event", "ereignis"]),
    (
        "altitude",
        &["altitude", "elevation", "height", "höhe", "masl", "alt"],
    ),
    ("timezone", &["timezone", "tz", "zeitzone", "zone"]),
    (
        "product",
        &["product", "produkt", "brand", "sorte", "ölsorte"],
    ),
    ("vg", &["vg", "isovg"]),
    ("density", &["density", "rho15", "rho", "dichte"]),
    ("a", &["a"]),
    ("b", &["b"]),
    ("solubility", &["solubility", "löslichkeit"]),
    ("flash", &["flash", "flammpunkt", "flashpoint"]),
    ("basis", &["basis", "grundlage"]),
    ("coldest", &["coldest", "kältest", "tmin"]),
    ("hottest", &["hottest", "tmax"]),
    ("min", &["min", "minimum"]),
    (
        "criticality",
        &[
            "criticality",
            "weight",
            "priority",
            "kritikalität",
            "gewicht",
        ],
    ),
    ("paper", &["paper", "papier"]),
    ("energised", &["live", "energised", "energized", "spannung"]),
    ("pcb", &["pcb", "pcbs"]),
    ("breather", &["breather", "atmer", "luftentfeuchter"]),
    (
        "from",
        &["from", "start", "begin", "von", "ab", "started", "beginn"],
    ),
    (
        "to",
        &["to", "end", "until", "bis", "till", "ended", "ende"],
    ),
    (
        "action",
        &[
            "action",
            "what",
            "work",
            "task",
            "job",
            "tätigkeit",
            "arbeit",
            "massnahme",
            "maßnahme",
            "was",
        ],
    ),
    (
        "note",
        &[
            "note",
            "notes",
            "remark",
            "remarks",
            "comment",
            "comments",
            "bemerkung",
            "bemerkungen",
            "kommentar",
        ],
    ),
    (
        "text",
        &["text", "message", "description", "beschreibung", "klartext"],
    ),
    (
        "tag",
        &[
            "tag",
            "tagname",
            "signal",
            "variable",
            "channel",
            "kanal",
            "messstelle",
            "item",
            "pointname",
        ],
    ),
    (
        "quality",
        &["quality", "qualität", "status", "flag", "qual"],
    ),
];

/// Words that say nothing about the meaning.
const FILLERS: &[&str] = &[
    "iso", "of", "the", "der", "die", "das", "at", "actual", "ist", "act_", "local", "utc", "gmt",
    "m", "pct", "percent", "abs", "rel", "inlet_",
];

/// Letters that may join the parts of a German compound.
const LINKS: &[&str] = &["", "s", "n", "en", "es"];

/// The words of a text: runs of letters and digits in lower case, `%` by itself, camel case apart.
pub(super) fn tokens(text: &str) -> Vec<String> {
    let mut out: Vec<String> = vec![String::new()];
    let mut was_lower = false;
    for c in text.chars() {
        if !c.is_alphanumeric() {
            out.push(if c == '%' {
                "%".to_owned()
            } else {
                String::new()
            });
            if c == '%' {
                out.push(String::new());
            }
            was_lower = false;
            continue;
        }
        if c.is_uppercase() && was_lower {
            out.push(String::new());
        }
        was_lower = c.is_lowercase();
        if let Some(last) = out.last_mut() {
            last.extend(c.to_lowercase());
        }
    }
    out.retain(|token| !token.is_empty());
    out
}

/// The meaning of one whole word.
fn meaning_of(word: &str) -> Option<&'static str> {
    MEANINGS
        .iter()
        .find(|(_, words)| words.contains(&word))
        .map(|(meaning, _)| *meaning)
}

/// The meanings of a token: of the whole word, or of every part of a compound; empty if unknown.
pub(super) fn meanings(token: &str) -> Vec<&'static str> {
    if let Some(found) = meaning_of(token) {
        return vec![found];
    }
    if token == "vp" {
        return vec!["vacuum", "pump"];
    }
    // Numbered or joined to an abbreviation: `Temp1`, `Flow2`.
    let bare = token.trim_end_matches(|c: char| c.is_ascii_digit());
    if bare != token
        && bare.len() > 2
        && let Some(found) = meaning_of(bare)
    {
        return vec![found];
    }
    compound(token, 3).unwrap_or_default()
}

/// A word that consists of known words of three letters and more (and `öl`) from end to end.
fn compound(word: &str, most: usize) -> Option<Vec<&'static str>> {
    if word.is_empty() {
        return Some(Vec::new());
    }
    if most == 0 {
        return None;
    }
    // The longest known start first, so that `durchfluss` does not end as something shorter.
    let mut ends: Vec<usize> = word.char_indices().map(|(at, _)| at).skip(2).collect();
    ends.push(word.len());
    for end in ends.into_iter().rev() {
        let (Some(head), Some(rest)) = (word.get(..end), word.get(end..)) else {
            continue;
        };
        if head.chars().count() < 3 && head != "öl" {
            continue;
        }
        let Some(first) = meaning_of(head) else {
            continue;
        };
        for link in LINKS {
            if let Some(left) = rest.strip_prefix(link)
                && (link.is_empty() || !left.is_empty())
                && let Some(mut found) = compound(left, most - 1)
            {
                found.insert(0, first);
                return Some(found);
            }
        }
    }
    None
}

/// Whether a token carries no meaning of its own.
pub(super) fn is_filler(token: &str) -> bool {
    FILLERS.contains(&token) || token.chars().all(|c| c.is_ascii_digit())
}
