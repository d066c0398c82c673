//! `restrike record`: what a block record holds.

use std::path::Path;

use restrike_engine::{Record, Refusal};
use serde_json::Value;

use crate::{End, print, record_drawing};

/// Longest list of numbers that is printed in full.
const FULL: usize = 6;

/// Longest list of which every entry is told.
const MANY: usize = 30;

/// Prints a record folder's parts; those in JSON with what they say. Draws the
/// blocks into a folder if one is given.
pub(crate) fn show(folder: &Path, drawings: Option<&Path>) -> Result<u8, End> {
    if !folder.join("record.json").exists() {
        return Err(End::refused(Refusal::new(
            folder,
            None,
            "holds no block record (no record.json); a run writes one into `record` in its output folder",
        )));
    }
    let record = Record::load(folder).map_err(End::refused)?;
    let mut text = String::new();
    for (name, part) in &record.parts {
        text.push_str(&format!(
            "{name}: {} bytes, learned by stage {}\n",
            part.data.len(),
            part.stage
        ));
        if let Ok(value) = serde_json::from_slice::<Value>(&part.data) {
            tell(&value, 1, &mut text);
        }
    }
    if let Some(to) = drawings {
        for path in record_drawing::write(&record, to)? {
            text.push_str(&format!("drawn: {}\n", path.display()));
        }
    }
    print(&text)
}

/// A value in indented lines; long lists by their length.
fn tell(value: &Value, depth: usize, out: &mut String) {
    let pad = "  ".repeat(depth);
    match value {
        Value::Object(map) => {
            for (key, v) in map {
                match short(v) {
                    Some(words) => out.push_str(&format!("{pad}{key}: {words}\n")),
                    None => {
                        out.push_str(&format!("{pad}{key}:\n"));
                        tell(v, depth + 1, out);
                    }
                }
            }
        }
        Value::Array(list) => {
            for (n, v) in list.iter().enumerate() {
                match short(v) {
                    Some(words) => out.push_str(&format!("{pad}- {words}\n")),
                    None => {
                        out.push_str(&format!("{pad}- {}\n", n + 1));
                        tell(v, depth + 1, out);
                    }
                }
            }
        }
        other => out.push_str(&format!("{pad}{other}\n")),
    }
}

/// A value in one line, if it is short or a long list of plain values.
fn short(value: &Value) -> Option<String> {
    match value {
        Value::Array(list) if list.len() > MANY => Some(format!("{} entries", list.len())),
        Value::Array(list) => {
            let plain = list.iter().all(|v| v.is_number() || v.is_boolean());
            if plain && list.len() <= FULL {
                let all: Vec<String> = list.iter().map(rounded).collect();
                return Some(all.join(", "));
            }
            let nested = list
                .iter()
                .all(|v| v.as_array().is_some_and(|l| l.iter().all(Value::is_number)));
            (plain || nested).then(|| format!("{} entries", list.len()))
        }
        Value::Object(_) => None,
        Value::String(s) if s.len() > 200 => Some(format!("{} characters", s.len())),
        Value::String(s) => Some(s.clone()),
        other => Some(rounded(other)),
    }
}

/// A number as a person reads it; the file holds all its digits.
fn rounded(value: &Value) -> String {
    match value.as_f64() {
        Some(v) if !value.is_i64() && !value.is_u64() => format!("{v:.4}"),
        _ => value.to_string(),
    }
}
