//! Which columns are looked at, and what their unit is.

/// Whether `text` fits a pattern in which `*` stands for any run of characters.
pub(crate) fn fits(pattern: &str, text: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = text.strip_prefix(first) else {
        return false;
    };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else {
        return rest.is_empty();
    };
    for part in parts {
        let Some(at) = rest.find(part) else {
            return false;
        };
        rest = &rest[at + part.len()..];
    }
    rest.len() >= last.len() && rest.ends_with(last)
}

/// Whether a column of a table is among those named and not among the exceptions.
pub(crate) fn chosen(columns: &[String], except: &[String], table: &str, column: &str) -> bool {
    let full = format!("{table}.{column}");
    let any = |patterns: &[String]| patterns.iter().any(|p| fits(p, &full));
    any(columns) && !any(except)
}

/// Units by what column names end with, longest first.
const UNITS: [(&str, &str); 20] = [
    ("_cy_px", "cycles/px"),
    ("_cy_mm", "cycles/mm"),
    ("_permille", "permille"),
    ("_per_mm2", "1/mm2"),
    ("_per_mm", "1/mm"),
    ("_per_dm", "1/dm"),
    ("_mm2", "mm2"),
    ("_pct", "%"),
    ("_deg", "degree"),
    ("_dpi", "dpi"),
    ("_de00", "CIEDE2000"),
    ("_de", "CIEDE2000"),
    ("_um", "um"),
    ("_mm", "mm"),
    ("_px", "px"),
    ("_dm", "dm"),
    ("_sd", ""),
    ("_db", "dB"),
    ("_k", "K"),
    ("_s", "s"),
];

/// The unit a column's name ends with; empty where it ends with none.
pub(crate) fn unit(column: &str) -> &'static str {
    UNITS
        .iter()
        .find(|(end, _)| column.ends_with(end))
        .map_or("", |(_, unit)| unit)
}
