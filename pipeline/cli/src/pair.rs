//! `restrike pair`: what two scans are to each other, without a config.

mod tables;

use std::path::{Path, PathBuf};

use clap::Args;
use restrike_engine::read::{self, DecodeLimits, Scan};
use restrike_model::{Affine, Frame, Impression, Mark, Picture, Point, Role, Tone, Value};
use restrike_ops::difference_map::{
    Change, Difference, DifferenceMap, difference_map, differences,
};
use restrike_ops::image_match::{ImageMatch, NoMatch, match_scans};
use restrike_ops::laid_over::{LaidOver, lay_over};
use restrike_ops::regions::Region;
use restrike_ops::same_impression::{Relation, Texture, one_frame, relation, texture};
use restrike_report::datapackage::Package;
use restrike_report::picture::{self, Base, Options};
use restrike_report::runjson::{NotMeasured, Program, RunRecord, ScanRecord};
use restrike_report::{PictureFile, Writer};
use serde_json::json;

use crate::tell::Teller;
use crate::{ALL_MEASURED, End, SOME_NOT_MEASURED, print};

/// Pixels of the grid on which textures are compared.
const TEXTURE_PIXELS: f64 = 12e6;
/// Pixels of the grid on which colours are compared: of a card at 150 dpi.
const COLOUR_PIXELS: f64 = 1.5e6;
/// Local shift that is no difference, grid pixels.
const SHIFT: usize = 2;
/// Least region, grid pixels.
const LEAST_REGION: usize = 9;
/// Differences marked in the picture.
const MARKED: usize = 40;

/// Two scans.
#[derive(Debug, Args)]
pub(crate) struct PairArgs {
    /// The first scan.
    first: PathBuf,
    /// The second scan.
    second: PathBuf,
    /// Folder for the tables and pictures; without it the answer is only printed.
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Resolution of the first scan, pixels per inch, where the file does not say it.
    #[arg(long, value_name = "N")]
    dpi: Option<f64>,
    /// Write into the folder even though it holds something else.
    #[arg(long)]
    replace: bool,
}

/// A scan with where it is from.
struct Input<'a> {
    path: &'a Path,
    scan: Scan,
    sha256: String,
}

/// What was found of a pair.
struct Found {
    matched: ImageMatch,
    relation: Relation,
    texture: Texture,
    laid: LaidOver,
    map: DifferenceMap,
    list: Vec<Difference>,
}

/// Compares two scans.
pub(crate) fn run(args: &PairArgs, teller: &Teller) -> Result<u8, End> {
    if args.dpi.is_some_and(|d| !(d.is_finite() && d > 0.0)) {
        return Err(End::refused("--dpi: a resolution is a number over 0"));
    }
    if let Some(out) = &args.out {
        usable(out, args.replace)?;
    }
    let inputs = [read_scan(&args.first)?, read_scan(&args.second)?];
    teller.say("both scans read; looking for what they have in common");
    let found = compare(&inputs);
    // Millimetres of a pixel of the first scan.
    let mm = args
        .dpi
        .or(inputs[0]
            .scan
            .header
            .resolution
            .as_ref()
            .map(|r| r.dpi.mean()))
        .map(|dpi| restrike_model::MM_PER_INCH / dpi);
    let text = words(&inputs, &found, mm);
    if let Some(out) = &args.out {
        write(out, &inputs, &found, mm, args.dpi).map_err(End::failed)?;
    }
    print(&text)?;
    Ok(if found.is_ok() {
        ALL_MEASURED
    } else {
        SOME_NOT_MEASURED
    })
}

/// Refuses a folder that holds anything but an earlier answer.
fn usable(out: &Path, replace: bool) -> Result<(), End> {
    let Ok(mut entries) = std::fs::read_dir(out) else {
        return Ok(());
    };
    let earlier = out.join("tables").join("pair.csv").is_file();
    if entries.next().is_some() && !earlier && !replace {
        return Err(End::refused(format!(
            "{}: holds something else; name another folder, or say --replace",
            out.display()
        )));
    }
    Ok(())
}

fn read_scan(path: &Path) -> Result<Input<'_>, End> {
    let refused = |e: &dyn std::fmt::Display| End::refused(format!("{}: {e}", path.display()));
    let sha256 = read::sha256(path).map_err(|e| refused(&e))?;
    let scan = read::decode(path, &DecodeLimits::default()).map_err(|e| refused(&e))?;
    Ok(Input { path, scan, sha256 })
}

fn compare(inputs: &[Input<'_>; 2]) -> Result<Found, NoMatch> {
    let [a, b] = [0, 1].map(|i| inputs[i].scan.image.view());
    let matched = match_scans(a, b)?;
    let nothing = NoMatch::Drawing(matched.evidence);
    let (relation, texture) = match lay_over(a, b, &matched, TEXTURE_PIXELS) {
        Some(fine) => {
            let t = texture(&fine);
            let frame = one_frame(&matched, (a.width(), a.height()), (b.width(), b.height()));
            (relation(&matched, &t, frame), t)
        }
        None => return Err(nothing),
    };
    let laid = lay_over(a, b, &matched, COLOUR_PIXELS).ok_or(nothing)?;
    let map = difference_map(&laid, SHIFT);
    let list = differences(&map, LEAST_REGION);
    Ok(Found {
        matched,
        relation,
        texture,
        laid,
        map,
        list,
    })
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}

/// What a pair is to each other, in a phrase.
fn said(inputs: &[Input<'_>; 2], found: &Result<Found, NoMatch>) -> String {
    if inputs[0].sha256 == inputs[1].sha256 {
        return "the same file twice".to_owned();
    }
    match found {
        Ok(f) => f.relation.words().to_owned(),
        Err(NoMatch::TooLittle { .. }) => "undecided: a scan shows too little".to_owned(),
        Err(NoMatch::Ambiguous(_)) => "undecided: the drawing repeats itself".to_owned(),
        Err(NoMatch::Chance(_) | NoMatch::Drawing(_)) => {
            "different designs, or too little in common".to_owned()
        }
    }
}

/// The answer for people.
fn words(inputs: &[Input<'_>; 2], found: &Result<Found, NoMatch>, mm: Option<f64>) -> String {
    let [a, b] = [0, 1].map(|i| name(inputs[i].path));
    let mut text = format!("{a} and {b}: {}\n", said(inputs, found));
    let f = match found {
        Ok(f) => f,
        Err(e) => {
            text.push_str(&format!("not brought onto each other: {e}\n"));
            return text;
        }
    };
    let e = &f.matched.evidence;
    text.push_str(&format!(
        "aligned: {} of {} tiles of the drawing agree (by chance {:.0} %), {} features agree; \
         {b} is {:.4} times as large and turned {:.2} degrees clockwise; \
         they share {:.0} % of {a}\n",
        e.agreeing,
        e.tiles,
        100.0 * e.agreeing_by_chance,
        e.matches,
        f.matched.scale,
        f.matched.turn_deg,
        100.0 * f.matched.overlap,
    ));
    let number = |v: Option<f64>| v.map_or_else(|| "not told".to_owned(), |v| format!("{v:.2}"));
    text.push_str(&format!(
        "evidence: correlation of the paper's texture {}, of the finest grain {}, over {} calm \
         patches; parts of the drawing lie within {:.2} px of one smooth map\n",
        number(f.texture.fine),
        number(f.texture.finest),
        f.texture.places,
        f.matched.spread_px,
    ));
    let area: usize = f.list.iter().map(|d| d.region.pixels.len()).sum();
    let whole = f.map.size.data().iter().filter(|v| v.is_finite()).count();
    #[allow(clippy::cast_precision_loss)]
    let share = 100.0 * area as f64 / whole.max(1) as f64;
    text.push_str(&format!(
        "differences: {} regions over {:.1} CIEDE2000, {share:.2} % of what both show{}\n\
         limit of {:.1}: {}\n",
        f.list.len(),
        f.map.limit,
        if mm.is_none() {
            "; no resolution known: give --dpi for millimetres"
        } else {
            ""
        },
        f.map.limit,
        f.map.why(),
    ));
    text
}

fn write(
    out: &Path,
    inputs: &[Input<'_>; 2],
    found: &Result<Found, NoMatch>,
    mm: Option<f64>,
    dpi: Option<f64>,
) -> Result<(), Box<dyn std::error::Error>> {
    let mut writer = Writer::new(out)?;
    let row = tables::pair_row(inputs, found);
    writer.table("pair", &tables::pair_spec(), [row])?;
    let rows: Vec<Vec<Value>> = match found {
        Ok(f) => tables::difference_rows(f, mm),
        Err(_) => Vec::new(),
    };
    writer.table("pair", &tables::difference_spec(), rows)?;
    let pictures = match found {
        Ok(f) => draw(&writer, inputs, f, mm)?,
        Err(_) => Vec::new(),
    };
    let record = RunRecord {
        program: Program {
            name: "restrike".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            abi_version: restrike_host::ABI_VERSION,
        },
        design: said(inputs, found),
        settings: json!({ "dpi": dpi }),
        scans: inputs
            .iter()
            .enumerate()
            .map(|(i, s)| ScanRecord {
                impression: Impression {
                    sheet: i + 1,
                    file: name(s.path),
                    impression: name(s.path),
                    edition: String::new(),
                    year: None,
                    position: None,
                    role: Role::Run,
                },
                sha256: Some(s.sha256.clone()),
                info: None,
                measured: found.is_ok(),
            })
            .collect(),
        not_measured: found
            .as_ref()
            .err()
            .map(|e| NotMeasured {
                sheet: None,
                stage: None,
                status: "not aligned".to_owned(),
                reason: e.to_string(),
            })
            .into_iter()
            .collect(),
        ..RunRecord::default()
    };
    let [a, b] = [0, 1].map(|i| name(inputs[i].path));
    let package = Package {
        name: format!("pair {a} {b}"),
        title: format!("{a} and {b}"),
        description: said(inputs, found),
    };
    writer.finish(&package, &record, &pictures)?;
    Ok(())
}

/// The first scan, the second laid on it, and their differences.
fn draw(
    writer: &Writer,
    inputs: &[Input<'_>; 2],
    f: &Found,
    mm: Option<f64>,
) -> Result<Vec<PictureFile>, Box<dyn std::error::Error>> {
    #[allow(clippy::cast_precision_loss)]
    let pitch = mm.map(|mm| [mm * f.laid.factor as f64; 2]);
    let options = Options {
        base_mm_per_px: pitch,
        ..Options::default()
    };
    let [a, b] = [0, 1].map(|i| name(inputs[i].path));
    let marks = marks(f);
    let mut out = Vec::new();
    let all = [
        (
            "difference",
            format!(
                "How much {b} differs from {a}, CIEDE2000; bed and rims of the sheets are left out. \
                 Circles: the {} strongest regions (size times area), numbered as in the table, \
                 of a long sliver about its middle.",
                f.list.len().min(MARKED)
            ),
            Base::Map {
                values: f.map.size.view(),
                label: "difference, CIEDE2000",
                range: Some((0.0, 25.0)),
            },
            marks,
        ),
        (
            "lightness",
            format!(
                "Which way the lightness L* goes from {a} to {b}: {b} is darker where it is negative."
            ),
            Base::Map {
                values: f.map.lightness.view(),
                label: "lightness L*, second less first",
                range: Some((-40.0, 40.0)),
            },
            Vec::new(),
        ),
        (
            "first",
            format!("{a}, against its own paper."),
            Base::LightF32(f.laid.first.view()),
            Vec::new(),
        ),
        (
            "second",
            format!("{b}, against its own paper, laid on {a}."),
            Base::LightF32(f.laid.second.view()),
            Vec::new(),
        ),
    ];
    for (name, caption, base, marks) in all {
        let picture = Picture {
            name: name.to_owned(),
            caption,
            base: name.to_owned(),
            frame: Some(frame(&f.laid)),
            marks,
        };
        let rendered = picture::render(&picture, base, &options)?;
        out.push(writer.picture("pair", None, &picture, &rendered)?);
    }
    Ok(out)
}

/// The part of the grid both show, with a little round it.
#[allow(clippy::cast_precision_loss)]
fn frame(laid: &LaidOver) -> Frame {
    let (w, h) = (laid.second.width(), laid.second.height());
    let mut bounds = [w, h, 0, 0];
    for y in 0..h {
        for x in 0..w {
            if laid.both(x, y) {
                bounds = [
                    bounds[0].min(x),
                    bounds[1].min(y),
                    bounds[2].max(x + 1),
                    bounds[3].max(y + 1),
                ];
            }
        }
    }
    if bounds[2] <= bounds[0] || bounds[3] <= bounds[1] {
        bounds = [0, 0, w, h];
    }
    Frame {
        width: (bounds[2] - bounds[0]) as f64,
        height: (bounds[3] - bounds[1]) as f64,
        to_base: Affine::translation(bounds[0] as f64, bounds[1] as f64),
    }
}

/// A circle about a region; of a long sliver, as along an edge, about its middle, for one about
/// all of it would hide what lies inside.
#[allow(clippy::cast_precision_loss)]
fn ring(region: &Region) -> (Point, f64) {
    let (x, y) = region.centre();
    let [l, t, r, b] = region.bounds();
    let half = 0.5 * Point::new(r as f64, b as f64).distance(Point::new(l as f64, t as f64));
    let compact = 2.0 * (region.pixels.len() as f64).sqrt();
    let centre = Point::new(x, y);
    if half <= compact {
        return (centre, half + 4.0);
    }
    let places = region.pixels.iter();
    let places = places.map(|(x, y)| Point::new(*x as f64 + 0.5, *y as f64 + 0.5));
    let nearest = places.min_by(|a, b| a.distance(centre).total_cmp(&b.distance(centre)));
    (nearest.unwrap_or(centre), compact + 4.0)
}

/// What a region's circle looks like.
fn tone(change: Change) -> Tone {
    match change {
        Change::Darker => Tone::Item(3),
        Change::Lighter => Tone::Item(4),
        Change::Colour => Tone::Item(0),
    }
}

#[allow(clippy::cast_precision_loss)]
fn marks(f: &Found) -> Vec<Mark> {
    let shift = frame(&f.laid).to_base.apply(Point::new(0.0, 0.0));
    let shown = &f.list[..f.list.len().min(MARKED)];
    let circles = shown.iter().zip(1..).map(|(d, number): (_, usize)| {
        let (at, radius) = ring(&d.region);
        let at = at - shift;
        let tone = tone(d.change);
        [
            Mark::Circle { at, radius, tone },
            Mark::Text {
                at: at + Point::new(0.7, -0.7) * radius,
                text: number.to_string(),
                tone,
            },
        ]
    });
    let keys = Change::ALL
        .into_iter()
        .filter(|c| shown.iter().any(|d| d.change == *c))
        .map(|c| Mark::Key {
            text: match c {
                Change::Darker => "darker in the second".to_owned(),
                Change::Lighter => "lighter in the second".to_owned(),
                Change::Colour => "another colour: hue or chroma changed most".to_owned(),
            },
            tone: tone(c),
        });
    circles.flatten().chain(keys).collect()
}
