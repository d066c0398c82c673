//! The same places over all sheets, and what each is.

use std::collections::BTreeMap;

use restrike_ops::theil_sen::theil_sen;
use restrike_stage::{Impression, Point, Summary, Table, serde_json};

use crate::blame::{self, Blame, Shown};
use crate::kinds::Kind;
use crate::tables::{SHEETS, SITES, UNSEEN};

/// A site of one sheet.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Seen {
    /// Place of its sheet in the order of time.
    pub(crate) at: usize,
    pub(crate) kind: Kind,
    pub(crate) line: u32,
    pub(crate) from: f64,
    pub(crate) to: f64,
    pub(crate) length: f64,
    /// Standard error of the length on its sheet, mm.
    pub(crate) length_se: f64,
    pub(crate) depth: f64,
    pub(crate) width: f64,
    pub(crate) lines: f64,
    /// Ink of the line beside it, of the key's solid.
    pub(crate) ink: f64,
    pub(crate) recorded: bool,
    pub(crate) place: Point,
    pub(crate) confidence: f64,
    pub(crate) image: String,
}

#[cfg(test)]
impl Seen {
    /// A site of 0.4 mm in a line of 0.2 mm that has its ink.
    pub(crate) fn made(at: usize, kind: Kind) -> Self {
        Self {
            at,
            kind,
            line: 1,
            from: 0.0,
            to: 0.4,
            length: 0.4,
            length_se: 0.02,
            depth: 0.2,
            width: 0.2,
            lines: 1.0,
            ink: 1.0,
            recorded: false,
            place: Point::default(),
            confidence: 0.9,
            image: "whole".into(),
        }
    }
}

/// A place over the sheets.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Site {
    pub(crate) seen: Vec<Seen>,
    /// What each sheet shows, in the order of time.
    pub(crate) shown: Vec<Shown>,
    pub(crate) blame: Blame,
    pub(crate) kind: Kind,
    pub(crate) place: Point,
    /// Length now: the median of the last sheets that show it, mm.
    pub(crate) length: f64,
    /// Its standard error, mm.
    pub(crate) length_se: f64,
    /// Standard errors of the place in the record, right and up, mm.
    pub(crate) place_se: [f64; 2],
    pub(crate) depth: f64,
    /// Growth from the first to the last sheet that shows it, mm, with its 95 % interval.
    pub(crate) growth: Option<[f64; 3]>,
    /// Place with damage at the same spot of another image on the sheet: its number.
    pub(crate) twin: Option<usize>,
    /// Whether the record lacks the wood already and older sheets print it.
    pub(crate) lost: bool,
}

/// The measured sheets in the order of time, and their sites.
pub(crate) struct Run<'a> {
    pub(crate) order: Vec<&'a Impression>,
    pub(crate) sites: Vec<Site>,
}

/// Sites this far apart on different sheets are one place, mm, beside a share of their length.
const SAME_MM: f64 = 0.3;
const SAME_SHARE: f64 = 0.35;
/// How far the spot in the other image may lie off, mm.
const TWIN_MM: f64 = 0.6;
/// Usual scatter of a place and of a length from sheet to sheet, mm.
const PLACE_SCATTER_MM: f64 = 0.05;
const LENGTH_SCATTER_MM: f64 = 0.04;
/// What a place may be off by however many sheets show it, mm: the record's own line.
const PLACE_FLOOR_MM: f64 = 0.03;
/// Sheets that print what the record lacks, from which that was wood.
const PRINTED: usize = 2;
/// Sheets whose length counts as now.
const LAST: usize = 3;

/// Year, edition's first place in the list, position, place in the list.
fn by_time<'a>(impressions: &'a [Impression], table: &Table) -> Vec<&'a Impression> {
    let measured: std::collections::BTreeSet<usize> = (0..table.rows.len())
        .filter(|r| table.get(*r, "image").as_str() == Some("whole"))
        .filter_map(|r| usize::try_from(table.get(r, "sheet").as_i64()?).ok())
        .collect();
    let first = |edition: &str| {
        impressions
            .iter()
            .filter(|i| i.edition == edition)
            .map(|i| i.sheet)
            .min()
    };
    let mut out: Vec<&Impression> = impressions
        .iter()
        .filter(|i| measured.contains(&i.sheet))
        .collect();
    out.sort_by_key(|i| (i.year, first(&i.edition), i.position, i.sheet));
    out
}

fn read(table: &Table, place: &BTreeMap<i64, usize>) -> Vec<Seen> {
    (0..table.rows.len())
        .filter_map(|r| {
            let number = |c: &str| table.get(r, c).as_f64();
            Some(Seen {
                at: *place.get(&table.get(r, "sheet").as_i64()?)?,
                kind: Kind::of(table.get(r, "kind").as_str()?)?,
                line: u32::try_from(table.get(r, "line").as_i64()?).ok()?,
                from: number("from_mm")?,
                to: number("to_mm")?,
                length: number("length_mm")?,
                length_se: number("length_se_mm").unwrap_or(0.05),
                depth: number("depth_mm")?,
                width: number("line_width_mm")?,
                lines: number("lines")?,
                ink: number("ink_beside").unwrap_or(1.0),
                recorded: table.get(r, "in_record").as_bool()?,
                place: Point::new(number("x_mm")?, number("y_mm")?),
                confidence: number("confidence")?,
                image: table.get(r, "image").as_str()?.to_owned(),
            })
        })
        .collect()
}

type Stretches = BTreeMap<u32, Vec<(f64, f64)>>;

fn unseen(table: Option<&Table>, place: &BTreeMap<i64, usize>, sheets: usize) -> Vec<Stretches> {
    let mut out = vec![Stretches::new(); sheets];
    let Some(table) = table else { return out };
    for r in 0..table.rows.len() {
        let at = table.get(r, "sheet").as_i64().and_then(|s| place.get(&s));
        let list = table
            .get(r, "unseen")
            .as_str()
            .and_then(|t| serde_json::from_str::<Vec<(u32, f64, f64)>>(t).ok());
        if let (Some(at), Some(list)) = (at, list) {
            for (line, from, to) in list {
                // On a bridge that starts at a line's first place, arcs run backwards.
                let stretch = (f64::min(from, to), f64::max(from, to));
                out[*at].entry(line).or_default().push(stretch);
            }
        }
    }
    out
}

/// Puts the sites of all sheets together.
pub(crate) fn gather<'a>(input: &Summary<'a>, images: &[(String, Point)]) -> Option<Run<'a>> {
    let order = by_time(input.impressions, input.table(SHEETS)?);
    let place: BTreeMap<i64, usize> = order
        .iter()
        .enumerate()
        .filter_map(|(n, i)| Some((i64::try_from(i.sheet).ok()?, n)))
        .collect();
    let mut all = read(input.table(SITES)?, &place);
    all.sort_by(|a, b| {
        a.at.cmp(&b.at)
            .then(a.line.cmp(&b.line))
            .then(a.from.total_cmp(&b.from))
    });
    let hidden = unseen(input.table(UNSEEN), &place, order.len());
    let mut groups: Vec<(Point, Vec<Seen>)> = Vec::new();
    for s in all {
        let near = groups
            .iter_mut()
            .filter(|(_, g)| (g[0].kind == Kind::FillIn) == (s.kind == Kind::FillIn))
            .map(|g| (g.0.distance(s.place), g))
            .filter(|(d, g)| {
                let longest = g.1.iter().map(|o| o.length).fold(0.0, f64::max);
                *d < SAME_MM + SAME_SHARE * longest.min(s.length)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match near {
            Some((_, (centre, group))) => {
                group.push(s);
                #[allow(clippy::cast_precision_loss)]
                let n = group.len() as f64;
                *centre = group.iter().fold(Point::default(), |c, o| c + o.place) * (1.0 / n);
            }
            None => groups.push((s.place, vec![s])),
        }
    }
    // Where an edition ends a block may have been repaired.
    let turns: Vec<bool> = (0..order.len())
        .map(|n| n > 0 && order[n].edition != order[n - 1].edition)
        .collect();
    let mut sites: Vec<Site> = groups
        .into_iter()
        .map(|(place, seen)| as_lost(site(place, seen, &hidden, &turns), &turns))
        .collect();
    sites.sort_by(|a, b| {
        b.place
            .y
            .total_cmp(&a.place.y)
            .then(a.place.x.total_cmp(&b.place.x))
    });
    twins(&mut sites, images);
    Some(Run { order, sites })
}

#[allow(clippy::cast_precision_loss)]
fn site(place: Point, seen: Vec<Seen>, hidden: &[Stretches], turns: &[bool]) -> Site {
    let middle = |s: &Seen| 0.5 * (s.from + s.to);
    let kind = usual_kind(&seen);
    let shown: Vec<Shown> = (0..hidden.len())
        .map(|at| {
            let mut here = seen.iter().filter(|s| s.at == at).peekable();
            if here.peek().is_some() {
                // A line that is bitten or pale is not yet broken, nor is it whole.
                let less = matches!(kind, Kind::Break | Kind::Hole)
                    && here.all(|s| !matches!(s.kind, Kind::Break | Kind::Hole));
                return if less { Shown::Unseen } else { Shown::Present };
            }
            let covered = |s: &Seen| {
                hidden[at]
                    .get(&s.line)
                    .is_some_and(|l| l.iter().any(|(a, b)| middle(s) >= *a && middle(s) <= *b))
            };
            if seen.iter().all(covered) {
                Shown::Unseen
            } else {
                Shown::Absent
            }
        })
        .collect();
    let mut blame = blame::blame(&shown, turns, &seen);
    if blame.block <= 0.5 || !kind.is_wood() {
        blame.healed_at = None;
        blame.healed = 0.0;
    }
    let shows = |s: &&Seen| shown[s.at] == Shown::Present;
    let alike = |s: &&Seen| s.kind == kind;
    let last: Vec<&Seen> = seen
        .iter()
        .rev()
        .filter(shows)
        .filter(alike)
        .take(LAST)
        .collect();
    let median = |f: &dyn Fn(&Seen) -> f64| {
        let v: Vec<f64> = last.iter().map(|s| f(s)).collect();
        restrike_ops::stats::median(&v).unwrap_or(0.0)
    };
    let (length, depth) = (median(&|s| s.length), median(&|s| s.depth));
    let length_se = standard_error(&last, &|s| s.length, LENGTH_SCATTER_MM)
        .max(median(&|s| s.length_se) / (last.len().max(1) as f64).sqrt());
    let all: Vec<&Seen> = seen.iter().collect();
    let place_se = [
        standard_error(&all, &|s| s.place.x, PLACE_SCATTER_MM),
        standard_error(&all, &|s| s.place.y, PLACE_SCATTER_MM),
    ]
    .map(|se| (se * se + PLACE_FLOOR_MM * PLACE_FLOOR_MM).sqrt());
    let growth = (seen.len() >= 4)
        .then(|| {
            let x: Vec<f64> = seen.iter().map(|s| s.at as f64).collect();
            let y: Vec<f64> = seen.iter().map(|s| s.length).collect();
            let t = theil_sen(&x, &y, 0.95, 1.0)?;
            let span = x.last()? - x.first()?;
            Some([t.slope * span, t.low * span, t.high * span])
        })
        .flatten();
    Site {
        seen,
        shown,
        blame,
        kind,
        place,
        length,
        length_se,
        place_se,
        depth,
        growth,
        twin: None,
        lost: false,
    }
}

/// A place that every sheet prints up to some sheet and none from there on, where the record
/// has no line: not a hollow that was clogged and cleared, which inks by turns, but wood
/// that went before the record was made.
fn as_lost(mut site: Site, turns: &[bool]) -> Site {
    let Some(gone) = site.blame.healed_at.filter(|_| site.kind == Kind::FillIn) else {
        return site;
    };
    let (before, after) = site.shown.split_at(gone);
    let printed = before.iter().filter(|s| **s == Shown::Present).count();
    if printed < PRINTED || before.contains(&Shown::Absent) || after.contains(&Shown::Present) {
        return site;
    }
    for s in &mut site.shown {
        *s = match s {
            Shown::Present => Shown::Absent,
            Shown::Absent => Shown::Present,
            Shown::Unseen => Shown::Unseen,
        };
    }
    for s in &mut site.seen {
        s.kind = Kind::Break;
    }
    site.kind = Kind::Break;
    site.blame = blame::blame(&site.shown, turns, &site.seen);
    (site.growth, site.lost) = (None, true);
    site
}

/// Standard error of a mean over sheets; with fewer than three of them their
/// usual scatter stands in.
#[allow(clippy::cast_precision_loss)]
fn standard_error(seen: &[&Seen], f: &dyn Fn(&Seen) -> f64, usual: f64) -> f64 {
    let n = seen.len() as f64;
    let mean = seen.iter().map(|s| f(s)).sum::<f64>() / n.max(1.0);
    let scatter = if seen.len() < 3 {
        usual
    } else {
        let squares: f64 = seen.iter().map(|s| (f(s) - mean) * (f(s) - mean)).sum();
        (squares / (n - 1.0)).sqrt()
    };
    scatter / n.max(1.0).sqrt()
}

/// The kind most often seen, the surest first among equals.
fn usual_kind(seen: &[Seen]) -> Kind {
    let weight = |k: Kind| -> f64 {
        seen.iter()
            .filter(|s| s.kind == k)
            .map(|s| s.confidence + 1e-6)
            .sum()
    };
    Kind::ALL
        .into_iter()
        .max_by(|a, b| weight(*a).total_cmp(&weight(*b)).then(b.cmp(a)))
        .unwrap_or(Kind::Break)
}

/// Damage at the same spot of the design in two images of a sheet.
fn twins(sites: &mut [Site], images: &[(String, Point)]) {
    let spot = |s: &Site| {
        let name = &s.seen[0].image;
        let centre = images.iter().find(|i| i.0 == *name)?.1;
        Some((name.clone(), s.place - centre))
    };
    let spots: Vec<_> = sites.iter().map(spot).collect();
    for a in 0..sites.len() {
        let Some((image, at)) = &spots[a] else {
            continue;
        };
        sites[a].twin = spots
            .iter()
            .enumerate()
            .filter_map(|(b, s)| {
                let (other, there) = s.as_ref()?;
                let d = there.distance(*at);
                (other != image && d < TWIN_MM).then_some((b, d))
            })
            .min_by(|x, y| x.1.total_cmp(&y.1))
            .map(|t| t.0);
    }
}

impl Site {
    /// Places in the order of time of the first and the last sheet that shows it.
    pub(crate) fn first_and_last(&self) -> (usize, usize) {
        let shows = |k: &usize| self.shown[*k] == Shown::Present;
        let first = (0..self.shown.len()).find(shows);
        let last = (0..self.shown.len()).rev().find(shows);
        (first.unwrap_or(0), last.unwrap_or(0))
    }

    /// Sheets between the first and the last that show it on which the place is whole.
    pub(crate) fn whole_between(&self) -> usize {
        let (first, last) = self.first_and_last();
        let between = &self.shown[first.min(self.shown.len())..last];
        between.iter().filter(|s| **s == Shown::Absent).count()
    }

    /// The last sheet before the first that shows it on which the place is whole.
    pub(crate) fn last_whole(&self) -> Option<usize> {
        let first = self.first_and_last().0;
        (0..first).rev().find(|k| self.shown[*k] == Shown::Absent)
    }

    pub(crate) fn count(&self, what: Shown) -> usize {
        self.shown.iter().filter(|s| **s == what).count()
    }

    /// Ink that misses in the print, mm2.
    pub(crate) fn missing_mm2(&self) -> f64 {
        let of = |f: &dyn Fn(&Seen) -> f64| {
            let v: Vec<f64> = self.seen.iter().map(f).collect();
            restrike_ops::stats::median(&v).unwrap_or(0.0)
        };
        match self.kind {
            // Half an ellipse out of the edge.
            Kind::Nick => std::f64::consts::FRAC_PI_4 * self.length * self.depth,
            Kind::Hole => of(&|s| s.lines) * of(&|s| s.width) * self.length,
            _ => self.length * of(&|s| s.width),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fill-in on the sheets marked x, not on those marked with a point, `|` an edition's end.
    fn fill_in(pattern: &str) -> Site {
        let (mut shown, mut turns, mut turn) = (Vec::new(), Vec::new(), false);
        for c in pattern.chars() {
            if c == '|' {
                turn = true;
                continue;
            }
            shown.push(c == 'x');
            turns.push(turn);
            turn = false;
        }
        let seen: Vec<Seen> = (0..shown.len())
            .filter(|n| shown[*n])
            .map(|at| Seen {
                length: 0.8,
                ..Seen::made(at, Kind::FillIn)
            })
            .collect();
        let hidden = vec![Stretches::new(); shown.len()];
        as_lost(site(Point::default(), seen, &hidden, &turns), &turns)
    }

    #[test]
    fn what_all_old_sheets_print_and_the_record_lacks_is_lost_wood() {
        let s = fill_in("xxx|xxx|...|...");
        assert!(
            s.lost && s.kind == Kind::Break && s.blame.block > 0.9,
            "{s:?}"
        );
        assert_eq!((s.first_and_last().0, s.last_whole()), (6, Some(5)));
        assert!(s.blame.healed_at.is_none() && (s.length - 0.8).abs() < 1e-9);
        // A hollow clogs by turns, or has not been cleared yet.
        for pattern in ["xx.|x.x|...|...", "...|...|xxx|xxx", "xxx|xxx|xxx"] {
            assert!(!fill_in(pattern).lost, "{pattern}");
        }
    }
}
