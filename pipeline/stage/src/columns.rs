//! Names of columns: patterns that stand for several, and units at their ends.

/// Whether `text` fits a pattern in which `*` stands for any run of characters.
pub fn fits(pattern: &str, text: &str) -> bool {
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

/// Ends of names and the unit each stands for, longer ones before those they end with.
pub const UNITS: [(&str, &str); 21] = [
    ("_cy_px", "cycles/px"),
    ("_cy_mm", "cycles/mm"),
    ("_permille", "permille"),
    ("_per_mm2", "1/mm2"),
    ("_per_mm", "1/mm"),
    ("_per_dm", "1/dm"),
    ("_mrad", "mrad"),
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
pub fn unit(column: &str) -> &'static str {
    UNITS
        .iter()
        .find(|(end, _)| column.ends_with(end))
        .map_or("", |(_, unit)| unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_any_run_of_characters() {
        for (pattern, text, fit) in [
            ("ochre", "ochre", true),
            ("ochre", "ochre2", false),
            ("*", "", true),
            ("mist*", "mist-2", true),
            ("*_mm", "dx_mm", true),
            ("a*a", "a", false),
            ("a*b*c", "a-b-b-c", true),
        ] {
            assert_eq!(fits(pattern, text), fit, "{pattern} {text}");
        }
    }

    #[test]
    fn a_unit_is_read_off_the_end_of_a_name() {
        for (column, want) in [
            ("shift_x_mm", "mm"),
            ("theta_mrad", "mrad"),
            ("strength", ""),
        ] {
            assert_eq!(unit(column), want);
        }
    }
}
