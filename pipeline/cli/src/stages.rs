//! `restrike stages`: what there is, and what each stage takes and gives.

use restrike_host::{Library, Search};
use restrike_model::Manifest;

use crate::args::StagesArgs;
use crate::{End, json_text, print};

/// End of the version of a stage that only tests use; a build tree holds one.
const FOR_TESTS: &str = "-test";

pub(crate) fn show(args: &StagesArgs) -> Result<u8, End> {
    let search = Search::new(args.search.plugin_dir.clone());
    let libraries: Vec<Library> = match &args.name {
        Some(name) => {
            let path = search.find(name).map_err(End::refused)?;
            vec![Library::open_as(name, &path, None).map_err(End::refused)?]
        }
        None => search
            .all()
            .iter()
            .filter_map(|p| Library::open(p, None).ok())
            .filter(|l| !l.manifest().version.ends_with(FOR_TESTS))
            .collect(),
    };
    let manifests: Vec<&Manifest> = libraries.iter().map(Library::manifest).collect();
    if args.json {
        let value = match (&args.name, manifests.first()) {
            (Some(_), Some(m)) => serde_json::to_value(m),
            _ => serde_json::to_value(&manifests),
        };
        return print(&json_text(&value.map_err(End::failed)?));
    }
    let text: String = match &args.name {
        None => manifests
            .iter()
            .map(|m| format!("{:<18}{}\n", m.name, m.summary))
            .collect(),
        Some(_) => libraries
            .iter()
            .map(|l| {
                format!(
                    "{}library: {}\nsha256: {}\n",
                    described(l.manifest()),
                    l.path().display(),
                    l.sha256()
                )
            })
            .collect(),
    };
    print(&text)
}

fn described(m: &Manifest) -> String {
    let mut text = format!("{} {}: {}\n", m.name, m.version, m.summary);
    let list = |names: &[String]| names.join(", ");
    if !m.needs.tables.is_empty() || !m.needs.images.is_empty() {
        let all: Vec<String> = [m.needs.tables.clone(), m.needs.images.clone()].concat();
        text.push_str(&format!("needs: {}\n", list(&all)));
    }
    if let Some(settings) = m.settings["properties"].as_object() {
        text.push_str("settings:\n");
        for (name, s) in settings {
            let default = match &s["default"] {
                serde_json::Value::Null => String::new(),
                d => format!(" (default {d})"),
            };
            let words = s["description"].as_str().unwrap_or_default();
            let choices = restrike_engine::schema_choices(&m.settings, s);
            let kind = if !choices.is_empty() {
                choices.join(" | ")
            } else {
                match &s["type"] {
                    serde_json::Value::String(t) => t.clone(),
                    serde_json::Value::Array(t) => {
                        // What may be null in the schema is left out in a config.
                        let all: Vec<&str> = t
                            .iter()
                            .filter_map(|t| t.as_str())
                            .map(|t| if t == "null" { "empty" } else { t })
                            .collect();
                        all.join(" or ")
                    }
                    _ => "table".to_owned(),
                }
            };
            let bound = |key: &str| s[key].as_f64();
            let range = match (bound("minimum"), bound("maximum")) {
                (Some(a), Some(b)) => format!(" from {a} to {b}"),
                (Some(a), None) => format!(" from {a}"),
                (None, Some(b)) => format!(" to {b}"),
                (None, None) => String::new(),
            };
            text.push_str(&format!("  {name}: {kind}{range}{default}: {words}\n"));
        }
    }
    for t in m.gives.tables.iter().filter(|t| !t.internal) {
        text.push_str(&format!("table {}: {}\n", t.name, t.title));
        for c in &t.columns {
            let unit = if c.unit.is_empty() {
                String::new()
            } else {
                format!(" [{}]", c.unit)
            };
            text.push_str(&format!("  {}{unit}: {}\n", c.name, c.description));
        }
    }
    for (what, names) in [
        ("pictures", &m.gives.pictures),
        ("record", &m.gives.records),
    ] {
        if !names.is_empty() {
            const MOST: usize = 9;
            let more = match names.len().saturating_sub(MOST) {
                0 => String::new(),
                n => format!(" and {n} more"),
            };
            let shown = &names[..names.len().min(MOST)];
            text.push_str(&format!("{what}: {}{more}\n", list(shown)));
        }
    }
    text
}
