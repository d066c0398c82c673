//! A block list proposed from a sheet of the sample, and what becomes of it.

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{White, linear_srgb_to_lab};
use restrike_synth::{Format, srgb_decode};

use crate::bench::{restrike, root, said};

/// CIELAB of `#rrggbb`.
fn lab(hex: &str) -> [f64; 3] {
    let byte = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    let linear = [1, 3, 5].map(|i| srgb_decode(f64::from(byte(i)) / 255.0));
    linear_srgb_to_lab(linear, White::D50)
}

/// Cells of a list without its comments; no cell of it is quoted.
fn lines(text: &str) -> Vec<Vec<String>> {
    text.lines()
        .filter(|l| !l.starts_with('#') && !l.is_empty())
        .map(|l| l.split(',').map(str::to_owned).collect())
        .collect()
}

#[test]
fn a_palette_is_proposed_and_refused_until_it_is_edited() {
    let dir = tempfile::tempdir().unwrap();
    let (design, mut sheets) = restrike_synth::sample::sample(300.0, Format::TiffLzw);
    sheets.retain(|s| s.name == "2026-001");
    let scans = dir.path().join("scans");
    restrike_synth::write_run(&design, &sheets, &scans).unwrap();
    let scan = scans.join("2026-001.tif");
    let list = dir.path().join("blocks.csv");
    let palette = |more: &[&str]| {
        restrike()
            .arg("palette")
            .arg(&scan)
            .arg("--out")
            .arg(&list)
            .args(more)
            .output()
            .unwrap()
    };
    said(&palette(&[]), 0);
    let text = std::fs::read_to_string(&list).unwrap();
    assert!(text.starts_with("# Proposed from 2026-001.tif"));

    // Most of the sample's inks are among the proposals: all but those that never lie alone.
    let found = lines(&text);
    assert!((5..=9).contains(&(found.len() - 1)), "{text}");
    let truth = std::fs::read_to_string(root().join("sample-config/blocks.csv")).unwrap();
    let known = lines(&truth);
    let known = &known[1..];
    assert_eq!(known.len(), 7);
    let hit = known
        .iter()
        .filter(|k| {
            found[1..]
                .iter()
                .any(|f| ciede2000(lab(&f[4]), lab(&k[4])) < 8.0)
        })
        .count();
    assert!(hit >= 5, "{hit} of 7\n{text}");
    // Of those that are found, the gradation is told from the solids.
    for f in &found[1..] {
        let known = known
            .iter()
            .find(|k| ciede2000(lab(&f[4]), lab(&k[4])) < 8.0);
        assert!(known.is_none_or(|k| k[3] == f[3]), "{f:?}\n{text}");
    }
    assert_eq!(found[1][2], "yes", "the first is taken for the key");

    // A second time nothing is overwritten, and a run does not trust it.
    said(&palette(&[]), 2);
    said(&palette(&["--replace"]), 0);
    let config = std::fs::read_to_string(root().join("configs/colour-planes.toml")).unwrap();
    let config = config
        .replace("../sample-config/blocks.csv", "blocks.csv")
        .replace("../sample-config/first-proofs.csv", "scans/sheets.csv")
        .replace("../sample-config/out-colour-planes", "out");
    let file = dir.path().join("pipeline.toml");
    std::fs::write(&file, config).unwrap();
    let check = restrike().arg("check").arg(&file).output().unwrap();
    let refusal = said(&check, 2);
    assert!(refusal.contains("block-1` is only proposed"), "{refusal}");
}
