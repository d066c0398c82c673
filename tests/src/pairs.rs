//! Two scans of unknown scale, turn and part: whether they are brought onto
//! each other, and never two of different designs.

use std::path::Path;

use anyhow::{Result, anyhow};
use rayon::prelude::*;
use restrike_engine::read::{DecodeLimits, decode};
use restrike_model::{Point, Raster};
use restrike_ops::image_match::{ImageMatch, Matchable, NoMatch, match_ready, match_scans};
use restrike_ops::laid_over::lay_over;
use restrike_ops::same_impression::{Relation, one_frame, relation, texture};
use restrike_synth::rng::Rng;
use restrike_synth::{Design, DesignSpec, Difficulty, Family, Format, RunSpec, SheetSpec, Truth};

use crate::spread::Spread;

/// What to try.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// Pairs of one design, and as many of different designs.
    pub pairs: usize,
    /// Resolution of the first scan; the second has 0.4 to 2.5 times as much.
    pub dpi: f64,
    /// How hard the impressions are.
    pub difficulty: Difficulty,
    /// Seeds that the matching is tuned on.
    pub tuning: bool,
    /// Only designs of this family, by its place in the list.
    pub family: Option<usize>,
    /// First seed; without it that of the report or of the tuning.
    pub seed: Option<u64>,
    /// Only parts of 10 to 16 % of the sheet, at 0.4 to 0.6 times the resolution.
    pub small: bool,
}

const FAMILIES: [Family; 4] = [
    Family::Landscape,
    Family::Figure,
    Family::Pattern,
    Family::Lettering,
];

/// Error up to which a pair counts as brought together, rms over what both show, mm.
const RIGHT_WITHIN_MM: f64 = 0.3;

/// What came out.
#[derive(Debug, Default)]
pub struct Report {
    /// Pairs of one design.
    pub good: usize,
    /// Of them brought together rightly.
    pub right: usize,
    /// Brought together wrongly.
    pub wrong: usize,
    /// Pairs of different designs.
    pub different: usize,
    /// Of them brought together all the same.
    pub different_matched: usize,
    /// Error of the key's place, mm, each coordinate, of the right ones.
    pub error_mm: Spread,
    /// What was said of each failure.
    pub reasons: Vec<String>,
    /// Time for the pairs of one design, features found before, s.
    pub seconds: f64,
    /// Least share of agreeing tiles of right pairs, greatest of different designs.
    pub shares: [f64; 2],
}

impl Report {
    /// Share of pairs of one design brought together rightly.
    #[allow(clippy::cast_precision_loss)]
    pub fn success(&self) -> f64 {
        self.right as f64 / self.good.max(1) as f64
    }

    /// The figures as lines of text.
    #[allow(clippy::cast_precision_loss)]
    pub fn text(&self) -> String {
        format!(
            "{}\none design: {} pairs, {} right ({:.1} %), {} wrong, {} refused\n\
             place of the key, mm: rms {:.4}\n\
             different designs: {} pairs, {} matched\n\
             agreeing tiles: least of a right pair {:.2}, most of different designs {:.2}\n\
             time to match a pair of one design, features found before: {:.2} s",
            self.reasons.join("\n"),
            self.good,
            self.right,
            100.0 * self.success(),
            self.wrong,
            self.good - self.right - self.wrong,
            self.error_mm.rms(),
            self.different,
            self.different_matched,
            self.shares[0],
            self.shares[1],
            self.seconds / self.good.max(1) as f64,
        )
    }
}

/// A scan with what is known of it.
struct Known {
    image: Raster<u16>,
    truth: Truth,
    words: String,
}

/// Renders a sheet to a file and reads it as anybody's scan is read.
fn scan(design: &Design, sheet: &SheetSpec, folder: &Path, words: String) -> Result<Known> {
    let path = restrike_synth::write_sheet(design, sheet, folder).map_err(|e| anyhow!("{e}"))?;
    let truth = std::fs::read(folder.join(format!("{}.truth.json", sheet.name)))?;
    Ok(Known {
        image: decode(&path, &DecodeLimits::default())?.image,
        truth: serde_json::from_slice(&truth)?,
        words,
    })
}

/// The scanner's window over a turned sheet: a share of the sheet's area about
/// a place of its image, or all of it.
fn window(sheet: &mut SheetSpec, design: &Design, share: f64, rng: &mut Rng) {
    if share >= 1.0 {
        return;
    }
    let (s, c) = libm::sincos(sheet.scan.degrees.to_radians());
    let turned = |p: [f64; 2]| [c * p[0] - s * p[1], -(s * p[0] + c * p[1])];
    let half = design.sheet_mm.map(|v| v / 2.0);
    let corners = [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]
        .map(|k| turned([k[0] * half[0], k[1] * half[1]]));
    let bound = |i: usize, f: fn(f64, f64) -> f64| {
        corners.iter().map(|p| p[i]).reduce(f).unwrap_or_default()
    };
    let area = design.sheet_mm[0] * design.sheet_mm[1] * share;
    let aspect = libm::exp(rng.range(-0.35, 0.35));
    let size = [(area * aspect).sqrt(), (area / aspect).sqrt()];
    // Wholly on the sheet as far as its turn allows.
    let reach = 0.5 * libm::hypot(size[0], size[1]);
    let at = turned([0, 1].map(|i| {
        let room = (half[i] - reach).max(0.1 * half[i]);
        rng.range(-room, room)
    }));
    sheet.scan.margin_mm = [
        bound(0, f64::min) - (at[0] - size[0] / 2.0),
        bound(1, f64::min) - (at[1] - size[1] / 2.0),
        (at[0] + size[0] / 2.0) - bound(0, f64::max),
        (at[1] + size[1] / 2.0) - bound(1, f64::max),
    ];
    sheet.scan.shadow = 0.0;
}

fn design(seed: u64, family: Family) -> Design {
    Design::generate(&DesignSpec {
        seed,
        family,
        ..DesignSpec::default()
    })
}

/// Two impressions of different editions of a design: the later faded and toned.
fn impressions(design: &Design, seed: u64, trial: &Trial) -> (SheetSpec, SheetSpec) {
    let run = |age: f64, seed_of_run: u64, sheets: u32| RunSpec {
        sheets,
        seed: seed_of_run,
        block_set: Some(seed),
        age,
        dpi: trial.dpi,
        format: Format::Jpeg,
        ..RunSpec::new(trial.difficulty)
    };
    let mut rng = Rng::new(seed, "editions");
    let mut first = run(500.0, seed, 1).sheets(design).remove(0);
    let mut second = run(6000.0, seed + 1, 1).sheets(design).remove(0);
    for (s, name) in [(&mut first, "first"), (&mut second, "second")] {
        s.name = format!("{name}-{seed}");
        s.scan.quality = 60;
    }
    second.paper.toning = rng.range(0.0, 0.5);
    let fade = rng.range(0.5, 1.0);
    for b in &mut second.blocks {
        b.strength *= fade;
    }
    (first, second)
}

/// Draws the second scan's scale, turn and part.
fn draw(sheet: &mut SheetSpec, design: &Design, trial: &Trial, rng: &mut Rng) -> String {
    // Small parts at a low resolution show the fewest places.
    let [most_scale, most_share] = if trial.small { [0.6, 0.16] } else { [2.5, 1.0] };
    let scale = libm::exp(rng.range(libm::log(0.4), libm::log(most_scale)));
    sheet.scan.dpi = trial.dpi * scale;
    sheet.scan.degrees = rng.range(-180.0, 180.0);
    let share = if rng.chance(0.25) && !trial.small {
        1.0
    } else {
        libm::exp(rng.range(libm::log(0.1), libm::log(most_share)))
    };
    window(sheet, design, share, rng);
    format!(
        "scale {scale:.2}, turn {:.0}, part {share:.2}",
        sheet.scan.degrees
    )
}

/// The key's place in the second scan of a pixel of the first.
fn through(first: &Truth, second: &Truth, key: usize, q: [f64; 2]) -> Option<([f64; 2], [f64; 2])> {
    let place = |t: &Truth| {
        let b = t.blocks.get(key)?;
        Some(b.block_to_scan.apply(b.warp.apply(q)))
    };
    Some((place(first)?, place(second)?))
}

/// Errors over what both scans show, mm.
fn errors(
    map: impl Fn(Point) -> Point,
    first: &Known,
    second: &Known,
    design: &Design,
) -> Vec<[f64; 2]> {
    let key = design.blocks.iter().position(|b| b.key).unwrap_or(0);
    let half = design.sheet_mm.map(|v| v / 2.0 - 10.0);
    let mm = 25.4 / second.truth.dpi;
    let mut out = Vec::new();
    for j in 0..21 {
        for i in 0..31 {
            let q = [
                half[0] * (f64::from(i) / 15.0 - 1.0),
                half[1] * (f64::from(j) / 10.0 - 1.0),
            ];
            let Some((a, b)) = through(&first.truth, &second.truth, key, q) else {
                continue;
            };
            let inside = |p: [f64; 2], r: &Raster<u16>| {
                p[0] >= 0.0 && p[1] >= 0.0 && p[0] < r.width() as f64 && p[1] < r.height() as f64
            };
            if inside(a, &first.image) && inside(b, &second.image) {
                let got = map(Point::new(a[0], a[1]));
                out.push([(got.x - b[0]) * mm, (got.y - b[1]) * mm]);
            }
        }
    }
    out
}

fn rms(errors: &[[f64; 2]]) -> f64 {
    let sum: f64 = errors.iter().map(|e| e[0] * e[0] + e[1] * e[1]).sum();
    #[allow(clippy::cast_precision_loss)]
    (sum / errors.len().max(1) as f64).sqrt()
}

/// Designs rendered side by side, whose scans also meet each other's.
const TOGETHER: usize = 4;

/// The scans of a pair of one design.
struct Pair {
    design: Design,
    first: Known,
    second: Known,
}

impl Pair {
    fn render(n: usize, trial: &Trial, folder: &Path) -> Result<Self> {
        let base = if trial.tuning { 300 } else { 90_000 };
        let seed = trial.seed.unwrap_or(base) + n as u64;
        let family = FAMILIES[trial.family.unwrap_or(n / 2) % FAMILIES.len()];
        let design = design(seed, family);
        let mut rng = Rng::new(seed, "pair");
        let (first, mut second) = impressions(&design, seed, trial);
        let words = draw(&mut second, &design, trial, &mut rng);
        let words = format!("{family:?} {seed}: {words}");
        Ok(Self {
            first: scan(&design, &first, folder, words.clone())?,
            second: scan(&design, &second, folder, words)?,
            design,
        })
    }
}

impl Report {
    fn one_design(&mut self, pair: &Pair, said: Result<ImageMatch, NoMatch>) {
        self.good += 1;
        let words = &pair.second.words;
        let found = match said {
            Ok(found) => found,
            Err(e) => return self.reasons.push(format!("refused: {words}: {e}")),
        };
        let map = |p| found.map.apply(p);
        let off = errors(map, &pair.first, &pair.second, &pair.design);
        if rms(&off) > RIGHT_WITHIN_MM {
            self.wrong += 1;
            let by = rms(&off);
            let evidence = found.evidence;
            self.reasons
                .push(format!("WRONG by {by:.2} mm: {words}: {evidence:?}"));
            return;
        }
        self.right += 1;
        off.iter()
            .flatten()
            .for_each(|e| self.error_mm.add(*e, None));
        self.shares[0] = self.shares[0].min(found.evidence.share());
    }

    fn two_designs(&mut self, first: &Known, second: &Known, said: Result<ImageMatch, NoMatch>) {
        self.different += 1;
        match said {
            Ok(found) => {
                self.different_matched += 1;
                self.reasons.push(format!(
                    "MATCHED though different: {} with {}: {:?}",
                    first.words, second.words, found.evidence
                ));
            }
            Err(NoMatch::Drawing(e) | NoMatch::Ambiguous(e)) => {
                self.shares[1] = self.shares[1].max(e.share());
            }
            Err(_) => {}
        }
    }
}

/// Renders pairs and matches them.
///
/// # Errors
/// When a scan cannot be rendered or read.
pub fn report(trial: Trial) -> Result<Report> {
    let folder = tempfile::tempdir()?;
    let mut report = Report {
        shares: [1.0, 0.0],
        ..Report::default()
    };
    for from in (0..trial.pairs).step_by(TOGETHER) {
        let pairs = (from..trial.pairs.min(from + TOGETHER))
            .into_par_iter()
            .map(|n| Pair::render(n, &trial, folder.path()))
            .collect::<Result<Vec<Pair>>>()?;
        let ready: Vec<[Matchable<'_>; 2]> = pairs
            .par_iter()
            .map(|p| [&p.first, &p.second].map(|k| Matchable::new(k.image.view())))
            .collect();
        for (pair, [a, b]) in pairs.iter().zip(&ready) {
            let started = std::time::Instant::now();
            report.one_design(pair, match_ready(a, b));
            report.seconds += started.elapsed().as_secs_f64();
        }
        // Each first scan also meets the second of the next design, of its own
        // family or another's.
        for i in (0..pairs.len()).filter(|_| pairs.len() > 1) {
            let next = (i + 1) % pairs.len();
            let said = match_ready(&ready[i][0], &ready[next][1]);
            report.two_designs(&pairs[i].first, &pairs[next].second, said);
        }
    }
    Ok(report)
}

/// What pairs of one design were said to be to each other.
#[derive(Debug, Default)]
pub struct Relations {
    /// Right, undecided and wrong, of each kind.
    pub counts: std::collections::BTreeMap<&'static str, [usize; 3]>,
    /// Wrong ones with their evidence.
    pub reasons: Vec<String>,
}

impl Relations {
    /// Pairs that were called what they are not.
    pub fn wrong(&self) -> usize {
        self.counts.values().map(|c| c[2]).sum()
    }

    /// The figures as lines of text.
    pub fn text(&self) -> String {
        let lines: Vec<String> = self
            .counts
            .iter()
            .map(|(is, [right, undecided, wrong])| {
                format!("{is}: {right} right, {undecided} undecided, {wrong} wrong")
            })
            .collect();
        format!("{}\n{}", self.reasons.join("\n"), lines.join("\n"))
    }
}

/// Renders pairs of each relation and asks what they are to each other:
/// a scan saved again as a JPEG, an impression scanned again, another
/// impression of the run.
///
/// # Errors
/// When a scan cannot be rendered or read.
pub fn relations(trial: Trial) -> Result<Relations> {
    let folder = tempfile::tempdir()?;
    let mut out = Relations::default();
    let base = if trial.tuning { 700 } else { 80_000 };
    for n in 0..trial.pairs {
        let seed = base + n as u64;
        let design = design(seed, FAMILIES[n % FAMILIES.len()]);
        let run = RunSpec {
            sheets: 2,
            seed,
            dpi: trial.dpi,
            format: Format::Png,
            ..RunSpec::new(trial.difficulty)
        };
        let mut rng = Rng::new(seed, "relations");
        let sheets = run.sheets(&design);
        let (first, other) = (&sheets[0], &sheets[1]);
        let scale = rng.range(0.7, 1.4);
        let quality = if rng.chance(0.5) { 85 } else { 60 };
        let mut saved = first.clone();
        (saved.scan.format, saved.scan.quality) = (Format::Jpeg, quality);
        let mut again = first.clone();
        again.scan = restrike_synth::sheet::Scan {
            dpi: trial.dpi * scale,
            ..other.scan.clone()
        };
        let mut another = other.clone();
        another.scan.dpi = trial.dpi * scale;
        let whole = scan(&design, first, folder.path(), String::new())?;
        for (is, relation_is, mut sheet) in [
            ("saved again", Relation::SameScan, saved),
            ("scanned again", Relation::SameImpression, again),
            ("another impression", Relation::TwoImpressions, another),
        ] {
            sheet.name = format!("{is}-{seed}");
            let second = scan(&design, &sheet, folder.path(), String::new())?;
            let (a, b) = (whole.image.view(), second.image.view());
            let said = match match_scans(a, b) {
                Ok(found) => lay_over(a, b, &found, MOST_PIXELS).map(|laid| {
                    let t = texture(&laid);
                    let size = |r: &Raster<u16>| (r.width(), r.height());
                    let frame = one_frame(&found, size(&whole.image), size(&second.image));
                    let why = format!("{t:?}, spread {:.3} px, frame {frame}", found.spread_px);
                    (relation(&found, &t, frame), why)
                }),
                Err(e) => Some((Relation::OneDesign, e.to_string())),
            };
            let (said, why) = said.unwrap_or((Relation::OneDesign, "nothing shared".to_owned()));
            let place = match said {
                s if s == relation_is => 0,
                Relation::OneDesign => 1,
                _ => 2,
            };
            out.counts.entry(is).or_default()[place] += 1;
            let family = design.spec.family;
            let line =
                format!("{is} ({family:?} {seed}, scale {scale:.2}, q{quality}): {said:?}: {why}");
            if place > 0 || trial.tuning {
                out.reasons.push(line);
            }
        }
    }
    Ok(out)
}

/// Pixels of the grid on which textures are compared, as `restrike pair` does.
const MOST_PIXELS: f64 = 12e6;
