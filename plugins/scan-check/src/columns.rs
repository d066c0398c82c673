//! The stage's table.

use restrike_stage::{ColumnSpec, Scope, TableSpec};

/// Name of the table.
pub(crate) const TABLE: &str = "scan-check";

/// The table's declaration.
pub(crate) fn table() -> TableSpec {
    let mut columns = Vec::new();
    resolution(&mut columns);
    clipping(&mut columns);
    focus(&mut columns);
    paper(&mut columns);
    target(&mut columns);
    levels(&mut columns);
    fitness(&mut columns);
    TableSpec {
        name: TABLE.to_owned(),
        title: "Fitness of the scans for measurement".to_owned(),
        scope: Scope::Sheet,
        internal: false,
        columns,
    }
}

fn number(c: &mut Vec<ColumnSpec>, name: &str, unit: &str, decimals: u8, text: &str) {
    c.push(ColumnSpec::number(name, unit, decimals, text));
}

fn text(c: &mut Vec<ColumnSpec>, name: &str, text: &str) {
    c.push(ColumnSpec::text(name, text));
}

fn resolution(c: &mut Vec<ColumnSpec>) {
    for (axis, way) in [("x", "across"), ("y", "down")] {
        number(
            c,
            &format!("stated_{axis}_dpi"),
            "dpi",
            2,
            &format!("Resolution {way} in force."),
        );
    }
    text(c, "stated_source", "Where the resolution in force is from.");
    for (axis, way) in [("x", "across"), ("y", "down")] {
        number(
            c,
            &format!("measured_{axis}_dpi"),
            "dpi",
            2,
            &format!(
                "Resolution {way} that the sheet's nominal size implies; empty where a side of the paper is outside the scan. As uncertain as the sheet's size."
            ),
        );
    }
    for (axis, way) in [("x", "across"), ("y", "down")] {
        number(
            c,
            &format!("ratio_{axis}"),
            "1",
            4,
            &format!("Measured over stated resolution {way}."),
        );
    }
    c.push(ColumnSpec::boolean(
        "resolution_contradicts",
        "Whether a ratio differs from 1 by more than the setting resolution_tolerance_pct. Nothing is rescaled.",
    ));
    text(c, "measured_reason", "Why a resolution was not measured.");
}

fn clipping(c: &mut Vec<ColumnSpec>) {
    for (name, at) in [("highlights", "full scale"), ("shadows", "zero")] {
        number(
            c,
            &format!("{name}_clipped_pct"),
            "%",
            3,
            &format!(
                "Share of the sheet's pixels at {at}, in the worst channel. Rows are sampled."
            ),
        );
        for channel in ["red", "green", "blue"] {
            number(
                c,
                &format!("{name}_{channel}_pct"),
                "%",
                3,
                &format!(
                    "Share of the sheet's pixels at {at} in {channel}; empty for a grey scan."
                ),
            );
        }
    }
    c.push(ColumnSpec::integer(
        "levels_used",
        "",
        "Distinct sample values in a sample of rows, fewest of any channel, after conversion to linear light. 256 or fewer in a 16-bit file: it holds 8-bit data.",
    ));
    number(
        c,
        "code_gaps_pct",
        "%",
        1,
        "Share of the 8-bit codes between the darkest and the lightest in use that no pixel has, worst channel: a stretched histogram. A conversion through a colour profile fills gaps, so a small value proves nothing there.",
    );
}

fn focus(c: &mut Vec<ColumnSpec>) {
    for (name, edges) in [("across", "run down"), ("down", "run across")] {
        for (mtf, level) in [("mtf50", "one half"), ("mtf10", "one tenth")] {
            number(
                c,
                &format!("{mtf}_{name}_cy_px"),
                "cycles/px",
                4,
                &format!(
                    "Frequency where the spatial frequency response (slanted edge, ISO 12233) on edges that {edges} falls to {level}: mean of the sharpest quarter of them. Cut and printed edges have a blur of their own, so the scanner is at least this sharp. At most 1."
                ),
            );
            for (end, word) in [("low", "Lower"), ("high", "Upper")] {
                number(
                    c,
                    &format!("{mtf}_{name}_{end}_cy_px"),
                    "cycles/px",
                    4,
                    &format!(
                        "{word} end of the 90 % interval of {mtf}_{name}_cy_px (bootstrap over edges; what all edges share is not in it)."
                    ),
                );
            }
            number(
                c,
                &format!("{mtf}_{name}_cy_mm"),
                "cycles/mm",
                3,
                &format!("{mtf}_{name}_cy_px at the resolution stated."),
            );
        }
        number(
            c,
            &format!("sampling_efficiency_{name}"),
            "1",
            3,
            "MTF10 over the Nyquist frequency, at most 1. A lower bound, as MTF10 is.",
        );
        c.push(ColumnSpec::integer(
            &format!("edges_{name}"),
            "",
            &format!("Edges measured that {edges}."),
        ));
    }
    text(c, "focus_reason", "Why the focus was not measured.");
}

fn paper(c: &mut Vec<ColumnSpec>) {
    c.push(ColumnSpec::integer(
        "paper_sides",
        "",
        "Sides of the paper found in the scan.",
    ));
    number(
        c,
        "paper_area_pct",
        "%",
        1,
        "Share of the sheet taken for unprinted paper: the margins where the print has them, else its lightest tone.",
    );
    number(
        c,
        "noise_sd_l",
        "L*",
        3,
        "Standard deviation of L* of neighbouring pixels on unprinted paper, second differences, robust: sensor noise and the finest paper texture. Too small where the file was smoothed or compressed.",
    );
    number(
        c,
        "texture_sd_l",
        "L*",
        3,
        "Standard deviation of L* within blocks of 16 pixels about their plane, robust: the paper's texture counts in full. An upper bound of the noise.",
    );
    number(
        c,
        "signal_to_noise",
        "1",
        1,
        "Mean luminance of the paper over its fine standard deviation.",
    );
    number(
        c,
        "falloff_pct",
        "%",
        2,
        "Largest less smallest luminance of a quadratic surface fitted to the unprinted paper, in its mean; over the paper seen, nothing extrapolated. The paper's own toning is in it.",
    );
    number(c, "falloff_l", "L*", 2, "The same in L*.");
    number(
        c,
        "falloff_residual_l",
        "L*",
        2,
        "Robust standard deviation of small patches about that surface.",
    );
    for (name, what) in [("l", "L*"), ("a", "a*"), ("b", "b*")] {
        number(
            c,
            &format!("paper_{name}"),
            what,
            2,
            &format!(
                "Median {what} of unprinted paper, CIELAB under D50 (as ISO 13655), adapted from D65 by Bradford. White balance cannot be judged from toned paper: use a target."
            ),
        );
    }
    number(
        c,
        "paper_spread_de76",
        "ΔE*ab",
        2,
        "Median distance of small patches of paper from that colour.",
    );
    text(c, "paper_reason", "Why the paper was not measured.");
}

fn target(c: &mut Vec<ColumnSpec>) {
    number(
        c,
        "target_mean_de00",
        "ΔE00",
        2,
        "Mean CIEDE2000 of the target's patches.",
    );
    number(
        c,
        "target_p90_de00",
        "ΔE00",
        2,
        "90th percentile of CIEDE2000.",
    );
    number(c, "target_max_de00", "ΔE00", 2, "Largest CIEDE2000.");
    number(
        c,
        "target_tone_dl",
        "ΔL*",
        2,
        "Largest difference of L* from the reference on neutral patches.",
    );
    number(
        c,
        "target_white_balance",
        "ΔE(a*b*)",
        2,
        "Largest distance in a*, b* from the reference on neutral patches.",
    );
    text(c, "target_reason", "Why the target was not measured.");
}

fn levels(c: &mut Vec<ColumnSpec>) {
    for (name, what) in [
        ("resolution", "the resolution stated"),
        (
            "sampling_efficiency",
            "the lesser sampling efficiency (a lower bound)",
        ),
        ("noise", "noise_sd_l"),
        ("uniformity", "falloff_pct"),
        ("colour", "the target's colour differences"),
        ("tone", "target_tone_dl"),
        ("white_balance", "target_white_balance"),
    ] {
        text(
            c,
            &format!("would_meet_{name}"),
            &format!(
                "Published levels {what} would meet (FADGI, ISO 19264-1, Metamorfoze); no statement of conformity."
            ),
        );
    }
}

fn fitness(c: &mut Vec<ColumnSpec>) {
    for (name, mm) in [("100", "0.10"), ("150", "0.15"), ("300", "0.30")] {
        number(
            c,
            &format!("line_{name}um_px"),
            "px",
            2,
            &format!("Pixels across a line of {mm} mm, in the coarser direction."),
        );
    }
    number(
        c,
        "line_limit_mm",
        "mm",
        3,
        "Narrowest line whose width is measured: three pixels in the coarser direction.",
    );
    text(
        c,
        "fit_for",
        "What the scan can be measured for: registration, colour, tone, line wear; 'nothing' if none.",
    );
    text(c, "remarks", "What limits it.");
}
