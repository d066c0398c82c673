//! Settings of the stage.

use schemars::JsonSchema;
use serde::Deserialize;

/// Settings of `scan-check`.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Difference between the resolution stated and the one the sheet's size implies that is
    /// called a contradiction, per cent. Sheets are cut by hand: below 1 the sheet is tested more
    /// than the scan.
    #[schemars(range(min = 0.1, max = 50.0))]
    pub(crate) resolution_tolerance_pct: f64,
    /// Share of the sheet's pixels that may be at full scale or at zero in a channel, per cent.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub(crate) clipped_limit_pct: f64,
    /// Resolution from which registration is measured well, dots per inch.
    #[schemars(range(min = 1.0, max = 10000.0))]
    pub(crate) registration_dpi: f64,
    /// Resolution from which the wear of lines is measured without a note, dots per inch.
    #[schemars(range(min = 1.0, max = 10000.0))]
    pub(crate) line_wear_dpi: f64,
    /// MTF50 below which a scan is called out of focus, cycles per pixel.
    #[schemars(range(min = 0.0, max = 0.5))]
    pub(crate) least_mtf50_cy_px: f64,
    /// Unevenness of the light on the paper above which colour is doubted, per cent.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub(crate) falloff_limit_pct: f64,
    /// Scatter of L* above which colour is doubted.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub(crate) noise_limit_l: f64,
    /// A colour target that lies in every scan.
    pub(crate) target: Option<TargetSettings>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            resolution_tolerance_pct: 2.0,
            clipped_limit_pct: 0.5,
            registration_dpi: 200.0,
            line_wear_dpi: 600.0,
            least_mtf50_cy_px: 0.1,
            falloff_limit_pct: 10.0,
            noise_limit_l: 4.0,
            target: None,
        }
    }
}

/// A colour target in the scan.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct TargetSettings {
    /// Left side of the field of patches from the scan's left side, mm.
    pub(crate) x_mm: f64,
    /// Upper side of the field of patches from the scan's upper side, mm.
    pub(crate) y_mm: f64,
    /// Width of the field of patches as it lies in the scan, mm.
    pub(crate) width_mm: f64,
    /// Height of the field of patches as it lies in the scan, mm.
    pub(crate) height_mm: f64,
    /// Rows of patches when the target is upright.
    #[schemars(range(min = 1, max = 100))]
    pub(crate) rows: usize,
    /// Patches a row when the target is upright.
    #[schemars(range(min = 1, max = 100))]
    pub(crate) columns: usize,
    /// How far the target is turned clockwise in the scan, in quarter turns.
    #[serde(default)]
    #[schemars(range(max = 3))]
    pub(crate) quarter_turns: u8,
    /// Reference colours, row by row from the upper left of the upright target.
    pub(crate) reference: Reference,
}

/// Where the reference colours come from.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub(crate) enum Reference {
    /// A target whose colours are built in.
    Known(KnownTarget),
    /// CIELAB under D50, one triple a patch.
    Lab(Vec<[f64; 3]>),
}

/// Targets whose colours are built in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
pub(crate) enum KnownTarget {
    /// The chart of 24 patches in four rows of six, as made since November 2014.
    #[serde(rename = "colorchecker24")]
    ColorChecker24,
}

impl TargetSettings {
    /// The reference colours.
    pub(crate) fn reference(&self) -> &[[f64; 3]] {
        match &self.reference {
            Reference::Known(KnownTarget::ColorChecker24) => &COLORCHECKER_24,
            Reference::Lab(list) => list,
        }
    }

    /// Whether the numbers make sense together; the reason if not.
    pub(crate) fn check(&self) -> Result<(), String> {
        let wanted = self.rows * self.columns;
        let have = self.reference().len();
        if wanted != have {
            return Err(format!(
                "target: rows x columns = {wanted}, but the reference has {have} colours"
            ));
        }
        let size = self.width_mm > 0.0 && self.height_mm > 0.0;
        let place = self.x_mm >= 0.0 && self.y_mm >= 0.0;
        if !size || !place {
            return Err(
                "target: x_mm and y_mm must be 0 or more, width_mm and height_mm more than 0"
                    .to_owned(),
            );
        }
        Ok(())
    }
}

/// CIELAB under D50. Source: X-Rite's figures since November 2014 as given by colour-science
/// 0.4.7, in tests/data/colorchecker24.csv.
pub(crate) const COLORCHECKER_24: [[f64; 3]; 24] = [
    [37.54, 14.37, 14.92],
    [64.66, 19.27, 17.5],
    [49.32, -3.82, -22.54],
    [43.46, -12.74, 22.72],
    [54.94, 9.61, -24.79],
    [70.48, -32.26, -0.37],
    [62.73, 35.83, 56.5],
    [39.43, 10.75, -45.17],
    [50.57, 48.64, 16.67],
    [30.1, 22.54, -20.87],
    [71.77, -24.13, 58.19],
    [71.51, 18.24, 67.37],
    [28.37, 15.42, -49.8],
    [54.38, -39.72, 32.27],
    [42.43, 51.05, 28.62],
    [81.8, 2.67, 80.41],
    [50.63, 51.28, -14.12],
    [49.57, -29.71, -28.32],
    [95.19, -1.03, 2.93],
    [81.29, -0.57, 0.44],
    [66.89, -0.75, -0.06],
    [50.76, -0.13, 0.14],
    [35.63, -0.46, -0.48],
    [20.64, 0.07, -0.46],
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn built_in_colours_are_those_of_the_table() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/data/colorchecker24.csv"
        );
        let text = std::fs::read_to_string(path).unwrap();
        let rows: Vec<[f64; 3]> = text
            .lines()
            .filter(|l| !l.starts_with('#'))
            .skip(1)
            .map(|l| {
                let f: Vec<&str> = l.split(',').collect();
                [4, 5, 6].map(|i: usize| f[i].parse().unwrap())
            })
            .collect();
        assert_eq!(rows, COLORCHECKER_24);
    }

    #[test]
    fn a_target_whose_list_is_short_is_refused_with_both_counts() {
        let target: TargetSettings = serde_json::from_value(serde_json::json!({
            "x_mm": 1, "y_mm": 1, "width_mm": 60, "height_mm": 40, "rows": 2, "columns": 3,
            "reference": [[50.0, 0.0, 0.0]]
        }))
        .unwrap();
        let reason = target.check().unwrap_err();
        assert!(reason.contains('6') && reason.contains('1'), "{reason}");
    }
}
