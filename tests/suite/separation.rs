//! The sample's first sheets taken apart, through the preset.

use crate::bench::{column, restrike, root, rows, run_preset, said};
use restrike_synth::{Format, Pixels};

/// A sheet of the sample as a grey scan.
fn in_grey(name: &str) -> image::GrayImage {
    let (design, sheets) = restrike_synth::sample::sample(300.0, Format::TiffLzw);
    let mut sheet = sheets.into_iter().find(|s| s.name == name).unwrap();
    sheet.scan.bits = 8;
    let r = restrike_synth::render(&design, &sheet).unwrap();
    let Pixels::U8(rgb) = r.pixels else {
        panic!("rendered with 8 bits");
    };
    let green = rgb.chunks_exact(3).map(|p| p[1]).collect();
    image::GrayImage::from_raw(r.width, r.height, green).unwrap()
}

#[test]
fn the_preset_for_planes_takes_the_first_sheets_apart() {
    let dir = tempfile::tempdir().unwrap();
    let scans = dir.path().join("scans");
    // Of the sample only the proofs and a reference.
    let (design, mut sheets) = restrike_synth::sample::sample(300.0, Format::TiffLzw);
    sheets.retain(|s| s.role.starts_with("proof") || s.name == "2026-001");
    assert_eq!(sheets.len(), 7 + 1);
    restrike_synth::write_run(&design, &sheets, &scans).unwrap();
    in_grey("2026-006")
        .save(scans.join("2026-006-grey.png"))
        .unwrap();
    let all = std::fs::read_to_string(root().join("sample-config/first-proofs.csv")).unwrap();
    let mut few: Vec<String> = all
        .lines()
        .filter(|l| l.starts_with("file,"))
        .map(|l| format!("{l},dpi"))
        .collect();
    few.extend(
        all.lines()
            .filter(|l| l.contains("-proof-") || l.starts_with("scans/2026-001."))
            .map(|l| format!("{l},")),
    );
    few.push("scans/2026-006-grey.png,2026-006-grey,2026,2026,7,run,300".to_owned());
    let list = dir.path().join("planes.csv");
    std::fs::write(&list, few.join("\n")).unwrap();
    let folder = dir.path().join("planes");
    run_preset("colour-planes.toml", &list, &folder, 3);
    let table = |name: &str| rows(&folder.join(format!("tables/{name}.csv")));

    let t = table("separation");
    let at = |name: &str| column(&t, name);
    let number = |r: &[String], name: &str| r[at(name)].parse::<f64>().unwrap();
    let measured: Vec<&Vec<String>> = t[1..]
        .iter()
        .filter(|r| r[at("status")] == "measured")
        .collect();
    assert_eq!(measured.len(), 3 * 7, "whole and halves, seven blocks");
    for r in &measured {
        assert!(number(r, "printed_mm2") > 1.0, "{r:?}");
        // The gradation's mean is about half of its solid.
        let least = if r[at("block")] == "blue" { 0.5 } else { 0.6 };
        assert!((least..1.5).contains(&number(r, "strength")), "{r:?}");
        assert!(number(r, "shape_iou") > 0.85, "{r:?}");
        assert!(number(r, "confident_share") > 0.8, "{r:?}");
    }
    let grey: Vec<&Vec<String>> = t[1..]
        .iter()
        .filter(|r| r[at("impression")] == "2026-006-grey")
        .collect();
    assert_eq!(grey.len(), 1);
    assert_eq!(grey[0][at("status")], "no colour");
    assert!(grey[0][at("reason")].contains("scan it in colour"));

    // The sample's inks are transparent: nothing asks for another model, and what is left of
    // each overprint is within what it is said to be uncertain by.
    let inks = table("inks");
    assert_eq!(inks.len(), 1 + 7);
    let over = table("overprints");
    assert!(over.len() > 3, "{over:?}");
    let at = |name: &str| column(&over, name);
    for r in &over[1..] {
        assert_eq!(r[at("model")], "layered absorption", "{r:?}");
    }

    // Planes for programs are 16-bit grey; people's pictures are there beside them.
    let pictures = folder.join("pictures/colour-separation");
    let names: Vec<String> = std::fs::read_dir(pictures)
        .unwrap()
        .map(|e| e.unwrap().path().to_string_lossy().into_owned())
        .collect();
    let of = |what: &str| {
        let mut list: Vec<&String> = names.iter().filter(|n| n.contains(what)).collect();
        list.sort();
        list
    };
    assert_eq!(of("plane-red").len(), 1, "{names:?}");
    assert_eq!(of("blocks").len(), 1, "{names:?}");
    let plane = image::open(of("plane-red")[0]).unwrap();
    assert_eq!(plane.color(), image::ColorType::L16);
    assert!(folder.join("record").is_dir());
    // The record's inks serve a later run.
    let shown = restrike()
        .arg("record")
        .arg(folder.join("record"))
        .output()
        .unwrap();
    said(&shown, 0);
    assert!(String::from_utf8_lossy(&shown.stdout).contains("inks: "));
}
