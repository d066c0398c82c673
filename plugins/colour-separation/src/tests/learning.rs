//! Inks and overprints learned from made-up reference impressions.

use restrike_ops::kubelka_munk::{Coat, printed};
use restrike_ops::overprint_model::Kind;

use super::*;
use crate::alone;
use crate::inks::Inks;
use crate::learning::Learning;
use crate::separate::Separated;

/// A body colour printed over red, in part.
const BODY: [f64; 3] = [0.5, 0.35, 0.6];

fn body(p: Point) -> f64 {
    rectangle(p, Rect::new(Point::new(-3.0, -9.0), Point::new(11.0, 9.0)))
}

fn coats(k: [f64; 3], s: f64) -> [Coat; 3] {
    k.map(|k| Coat { k, s, x: 1.0 })
}

/// Absorption of layers on the paper.
fn absorbed(layers: &[[Coat; 3]]) -> [f64; 3] {
    [0, 1, 2].map(|c| {
        let light = printed(PAPER[c], layers.iter().map(|l| l[c]));
        libm::log(PAPER[c] / light)
    })
}

struct Made {
    shapes: Vec<BlockShape>,
    scans: Vec<Raster<u16>>,
}

/// Sheets with red and, over it, a body colour of this scattering power.
fn made(scattering: f64) -> Made {
    let (r, b) = (coats(RED.map(|a| a / 2.0), 0.0), coats(BODY, scattering));
    let (only_r, only_b, both) = (absorbed(&[r]), absorbed(&[b]), absorbed(&[r, b]));
    let mut shapes = vec![
        shape("key", KEY, key),
        shape("red", only_r, red),
        shape("body", only_b, body),
    ];
    for (n, s) in shapes.iter_mut().enumerate() {
        s.part.order = n as u32;
    }
    let scans = [1, 2]
        .map(|seed| {
            painted(seed, &|p| {
                let (k, r, b) = (cover(key(p)), cover(red(p)), cover(body(p)));
                [0, 1, 2].map(|c| {
                    let of = |a: [f64; 3]| libm::exp(-a[c]);
                    let over = r * b * of(both)
                        + r * (1.0 - b) * of(only_r)
                        + (1.0 - r) * b * of(only_b)
                        + (1.0 - r) * (1.0 - b);
                    over * (1.0 - k * (1.0 - of(KEY)))
                })
            })
        })
        .to_vec();
    Made { shapes, scans }
}

impl Made {
    fn learned(&self) -> Inks {
        self.learned_from(&placement(&self.shapes))
    }

    fn learned_from(&self, placement: &Placement) -> Inks {
        let mut learning = Learning::default();
        for scan in &self.scans {
            let area = SIDE.grown(-0.5);
            let mut sheet = Sheet::new(scan.view(), placement, &self.shapes, area, None).unwrap();
            learning.add(&mut sheet);
        }
        learning.finish().unwrap()
    }

    fn apart(&self, inks: Option<&Inks>) -> Separated {
        self.apart_at(&placement(&self.shapes), inks)
    }

    fn apart_at(&self, placement: &Placement, inks: Option<&Inks>) -> Separated {
        let area = SIDE.grown(-0.5);
        let scan = self.scans[0].view();
        let mut sheet = Sheet::new(scan, placement, &self.shapes, area, inks).unwrap();
        separate(&mut sheet, &[], 1, &|| false).unwrap()
    }
}

fn residual(s: &Separated) -> f64 {
    let mut sum = 0.0;
    let mut n = 0.0;
    for (label, r) in s.labels.data().iter().zip(s.residual.data()) {
        // Red under the body colour, without the key.
        if label.abs() == 7.0 {
            sum += f64::from(*r);
            n += 1.0;
        }
    }
    sum / f64::max(n, 1.0)
}

#[test]
fn a_body_colour_over_another_is_learned_and_used() {
    let made = made(1.5);
    let inks = made.learned();
    let over = &inks.overprints;
    assert_eq!(over.len(), 1, "{over:?}");
    assert_eq!(over[0].blocks, ["red", "body"]);
    assert_eq!(over[0].model, Kind::KubelkaMunk.name(), "{over:?}");
    assert!(
        over[0].layered_de00 > 3.0 && over[0].model_de00 < 1.5,
        "{over:?}"
    );
    let body = inks.of("body").unwrap();
    assert!(
        (body.scattering / 1.5 - 1.0).abs() < 0.25,
        "{}",
        body.scattering
    );
    assert_eq!(inks.of("red").unwrap().scattering, 0.0);
    let (plain, with) = (made.apart(None), made.apart(Some(&inks)));
    let (a, b) = (residual(&plain).abs(), residual(&with).abs());
    assert!(b < 0.01 && b < a, "{a} {b}");
    assert!(with.tallies[0].sure > 0.95 * with.tallies[0].pixels);
    // Strengths come out at what was printed.
    for n in [1, 2] {
        let t = &with.tallies[0].blocks[n];
        assert!(
            (t.strength / t.whole - 1.0).abs() < 0.04,
            "{n} {}",
            t.strength / t.whole
        );
    }
}

/// Read off all it prints as if layers added up, red under the body colour looks thin.
#[test]
fn an_ink_has_the_strength_it_has_where_it_lies_alone() {
    let made = made(1.5);
    let mut thin = placement(&made.shapes);
    thin.blocks[1].strength = 0.7;
    let inks = made.learned_from(&thin);
    let t = &made.apart_at(&thin, Some(&inks)).tallies[0].blocks[1];
    assert!((t.strength / t.whole - 1.0).abs() < 0.05);

    let red = Subset(0).flipped(1);
    let mut found = |strength: f64, may: fn(&Sheet<'_>, usize) -> bool| {
        thin.blocks[1].strength = strength;
        let area = SIDE.grown(-0.5);
        let scan = made.scans[0].view();
        let mut sheet = Sheet::new(scan, &thin, &made.shapes, area, None).unwrap();
        let anchored = alone::pieces(&mut sheet, may).anchored;
        (anchored, sheet.blocks[1].place.strength)
    };
    let (anchored, strength) = found(0.7, |_, _| true);
    assert_eq!(anchored, red);
    assert!((strength - 1.0).abs() < 0.04, "{strength}");
    // Right as it is, or where the layers have to add up.
    assert_eq!(found(1.0, |_, _| true), (Subset(0), 1.0));
    assert_eq!(found(0.7, |_, _| false), (Subset(0), 0.7));
}

/// Registration tells how much of what lies under it an ink hides.
#[test]
fn body_that_registration_found_is_laid_over_what_lies_under_it() {
    let made = made(0.06);
    let plain = placement(&made.shapes);
    let mut veiled = placement(&made.shapes);
    // What so thin a layer scatters, against the paper's light.
    veiled.blocks[2].veil = 0.06 / PAPER[1];
    let left = |placement: &Placement, inks: Option<&Inks>| {
        residual(&made.apart_at(placement, inks)).abs()
    };
    let (with, without) = (left(&veiled, None), left(&plain, None));
    // Strengths that may move take up much of it either way.
    assert!(with < 0.75 * without, "{with} {without}");
    // What is learned of the overprint is the same from either.
    let [a, b] = [&plain, &veiled].map(|p| made.learned_from(p).overprints[0].beyond);
    for c in 0..3 {
        assert!((a[c] - b[c]).abs() < 0.03, "{a:?} {b:?}");
    }
    // References that show inks that add up speak against a body.
    let layered = self::made(0.0).learned();
    let sheet = |inks| {
        let area = SIDE.grown(-0.5);
        let scan = made.scans[0].view();
        Sheet::new(scan, &veiled, &made.shapes, area, inks).unwrap()
    };
    let both = Subset(0b110);
    assert!(sheet(None).by_body(both));
    assert!(!sheet(Some(&layered)).by_body(both));
}

#[test]
fn transparent_inks_stay_layered_and_round_trip_through_the_record() {
    let inks = made(0.0).learned();
    assert_eq!(inks.overprints.len(), 1);
    let o = &inks.overprints[0];
    assert_eq!(o.model, Kind::Layered.name(), "{o:?}");
    assert!(
        o.beyond
            .iter()
            .zip(o.se)
            .all(|(b, se)| b.abs() < 4.0 * se + 0.01),
        "{o:?}"
    );
    for i in &inks.inks {
        let block = ["key", "red", "body"]
            .iter()
            .position(|n| *n == i.block)
            .unwrap();
        let want = made(0.0).shapes[block].part.absorption;
        for c in 0..3 {
            assert!((i.absorption[c] - want[c]).abs() < 0.02, "{i:?} {want:?}");
            assert!(i.se[c] > 0.0 && i.se[c] < 0.03, "{i:?}");
        }
    }
    let bytes = serde_json::to_vec(&inks).unwrap();
    let read = Inks::read(&[("inks".to_owned(), bytes)].into())
        .unwrap()
        .unwrap();
    assert_eq!(read, inks);
    let names = ["key", "red", "body"];
    assert!(read.beyond(&names, &[0, 1, 2]).is_empty(), "inks add up");
    let other = br#"{"format":"x","version":1,"paper":[1,1,1],"inks":[],"overprints":[]}"#;
    assert!(Inks::read(&[("inks".to_owned(), other.to_vec())].into()).is_err());
}
