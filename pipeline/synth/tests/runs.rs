//! Runs: determinism, damage over time, wrong sheets, files.

// The platform's maths: independent of the renderer's.
#![allow(clippy::disallowed_methods)]

mod common;

use common::{Linear, blank_design, key_line, sheet};
use restrike_synth::design::Role;
use restrike_synth::sheet::{Damage, DamageKind};
use restrike_synth::{
    Design, DesignSpec, Difficulty, Family, Format, Pixels, RunSpec, SheetKind, Wrong, render,
    sample, write_run,
};

const FAMILIES: [Family; 5] = [
    Family::Landscape,
    Family::Figure,
    Family::Pattern,
    Family::Lettering,
    Family::Heron,
];

fn small(family: Family, difficulty: Difficulty) -> (Design, RunSpec) {
    let design = Design::generate(&DesignSpec {
        seed: 4,
        family,
        two_up: family == Family::Heron,
        ..DesignSpec::default()
    });
    let run = RunSpec {
        sheets: 2,
        dpi: 60.0,
        ..RunSpec::new(difficulty)
    };
    (design, run)
}

#[test]
fn same_seed_same_bytes() {
    for f in FAMILIES {
        let (design, run) = small(f, Difficulty::Hard);
        let (again, _) = small(f, Difficulty::Hard);
        assert_eq!(design, again);
        let s = &run.sheets(&design)[1];
        let (a, b) = (render(&design, s).unwrap(), render(&again, s).unwrap());
        assert_eq!(a.pixels, b.pixels);
        assert_eq!(a.truth, b.truth);
        // Another run seed is another picture.
        let other = RunSpec {
            seed: 2,
            ..run.clone()
        };
        let c = render(&design, &other.sheets(&design)[1]).unwrap();
        assert_ne!(a.pixels, c.pixels);
    }
}

/// Every family uses every block it has, keeps lines within the stated widths,
/// and differs from the others.
#[test]
fn designs_are_complete() {
    for f in FAMILIES {
        for (seed, colours) in [(1, 5), (2, 6), (3, 8)] {
            let d = Design::generate(&DesignSpec {
                seed,
                family: f,
                colours,
                ..DesignSpec::default()
            });
            let n = if f == Family::Heron { 6 } else { colours };
            assert_eq!(d.blocks.len(), n + 1, "{f:?}");
            for b in &d.blocks {
                assert!(
                    b.lines.len() + b.areas.len() > 0,
                    "{f:?} {colours}: {} is empty",
                    b.name
                );
                for l in &b.lines {
                    assert!((0.1..=0.6).contains(&l.width_mm), "{f:?} {}", l.width_mm);
                }
            }
            assert!(d.key().unwrap().lines.len() > 60, "{f:?}");
            assert!(!d.key().unwrap().areas.is_empty(), "{f:?}");
            assert_eq!(d.blocks.iter().filter(|b| !b.bokashi.is_empty()).count(), 1);
            // JSON keeps it.
            let text = serde_json::to_string(&d).unwrap();
            assert_eq!(serde_json::from_str::<Design>(&text).unwrap(), d);
        }
    }
}

/// A break is not there before its birth, then for good, then healed; its
/// length is the missing ink along the line.
#[test]
fn break_lives_and_heals() {
    let mut design = blank_design([40.0, 30.0]);
    design.blocks[0].lines.push(key_line(
        3,
        Role::Contour,
        0.4,
        vec![[-15.0, 0.0], [15.0, 0.0]],
    ));
    let mut s = sheet(600.0);
    s.damage = vec![Damage {
        id: 5,
        kind: DamageKind::Break,
        block: "key".to_owned(),
        image: "whole".to_owned(),
        line: Some(3),
        arc_mm: 12.0,
        length_mm: 0.5,
        growth_mm: 0.1,
        side: 1.0,
        at: [-3.0, 0.0],
        shift_mm: [0.0; 2],
        birth_age: 100.0,
        healed_age: Some(3000.0),
        birth_sheet: None,
    }];
    let k = 600.0 / 25.4;
    let mut missing = |age: f64| {
        s.age = age;
        let r = render(&design, &s).unwrap();
        let im = Linear::new(&r);
        let paper = r.truth.paper[1];
        let ink = paper * (-design.blocks[0].absorption[1]).exp();
        let j = (k * 19.0) as usize;
        let at = k * (4.0 + 20.0 - 3.0);
        let (mut m, mut c) = (0.0, 0.0);
        for i in (at - 60.0) as usize..(at + 60.0) as usize {
            // Over the width of the line, so that oblique ends average out.
            let v: f64 = (j - 2..j + 2).map(|j| im.at(i, j)).sum::<f64>() / 4.0;
            let d = (v - ink) / (paper - ink);
            m += d;
            c += d * (i as f64 + 0.5);
        }
        (m / k, c / m - at, r.truth.damage.len())
    };
    let (m, _, n) = missing(50.0);
    assert!(m.abs() < 1e-3 && n == 0);
    let (m, c, n) = missing(100.0);
    assert!(
        (m - 0.5).abs() < 0.005 && c.abs() < 0.3 && n == 1,
        "{m} {c}"
    );
    let (m, _, _) = missing(2100.0);
    assert!((m - 0.7).abs() < 0.005, "{m}");
    let (m, _, n) = missing(3000.0);
    assert!(m.abs() < 1e-3 && n == 0);
}

/// A plug heals the break inside it and shifts the line there, and only there.
#[test]
fn plug_heals_and_shifts() {
    let mut design = blank_design([40.0, 30.0]);
    design.blocks[0].lines.push(key_line(
        0,
        Role::Contour,
        0.4,
        vec![[-15.0, 0.0], [15.0, 0.0]],
    ));
    let mut s = sheet(600.0);
    s.age = 10.0;
    s.damage = vec![Damage {
        id: 0,
        kind: DamageKind::Break,
        block: "key".to_owned(),
        image: "whole".to_owned(),
        line: Some(0),
        arc_mm: 15.0,
        length_mm: 1.0,
        growth_mm: 0.0,
        side: 1.0,
        at: [0.0, 0.0],
        shift_mm: [0.0; 2],
        birth_age: 0.0,
        healed_age: None,
        birth_sheet: None,
    }];
    restrike_synth::damage::plug(&mut s.damage, 0, 6.0, 5.0);
    let shift = s.damage[1].shift_mm[1];
    assert!(s.damage[1].shift_mm[0].hypot(shift) > 0.1);
    let r = render(&design, &s).unwrap();
    let im = Linear::new(&r);
    let (k, paper) = (600.0 / 25.4, r.truth.paper[1]);
    let ink = paper * (-design.blocks[0].absorption[1]).exp();
    for (x, want) in [
        (-6.0, 0.0),
        (-2.0, shift),
        (0.0, shift),
        (2.0, shift),
        (6.0, 0.0),
    ] {
        let i = (k * (24.0 + x)) as usize;
        let (mut m, mut c) = (0.0, 0.0);
        for j in (k * 18.0) as usize..(k * 20.0) as usize {
            let d = (paper - im.at(i, j)) / (paper - ink);
            m += d / k;
            c += d / k * (19.0 - (j as f64 + 0.5) / k);
        }
        assert!((m - 0.4).abs() < 1e-3, "{x}: {m}");
        assert!((c / m - want).abs() < 1e-3, "{x}: {} {want}", c / m);
    }
}

/// The more worn image of a two-up sheet has the wider lines and the larger
/// retreat.
#[test]
fn images_wear_differently() {
    let mut design = blank_design([60.0, 30.0]);
    let image = design.images[0].clone();
    design.images = ["left", "right"]
        .iter()
        .zip([-15.0, 15.0])
        .map(|(n, x)| restrike_synth::design::ImagePlace {
            name: (*n).to_owned(),
            centre: [x, 0.0],
            ..image.clone()
        })
        .collect();
    for im in design.images.clone() {
        let [x, _] = im.centre;
        let mut l = key_line(
            0,
            Role::Contour,
            0.3,
            vec![[x - 10.0, 0.0], [x + 10.0, 0.0]],
        );
        l.image = im.name;
        design.blocks[0].lines.push(l);
    }
    let mut s = sheet(600.0);
    s.image_wear = vec![1.0, 2.5];
    s.blocks = vec![restrike_synth::sheet::BlockState {
        block: "key".to_owned(),
        widen_mm: 0.02,
        ..Default::default()
    }];
    let r = render(&design, &s).unwrap();
    assert_eq!(r.truth.blocks[0].widen_mm, [0.02, 0.05]);
    let im = Linear::new(&r);
    let (k, paper) = (600.0 / 25.4, r.truth.paper[1]);
    let ink = paper * (-design.blocks[0].absorption[1]).exp();
    for (x, want) in [(-15.0, 0.34), (15.0, 0.40)] {
        let i = (k * (34.0 + x)) as usize;
        let m: f64 = ((k * 18.0) as usize..(k * 20.0) as usize)
            .map(|j| (paper - im.at(i, j)) / (paper - ink) / k)
            .sum();
        assert!((m - want).abs() < 1e-3, "{x}: {m}");
    }
}

#[test]
fn wrong_sheets_are_there_and_named() {
    let (design, mut run) = small(Family::Landscape, Difficulty::Standard);
    run.sheets = 4;
    run.wrong = "blank:2,verso:1,upside-down:1,other-design:1,duplicate:1,reencoded:1,crop:1"
        .split(',')
        .map(|w| w.parse::<Wrong>().unwrap())
        .collect();
    assert!("blunk:1".parse::<Wrong>().is_err());
    let sheets = run.sheets(&design);
    assert_eq!(sheets.len(), 12);
    assert_eq!(
        sheets.iter().filter(|s| s.kind == SheetKind::Good).count(),
        4
    );
    assert_eq!(
        sheets.iter().filter(|s| s.kind == SheetKind::Blank).count(),
        2
    );
    for s in &sheets {
        let r = render(&design, s).unwrap();
        let of = |name: &str| sheets.iter().find(|o| o.name == name).unwrap();
        match &s.kind {
            SheetKind::Reencoded { of: o } => {
                assert_eq!(r.pixels, render(&design, of(o)).unwrap().pixels);
                assert_ne!(s.scan.format, of(o).scan.format);
            }
            SheetKind::Duplicate { of: o } => {
                assert_ne!(r.pixels, render(&design, of(o)).unwrap().pixels);
                assert_eq!(s.blocks, of(o).blocks);
                assert_eq!(s.impression_seed, of(o).impression_seed);
            }
            SheetKind::Crop => {
                let c = r.truth.sheet_px.to_array();
                assert!(c.iter().any(|p| p[0] < 0.0
                    || p[1] < 0.0
                    || p[0] > f64::from(r.width)
                    || p[1] > f64::from(r.height)));
            }
            SheetKind::UpsideDown => {
                let t = r.truth.sheet_px;
                assert!(t.upper_left[1] > t.lower_left[1] && t.upper_left[0] > t.upper_right[0]);
            }
            SheetKind::OtherDesign => assert_ne!(r.truth.design, design.title),
            SheetKind::Good | SheetKind::Blank | SheetKind::Verso => {}
        }
    }
}

/// Files carry the stated size and resolution in every format, and are the
/// same bytes each time.
#[test]
fn files() {
    let (design, mut run) = small(Family::Pattern, Difficulty::Easy);
    run.sheets = 1;
    for (format, bits) in [
        (Format::TiffLzw, 8),
        (Format::TiffDeflate, 16),
        (Format::TiffPlain, 16),
        (Format::Png, 8),
        (Format::Png, 16),
        (Format::Jpeg, 8),
    ] {
        run.format = format;
        run.bits = bits;
        let sheets = run.sheets(&design);
        let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
        for d in &dirs {
            write_run(&design, &sheets, d.path()).unwrap();
        }
        let name = format!("sheet-001.{}", format.extension());
        let read = |d: &tempfile::TempDir, n: &str| std::fs::read(d.path().join(n)).unwrap();
        for n in [
            name.as_str(),
            "sheet-001.truth.json",
            "design.json",
            "sheets.csv",
        ] {
            assert_eq!(read(&dirs[0], n), read(&dirs[1], n), "{n}");
        }
        let r = render(&design, &sheets[0]).unwrap();
        let bytes = read(&dirs[0], &name);
        match format {
            Format::TiffLzw | Format::TiffDeflate | Format::TiffPlain => {
                let mut d = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes)).unwrap();
                assert_eq!(d.dimensions().unwrap(), (r.width, r.height));
                let res = d.get_tag(tiff::tags::Tag::XResolution).unwrap();
                assert_eq!(format!("{res:?}"), "Rational(6000, 100)");
                match (d.read_image().unwrap(), &r.pixels) {
                    (tiff::decoder::DecodingResult::U8(a), Pixels::U8(b)) => assert_eq!(&a, b),
                    (tiff::decoder::DecodingResult::U16(a), Pixels::U16(b)) => assert_eq!(&a, b),
                    _ => panic!("sample type"),
                }
            }
            Format::Png => {
                let mut d = png::Decoder::new(std::io::Cursor::new(bytes))
                    .read_info()
                    .unwrap();
                assert_eq!(d.info().pixel_dims.unwrap().xppu, 2362);
                let mut buf = vec![0; d.output_buffer_size().unwrap()];
                d.next_frame(&mut buf).unwrap();
                match &r.pixels {
                    Pixels::U8(b) => assert_eq!(&buf, b),
                    Pixels::U16(b) => {
                        let be: Vec<u8> = b.iter().flat_map(|v| v.to_be_bytes()).collect();
                        assert_eq!(buf, be);
                    }
                }
            }
            Format::Jpeg => {
                assert_eq!(&bytes[..2], &[0xFF, 0xD8]);
                // JFIF: units 1 (dots per inch), 60 by 60.
                assert_eq!(&bytes[13..18], &[1, 0, 60, 0, 60]);
            }
        }
    }
}

/// Specs and truth survive JSON, so that a run can be edited and replayed.
#[test]
fn specs_round_trip() {
    let (design, run) = small(Family::Heron, Difficulty::Hard);
    let text = serde_json::to_string(&run).unwrap();
    assert_eq!(serde_json::from_str::<RunSpec>(&text).unwrap(), run);
    for s in run.sheets(&design) {
        let text = serde_json::to_string(&s).unwrap();
        assert_eq!(
            serde_json::from_str::<restrike_synth::SheetSpec>(&text).unwrap(),
            s
        );
        let t = render(&design, &s).unwrap().truth;
        let text = serde_json::to_string(&t).unwrap();
        assert_eq!(
            serde_json::from_str::<restrike_synth::Truth>(&text).unwrap(),
            t
        );
    }
}

/// An impossible scan is refused with the sheet's name.
#[test]
fn impossible_scans_are_refused() {
    let design = blank_design([40.0, 30.0]);
    for (dpi, margin) in [
        (0.0, 4.0),
        (f64::NAN, 4.0),
        (4800.0, 2000.0),
        (300.0, -30.0),
    ] {
        let mut s = sheet(dpi);
        s.scan.margin_mm = [margin; 4];
        let e = render(&design, &s).unwrap_err().to_string();
        assert!(e.starts_with("sheet: "), "{e}");
    }
}

#[test]
fn drift_and_step_reach_the_truth() {
    use restrike_synth::run::{Change, Quantity};
    let (design, mut run) = small(Family::Figure, Difficulty::Easy);
    run.sheets = 10;
    run.knobs.placing_sd = 0.0;
    run.changes = vec![Change {
        block: "red".to_owned(),
        quantity: Quantity::Dx,
        per_sheet: 0.01,
        step: 0.1,
        at_sheet: 6,
    }];
    let s = run.sheets(&design);
    let dx = |i: usize| s[i].state("red").motion.dx;
    assert!((dx(4) - dx(0) - 0.04).abs() < 1e-12);
    assert!((dx(5) - dx(4) - 0.11).abs() < 1e-12);
    assert!((s[5].state("key").motion.dx - s[0].state("key").motion.dx).abs() < 1e-12);
}

#[test]
fn sample_scenario() {
    let (design, sheets) = sample::sample(40.0, Format::TiffLzw);
    assert_eq!(design.title, "Heron at the salt pans");
    let names: Vec<&str> = design.blocks.iter().map(|b| b.name.as_str()).collect();
    assert_eq!(
        names,
        ["key", "ochre", "blue", "mist", "red", "green", "brown"]
    );
    for year in [1961, 1978, 1994, 2026] {
        assert!(sheets.iter().filter(|s| s.year == Some(year)).count() >= 3);
    }
    for b in names {
        assert!(sheets.iter().any(|s| s.role == format!("proof:{b}")));
    }
    // Damage grows from edition to edition, and the plugs heal some.
    let shown = |edition: &str| {
        let s = sheets
            .iter()
            .find(|s| s.edition == edition && s.kind == SheetKind::Good && s.only_blocks.is_empty())
            .unwrap();
        render(&design, s).unwrap().truth.damage
    };
    let (old, late, new) = (shown("1961"), shown("1994"), shown("2026"));
    assert!(late.len() > old.len() + 10);
    assert!(new.iter().any(|d| d.damage.kind == DamageKind::Plug));
    assert!(
        late.iter()
            .any(|d| !new.iter().any(|n| n.damage.id == d.damage.id))
    );
    // All names differ: no file overwrites another.
    let mut files: Vec<&String> = sheets.iter().map(|s| &s.name).collect();
    files.sort();
    files.dedup();
    assert_eq!(files.len(), sheets.len());
    assert_eq!(
        sheets.iter().filter(|s| s.kind != SheetKind::Good).count(),
        6
    );
}
