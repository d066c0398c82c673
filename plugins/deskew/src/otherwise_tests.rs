//! Sheets of the design that lie a quarter turn round or come with a wrong
//! resolution, where the config does not state the sheet's size.

use std::collections::BTreeMap;

use restrike_stage::{Learn, Project, Raster, Role, Stage};
use restrike_synth::{Design, DesignSpec, Difficulty, RunSpec, render};

use crate::Deskew;
use crate::accuracy::linear;
use crate::tests::{Capture, impression, info, measure};

const DPI: f64 = 75.0;

fn quarter(scan: &Raster<u16>) -> Raster<u16> {
    let (w, h, n) = (scan.width(), scan.height(), scan.channels());
    let mut out = Raster::new(h, w, n);
    for y in 0..h {
        for x in 0..w {
            for c in 0..n {
                out.set(h - 1 - y, x, c, scan.get(x, y, c));
            }
        }
    }
    out
}

#[test]
fn a_quarter_turn_and_a_wrong_resolution_are_told_without_a_stated_size() {
    let design = Design::generate(&DesignSpec {
        seed: 9,
        ..DesignSpec::default()
    });
    let specs = RunSpec {
        sheets: 3,
        references: 2,
        seed: 9,
        dpi: DPI,
        ..RunSpec::new(Difficulty::default())
    }
    .sheets(&design);
    let scans: Vec<Raster<u16>> = specs
        .iter()
        .map(|s| {
            let r = render(&design, s).unwrap();
            linear(&r.pixels, r.width, r.height)
        })
        .collect();
    let project = Project::default();
    let learner = Deskew::new(&serde_json::Value::Null, &project, &BTreeMap::new()).unwrap();
    let mut record = Capture::default();
    for (i, scan) in scans[..2].iter().enumerate() {
        let imp = impression(i + 1, "reference.tif", Role::Reference);
        let inf = info(scan, DPI);
        learner
            .learn(Learn::Impression(measure(&imp, &inf, scan)), &mut record)
            .unwrap();
    }
    learner.learn(Learn::Finish, &mut record).unwrap();
    let stage = Deskew::new(&serde_json::Value::Null, &project, &record.records).unwrap();
    let answer = |scan: &Raster<u16>, dpi: f64| {
        let imp = impression(3, "sheet.tif", Role::Run);
        let inf = info(scan, dpi);
        let mut out = Capture::default();
        stage.measure(measure(&imp, &inf, scan), &mut out).unwrap();
        out.verdicts
            .first()
            .map(|v| (v.status.clone(), v.reason.clone()))
    };
    assert_eq!(answer(&scans[2], DPI), None);
    let (status, why) = answer(&quarter(&scans[2]), DPI).unwrap();
    assert_eq!(status, "turned", "{why}");
    let (status, why) = answer(&scans[2], 2.0 * DPI).unwrap();
    assert_eq!(status, "other scale", "{why}");
    // Half the size at twice the resolution: the references' size implies the true one.
    let implied: f64 = why
        .rsplit_once("implies ")
        .and_then(|(_, rest)| rest.split(';').next())
        .unwrap()
        .parse()
        .unwrap();
    assert!((implied - DPI).abs() < 2.0, "{why}");
}
