//! Angles of real pages and prints, against copies of them turned by known angles.
//!
//! The scans come from outside (`tests/outside/fetch`: scikit-image's page.png
//! and text.png, Leptonica's pages); the copies are turned by Pillow, which
//! shares no code with this project. Known is the difference of two angles.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use restrike_stage::{ImageArea, Project, Raster, Role, Size, Stage};
use restrike_synth::srgb_decode;

use crate::Deskew;
use crate::tables::{IMAGES, SHEETS};
use crate::tests::{Capture, impression, info, measure, number, words};

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/data")
}

fn load(path: &Path) -> Option<Raster<u16>> {
    let picture = image::open(path).ok()?;
    let decode: Vec<u16> = (0..256)
        .map(|v| (srgb_decode(f64::from(v) / 255.0) * 65535.0).round() as u16)
        .collect();
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let (channels, bytes) = if picture.color().has_color() {
        (3, picture.to_rgb8().into_raw())
    } else {
        (1, picture.to_luma8().into_raw())
    };
    let data = bytes.iter().map(|v| decode[usize::from(*v)]).collect();
    Raster::from_vec(w, h, channels, data).ok()
}

/// Rotation, its standard error and source, or the remark.
fn angle(path: &Path, settings: &serde_json::Value) -> Result<(f64, f64, String), String> {
    told(&look_at(path, settings, &Project::default(), 150.0)?)
}

fn look_at(
    path: &Path,
    settings: &serde_json::Value,
    project: &Project,
    dpi: f64,
) -> Result<Capture, String> {
    let scan = load(path).ok_or("not read")?;
    let stage = Deskew::new(settings, project, &BTreeMap::new()).unwrap();
    let imp = impression(1, &path.to_string_lossy(), Role::Run);
    let inf = info(&scan, dpi);
    let mut out = Capture::default();
    stage.measure(measure(&imp, &inf, &scan), &mut out).unwrap();
    Ok(out)
}

fn told(out: &Capture) -> Result<(f64, f64, String), String> {
    if let Some(v) = out.verdicts.first() {
        return Err(format!("{}: {}", v.status, v.reason));
    }
    let row = out.table(IMAGES).next().unwrap();
    let sheet = out.table(SHEETS).next().unwrap();
    match number(row, "rotation_deg") {
        Some(v) => Ok((
            v,
            number(row, "rotation_se_deg").unwrap(),
            words(row, "angle_source").to_owned(),
        )),
        None => Err(format!(
            "{} {}",
            words(row, "remark"),
            words(sheet, "texture_remark")
        )),
    }
}

/// Copies of an original: file, angle.
fn copies(folder: &Path) -> Vec<(String, String, f64)> {
    let text = std::fs::read_to_string(folder.join("rotated/angles.csv")).unwrap_or_default();
    text.lines()
        .skip(1)
        .filter_map(|l| {
            let mut cells = l.split(',');
            let file = cells.next()?.to_owned();
            let of = cells.next()?.to_owned();
            let angle = cells.next()?.parse().ok()?;
            Some((of, file, angle))
        })
        .collect()
}

fn differences(
    folder: &Path,
    settings: &serde_json::Value,
    only: &[&str],
) -> Vec<(String, f64, Result<f64, String>)> {
    let mut originals: BTreeMap<String, Result<(f64, f64, String), String>> = BTreeMap::new();
    let mut out = Vec::new();
    for (of, file, turned) in copies(folder) {
        if !only.is_empty() && !only.contains(&of.as_str()) {
            continue;
        }
        let start = originals
            .entry(of.clone())
            .or_insert_with(|| angle(&folder.join(&of), settings))
            .clone();
        let copy = angle(&folder.join("rotated").join(&file), settings);
        let difference = match (start, copy) {
            (Ok(a), Ok(b)) if a.2 == b.2 => Ok(b.0 - a.0 - turned),
            (Ok(a), Ok(b)) => Err(format!("{} at {:.3}, then {} at {:.3}", a.2, a.0, b.2, b.0)),
            (a, b) => Err(format!("{a:?} {b:?}")),
        };
        out.push((file, turned, difference));
    }
    out
}

#[test]
fn turned_pages_of_scikit_image() {
    let folder = data().join("skimage");
    if copies(&folder).is_empty() {
        println!("not run: tests/outside/fetch skimage");
        return;
    }
    for settings in [
        serde_json::json!({}),
        serde_json::json!({"angle": "texture"}),
    ] {
        let all = differences(&folder, &settings, &[]);
        assert_eq!(all.len(), 20);
        for (file, _, d) in all {
            let d = d.unwrap_or_else(|why| panic!("{file}: {why}"));
            assert!(d.abs() <= 0.05, "{file}: {d} degrees off");
        }
    }
}

/// A woodblock print on a light mount, a grey scale beside it, as a project
/// would describe it. Its sizes are read off the picture, at 100 dpi for want
/// of a scale.
fn print_project() -> Project {
    Project {
        sheet: Some(Size {
            width_mm: 219.5,
            height_mm: 324.0,
        }),
        images: vec![ImageArea {
            name: "whole".to_owned(),
            x_mm: 0.0,
            y_mm: -5.4,
            width_mm: 206.7,
            height_mm: 306.5,
            border: true,
        }],
        ..Project::default()
    }
}

#[test]
#[ignore = "prints what is found on a real print"]
fn real_print_report() {
    let folder = data().join("prints");
    let mut files = vec![(folder.join("met-53449.png"), 0.0)];
    files.extend(
        copies(&folder)
            .into_iter()
            .filter(|c| c.1.starts_with("met") || c.0.starts_with("met"))
            .map(|c| {
                (
                    folder
                        .join("rotated")
                        .join(if c.0.contains('_') { &c.0 } else { &c.1 }),
                    c.2,
                )
            }),
    );
    for (file, turned) in files {
        let out = look_at(&file, &serde_json::json!({}), &print_project(), 100.0).unwrap();
        println!("{:?} turned {turned}", file.file_name().unwrap());
        for v in &out.verdicts {
            println!("   {}: {}", v.status, v.reason);
        }
        for n in &out.notes {
            println!("   {}", n.1);
        }
        for row in out
            .table(SHEETS)
            .chain(out.table(IMAGES))
            .chain(out.table(crate::tables::EDGES))
        {
            println!(
                "   {:?}",
                row.0
                    .iter()
                    .filter(|c| !c.0.starts_with("to_print"))
                    .map(|c| format!(
                        "{} {}",
                        c.0,
                        match c.1 {
                            restrike_stage::Value::Number(v) => format!("{v:.4}"),
                            restrike_stage::Value::Null => "-".into(),
                            other => format!("{other:?}"),
                        }
                    ))
                    .collect::<Vec<_>>()
                    .join(", ")
            );
        }
    }
}

#[test]
#[ignore = "prints the figures of all real pages"]
fn real_pages_report() {
    for set in ["skimage", "prints"] {
        for settings in [
            serde_json::json!({}),
            serde_json::json!({"angle": "texture"}),
        ] {
            println!("--- {set} {settings}");
            for (file, turned, d) in differences(&data().join(set), &settings, &[]) {
                println!(
                    "{file:<28} turned {turned:>6.2}: {}",
                    match d {
                        Ok(d) => format!("off by {d:+.4} deg"),
                        Err(why) => why,
                    }
                );
            }
        }
    }
    for entry in std::fs::read_dir(data().join("prints")).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            println!(
                "{:?}: {:?}",
                path.file_name().unwrap(),
                angle(&path, &serde_json::json!({}))
            );
        }
    }
}
