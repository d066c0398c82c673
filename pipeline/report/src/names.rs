//! What files are called. All paths are relative to the output folder, with
//! `/` between parts, in lower-case ASCII letters, digits, `-`, `_` and `.`,
//! so that they are safe on any file system and in a link as they stand.

use restrike_model::Impression;

/// Longest part a name is cut to, in characters.
const LONGEST: usize = 60;

/// Names Windows keeps for devices (Microsoft, "Naming Files, Paths, and
/// Namespaces", https://learn.microsoft.com/windows/win32/fileio/naming-a-file).
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// A name made safe: lower case, anything but letters, digits, `_` and `.`
/// turned to a single `-`. Empty if nothing is left.
pub fn safe(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        if c.is_ascii_alphanumeric() || c == '_' {
            out.push(c.to_ascii_lowercase());
        } else if c == '.' && !out.ends_with(['.', '-']) && !out.is_empty() {
            out.push('.');
        } else if !out.ends_with('-') && !out.is_empty() {
            out.push('-');
        }
        if out.len() == LONGEST {
            break;
        }
    }
    out.truncate(out.trim_end_matches(['-', '.']).len());
    let stem = out.split('.').next().unwrap_or_default();
    let numbered = stem.len() == 4
        && (stem.starts_with("com") || stem.starts_with("lpt"))
        && stem.ends_with(|c: char| c.is_ascii_digit());
    if DEVICES.contains(&stem) || numbered {
        out.insert(0, '_');
    }
    out
}

/// A sheet's part of a file name: its place in the sheet list, which makes it
/// unique, then the impression's name as far as it is safe (`012-heron-1978-3`).
pub fn sheet_stem(impression: &Impression) -> String {
    stem(impression.sheet, &impression.impression)
}

/// [`sheet_stem`] from its parts.
pub fn stem(sheet: usize, impression: &str) -> String {
    let name = safe(impression);
    if name.is_empty() {
        format!("{sheet:03}")
    } else {
        format!("{sheet:03}-{name}")
    }
}

/// Where a table goes: `tables/<table>.csv`.
pub fn table_path(table: &str) -> String {
    // No further dot: the data package names the table after its file.
    let name = safe(table).replace('.', "-");
    format!("tables/{}.csv", or(name, "table"))
}

/// Where a picture goes: `pictures/<stage>/<sheet stem>-<picture>.<extension>`,
/// or `pictures/<stage>/run-<picture>.<extension>` for one about the whole run.
pub fn picture_path(
    stage: &str,
    sheet: Option<(usize, &str)>,
    picture: &str,
    extension: &str,
) -> String {
    let stem = sheet.map_or_else(|| "run".to_owned(), |(n, name)| stem(n, name));
    let stage = or(safe(stage), "stage");
    let picture = or(safe(picture), "picture");
    format!("pictures/{stage}/{stem}-{picture}.{extension}")
}

fn or(name: String, otherwise: &str) -> String {
    if name.is_empty() {
        otherwise.to_owned()
    } else {
        name
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_names_become_safe_and_stay_apart_by_their_number() {
        for (from, to) in [
            ("Heron 1978 / 3", "heron-1978-3"),
            ("../../etc/passwd", "etc-passwd"),
            ("a\\b:c*?\"<>|", "a-b-c"),
            ("...", ""),
            ("鷺", ""),
            ("Ärger", "rger"),
            ("v1.2.tif", "v1.2.tif"),
            ("CON", "_con"),
            ("nul.txt", "_nul.txt"),
            ("com7", "_com7"),
            ("trailing. ", "trailing"),
        ] {
            assert_eq!(safe(from), to, "{from}");
        }
        assert!(safe(&"x".repeat(500)).len() <= LONGEST);
        let at = |n, name| picture_path("deskew", Some((n, name)), "overlay", "png");
        assert_eq!(
            at(12, "Heron 1978-3"),
            "pictures/deskew/012-heron-1978-3-overlay.png"
        );
        assert_eq!(at(1234, "鷺"), "pictures/deskew/1234-overlay.png");
        assert_ne!(at(1, "a b"), at(2, "a/b"));
    }
}
