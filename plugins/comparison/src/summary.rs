//! The run tables: pairs of editions, their differences, inks and papers.

use std::collections::BTreeMap;

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{LabOfRgb, White};
use restrike_stage::{Level as Grave, Output, Row, StageError};

use crate::differ::{Compared, compare};
use crate::edition::{self, About, Edition, Ink, unlocated};
use crate::ground::Ground;
use crate::kinds::Kind;
use crate::pictures;
use crate::recut;
use crate::scatter::most;
use crate::stage::Comparison;
use crate::tables::{self, BLOCKS, DIFFERENCES, INKS, PAIRS, PATCHES};
use crate::verdict;

/// A difference this many standard errors high is found nine times in ten.
const POWER: f64 = 1.3;

/// Pairs of editions to compare, by place.
fn pairs(n: usize, every: bool) -> Vec<[usize; 2]> {
    let mut out = Vec::new();
    for a in 0..n {
        for b in a + 1..n {
            if every || b == a + 1 || (a == 0 && b + 1 == n) {
                out.push([a, b]);
            }
        }
    }
    out
}

/// Puts the tables and pictures out.
///
/// # Errors
/// When the record cannot be read or the host cannot take a row.
pub(crate) fn put(
    stage: &Comparison,
    ground: &Ground,
    list: &[About],
    out: &mut dyn Output,
) -> Result<(), StageError> {
    if list.len() < 2 {
        let what = match list {
            [one] => format!("only edition {} has", one.name),
            _ => "no edition has".to_owned(),
        };
        out.note(
            Grave::Warning,
            &format!("nothing to compare: {what} impressions listed as `reference`"),
        );
        return Ok(());
    }
    let load = |n: usize| edition::load(&stage.parts, n, &list[n]).map_err(StageError::new);
    for (n, [a, b]) in pairs(list.len(), stage.settings.every_pair)
        .into_iter()
        .enumerate()
    {
        if out.cancelled() {
            return Ok(());
        }
        let (first, second) = (load(a)?, load(b)?);
        // Others are read only where neither has a scatter of its own.
        let lone = |e: &Edition| most(&e.levels[0]) < 2.0;
        let mut lent = Vec::new();
        if lone(&first) && lone(&second) {
            for k in (0..list.len()).filter(|k| *k != a && *k != b) {
                lent.push(load(k)?);
            }
        }
        let lent: Vec<&Edition> = lent.iter().collect();
        inks(ground, &first.about, &second.about, out)?;
        let row = Row::new()
            .set("first", first.about.name.as_str())
            .set("second", second.about.name.as_str())
            .set("first_impressions", whole(&first))
            .set("second_impressions", whole(&second))
            .set("cell_mm", ground.grid.pitch)
            .set("false_rate", stage.settings.false_rate);
        match compare(ground, &first, &second, &lent, &stage.settings) {
            Err(why) => out.row(PAIRS, row.set("status", "not compared").set("why", why))?,
            Ok(c) => {
                out.row(PAIRS, pair_row(ground, row, &first, &second, &c))?;
                differences(stage, ground, &first, &second, &c, out)?;
                let verdicts = blocks(stage, ground, &first, &second, &c, out)?;
                out.note(Grave::Info, &summed_up(&first, &second, &c, &verdicts));
                if stage.settings.pictures && n < pictures::PAIRS {
                    pictures::draw(ground, n, &first, &second, &c.found, out)?;
                }
            }
        }
    }
    Ok(())
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn whole(e: &Edition) -> usize {
    most(&e.levels[0]) as usize
}

/// Difference in CIEDE2000 of a small difference of light on a light ground.
fn as_de00(light: f64) -> Option<f64> {
    let lab = LabOfRgb::new(White::D50);
    let at = |v: f64| lab.lab([v; 3]);
    light
        .is_finite()
        .then(|| ciede2000(at(0.8), at((0.8 - light).max(0.0))))
}

#[allow(clippy::cast_precision_loss)]
fn pair_row(ground: &Ground, row: Row, a: &Edition, b: &Edition, c: &Compared) -> Row {
    let cell = ground.grid.pitch * ground.grid.pitch;
    let fine = &c.tests[0];
    let least = |level: usize| {
        let t = &c.tests[level];
        as_de00((t.threshold() + POWER) * t.median_error)
    };
    let mut why = Vec::new();
    let blur = (a.about.blur_mm, b.about.blur_mm);
    let most = crate::sampled::BLUR_MM;
    if blur.0.max(blur.1) > most && (blur.0 - blur.1).abs() > 0.1 * most {
        why.push(format!(
            "the scans differ in sharpness ({:.3} and {:.3} mm): edges may differ for that alone",
            blur.0, blur.1
        ));
    }
    let unseen: Vec<&str> = ground
        .blocks
        .iter()
        .zip(unlocated(a, b))
        .filter(|(block, unlocated)| !block.key && *unlocated)
        .map(|(block, _)| block.name.as_str())
        .collect();
    if !unseen.is_empty() {
        why.push(format!(
            "along the edges of {} nothing is compared: not located closely enough on any impression of one edition (table comparison_sheet)",
            unseen.join(", ")
        ));
    }
    if ground.blocks.len() == 1 {
        why.push(
            "the record has the key's shape only: where a colour block lies against the key is not taken out, and its differences name no block"
                .to_owned(),
        );
    }
    row.set("status", "compared")
        .set("scatter", c.scatter.as_str())
        .set("regions", c.candidates)
        .set("differences", c.found.len())
        .set("compared_mm2", fine.cells as f64 * cell)
        .set("unseen_mm2", (ground.len() - fine.cells) as f64 * cell)
        .set("least_de00", least(2))
        .set("least_fine_de00", least(0))
        .set("why", why.join("; "))
}

fn differences(
    stage: &Comparison,
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    c: &Compared,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let few = [a, b]
        .into_iter()
        .filter(|e| most(&e.levels[0]) < 2.0)
        .map(|e| e.about.name.as_str())
        .collect::<Vec<_>>();
    let note = if few.is_empty() {
        String::new()
    } else {
        format!(
            "one impression of {}: dust, a stain or inking on that sheet is not told from a change",
            few.join(" and ")
        )
    };
    let unlocated = unlocated(a, b);
    for (k, f) in c.found.iter().enumerate() {
        let block = f.block.map_or("", |b| ground.blocks[b].name.as_str());
        let at_edge = matches!(f.kind, Kind::AreaLost | Kind::AreaGained | Kind::EdgeMoved);
        let adrift = f.block.is_some_and(|b| unlocated[b] && b != ground.key);
        let register = (at_edge && adrift).then(|| {
            format!("block {block} is not located closely: this may be where it was laid")
        });
        let notes = [note.clone(), register.unwrap_or_default()];
        let notes: Vec<String> = notes.into_iter().filter(|n| !n.is_empty()).collect();
        let note = notes.join("; ");
        let row = tables::difference_row(
            [&a.about.name, &b.about.name],
            k + 1,
            f,
            block,
            stage.image_of(f.centre),
            &note,
        );
        out.row(DIFFERENCES, row)?;
    }
    Ok(())
}

/// What became of the blocks.
fn blocks(
    stage: &Comparison,
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    c: &Compared,
    out: &mut dyn Output,
) -> Result<Vec<(String, &'static str)>, StageError> {
    let mut verdicts = Vec::new();
    for (n, block) in ground.blocks.iter().enumerate() {
        let (one, two) = (&a.levels[0], &b.levels[0]);
        let course = recut::course(ground, one, two, &c.tests[0].error, n);
        let located = [a, b].map(|e| e.about.inks.get(n).is_some_and(|i| i.located > 0));
        // From two impressions on that it is located on.
        let placing = [a, b].map(|e| {
            let several = e.about.inks.get(n).is_some_and(|i| i.located > 1);
            several
                .then(|| recut::placing(ground, &e.levels[0], n))
                .flatten()
        });
        let v = verdict::judge(course.as_ref(), (n, block.key), &c.found, located, placing);
        verdicts.push((block.name.clone(), v.word));
        let row = || {
            Row::new()
                .set("first", a.about.name.as_str())
                .set("second", b.about.name.as_str())
                .set("block", block.name.as_str())
        };
        let course = course.as_ref();
        out.row(
            BLOCKS,
            row()
                .set("verdict", v.word)
                .set("likelihood_ratio", v.log_ratio.map(libm::exp))
                .set("deviation_mm", course.map(|c| c.deviation_mm))
                .set("typical_move_mm", course.map(|c| c.square.sqrt()))
                .set("seen_from_mm", course.map(|c| c.least_mm))
                .set("tiles", course.map_or(0, |c| c.tiles.len()))
                .set("moved_pct", course.map(|c| 100.0 * c.moved))
                .set("lost", v.lost)
                .set("gained", v.gained)
                .set("why", v.why.as_str()),
        )?;
        for p in &v.patches {
            out.row(
                PATCHES,
                row()
                    .set("image", stage.image_of(p.centre))
                    .set("x_mm", p.centre.x)
                    .set("y_mm", p.centre.y)
                    .set("extent_mm", p.extent_mm)
                    .set("dx_mm", p.by[0])
                    .set("dy_mm", p.by[1])
                    .set("tiles", p.tiles),
            )?;
        }
    }
    Ok(verdicts)
}

/// What the tables of a pair come to, in a sentence.
fn summed_up(
    a: &Edition,
    b: &Edition,
    c: &Compared,
    verdicts: &[(String, &'static str)],
) -> String {
    let mut kinds: BTreeMap<Kind, usize> = BTreeMap::new();
    for f in &c.found {
        *kinds.entry(f.kind).or_default() += 1;
    }
    let kinds: Vec<String> = kinds
        .iter()
        .map(|(k, n)| format!("{n} {}", k.words()))
        .collect();
    let of = |word: &str| -> Vec<&str> {
        let named = verdicts.iter().filter(|v| v.1 == word);
        named.map(|v| v.0.as_str()).collect()
    };
    let told: Vec<String> = ["re-cut", "worn", "undecided"]
        .into_iter()
        .filter(|w| !of(w).is_empty())
        .map(|w| format!("{w}: {}", of(w).join(", ")))
        .collect();
    let listed = if kinds.is_empty() {
        "no difference beyond the scatter".to_owned()
    } else {
        format!("{} differences ({})", c.found.len(), kinds.join(", "))
    };
    format!(
        "{} to {}: {listed}; blocks {}",
        a.about.name,
        b.about.name,
        told.join("; ")
    )
}

/// Inks and papers of a pair.
fn inks(ground: &Ground, a: &About, b: &About, out: &mut dyn Output) -> Result<(), StageError> {
    let lab = LabOfRgb::new(White::D50);
    let row = |block: &str| {
        Row::new()
            .set("first", a.name.as_str())
            .set("second", b.name.as_str())
            .set("block", block)
    };
    let colour = ciede2000(lab.lab(a.paper), lab.lab(b.paper));
    out.row(
        INKS,
        row("paper")
            .set("first_impressions", a.files.len())
            .set("second_impressions", b.files.len())
            .set("size_de00", colour)
            .set("why", "as scanned: two scanners differ too"),
    )?;
    for (one, two) in a.inks.iter().zip(&b.inks) {
        let fade = ground
            .blocks
            .iter()
            .any(|g| g.name == one.block && g.bokashi);
        let r = row(&one.block)
            .set("first_impressions", one.located)
            .set("second_impressions", two.located);
        if one.located == 0 || two.located == 0 {
            let (name, ink) = if one.located == 0 {
                (&a.name, one)
            } else {
                (&b.name, two)
            };
            let why = format!("not located on any impression of {name}: {}", ink.why);
            out.row(INKS, r.set("why", why))?;
            continue;
        }
        let solid = |i: &Ink| lab.lab(i.absorption.map(|v| libm::exp(-v)));
        let (ratio, se) = strength(one, two);
        out.row(
            INKS,
            r.set("strength", ratio)
                .set("strength_se", se)
                .set("size_de00", ciede2000(solid(one), solid(two)))
                .set(
                    "why",
                    if fade {
                        "a gradation: at its full strength, which the record's proof gives"
                    } else {
                        ""
                    },
                ),
        )?;
    }
    Ok(())
}

/// Ratio of two inks' absorptions, channels by weight of the first's, and its standard error.
#[allow(clippy::cast_precision_loss)]
fn strength(a: &Ink, b: &Ink) -> (Option<f64>, Option<f64>) {
    let dot = |x: [f64; 3], y: [f64; 3]| -> f64 { x.iter().zip(y).map(|(a, b)| a * b).sum() };
    let bottom = dot(a.absorption, a.absorption);
    if bottom <= 1e-6 {
        return (None, None);
    }
    let ratio = dot(a.absorption, b.absorption) / bottom;
    let lone = |i: &Ink| i.located < 2;
    if lone(a) && lone(b) {
        return (Some(ratio), None);
    }
    // Channels go up and down together: the scatter is taken along the ink.
    let spread = |i: &Ink| dot(i.scatter, a.absorption) / bottom;
    let (s, t) = match (lone(a), lone(b)) {
        (true, _) => (spread(b), spread(b)),
        (_, true) => (spread(a), spread(a)),
        _ => (spread(a), spread(b)),
    };
    let se = (ratio * ratio * s * s / a.located as f64 + t * t / b.located as f64).sqrt();
    (Some(ratio), Some(se))
}
