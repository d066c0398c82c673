//! The page: what it needs of a browser, and how heavy it is.

#![allow(clippy::unwrap_used)]

use restrike_model::{ColumnSpec, Impression, Role, Scope, TableSpec};
use restrike_report::PictureFile;
use restrike_report::datapackage::{Package, TableFile};
use restrike_report::html::{TableView, render};
use restrike_report::names::picture_path;
use restrike_report::runjson::{NotMeasured, RunRecord, ScanRecord};

fn run(sheets: usize) -> RunRecord {
    let scan = |sheet: usize| ScanRecord {
        impression: Impression {
            sheet,
            file: format!("{sheet}.tif"),
            impression: format!("<b>heron</b> {sheet}"),
            edition: "1994".into(),
            year: None,
            position: None,
            role: Role::Run,
        },
        sha256: None,
        info: None,
        measured: !sheet.is_multiple_of(10),
    };
    RunRecord {
        scans: (1..=sheets).map(scan).collect(),
        not_measured: (1..=sheets / 10)
            .map(|k| NotMeasured {
                sheet: Some(10 * k),
                stage: None,
                status: "unreadable".into(),
                reason: "The file ends early.".into(),
            })
            .collect(),
        ..RunRecord::default()
    }
}

fn pictures(sheets: usize) -> Vec<PictureFile> {
    (1..=sheets)
        .flat_map(|sheet| ["overlay", "edges", "tone"].map(|name| (sheet, name)))
        .map(|(sheet, name)| PictureFile {
            stage: "deskew".into(),
            sheet: Some(sheet),
            name: name.into(),
            caption: "Edges found and the crop.".into(),
            path: picture_path("deskew", Some((sheet, "heron")), name, "png"),
            width: 1600,
            height: 1200,
        })
        .collect()
}

fn page(sheets: usize) -> String {
    let package = Package {
        name: "heron".into(),
        title: "Heron at the salt pans".into(),
        description: String::new(),
    };
    render(&package, &run(sheets), &[], &pictures(sheets)).unwrap()
}

/// Links within the page that lead nowhere, or to two places.
fn astray(page: &str) -> Vec<&str> {
    let links = page.split("href=\"#").skip(1);
    let links = links.filter_map(|l| l.split('"').next());
    links
        .filter(|l| page.matches(&format!(" id=\"{l}\"")).count() != 1)
        .collect()
}

#[test]
fn a_page_stands_alone_and_escapes_names() {
    let page = page(20);
    assert_eq!(astray(&page), [""; 0]);
    assert!(page.contains("href=\"#sheets\""));
    for foreign in ["<script", "http://", "https://", "<link", "@import", "url("] {
        assert!(!page.contains(foreign), "{foreign}");
    }
    assert!(!page.contains("<b>heron"));
    assert!(
        page.contains("&lt;b&gt;heron&lt;"),
        "names are shown as they are"
    );
    assert!(page.contains("<html lang=\"en\">"));
    assert_eq!(page.matches("<img ").count(), 60);
    assert_eq!(page.matches(" alt=\"Sheet ").count(), 60);
    assert_eq!(page.matches("loading=\"lazy\"").count(), 60);
    assert!(page.contains("<b>18</b> measured"));
    // Once in the list of what was not measured, once under each picture.
    assert_eq!(page.matches("The file ends early.").count(), 2 * (1 + 3));
    assert!(page.contains(
        "<figcaption><strong class=\"bad\">unreadable</strong>: The file ends early.<br>deskew: "
    ));
    for sheet in [10, 20] {
        assert!(page.contains(&format!("<a href=\"#sheet-{sheet}\">{sheet}</a>")));
        assert!(page.contains(&format!("<details id=\"sheet-{sheet}\">")));
    }
}

#[test]
fn a_table_shows_what_became_of_a_sheet_first() {
    let column = |name: &str| ColumnSpec::text(name, "x");
    let names = [
        "sheet",
        "file",
        "impression",
        "edition",
        "year",
        "position",
        "role",
        "focus",
        "fit_for",
        "status",
        "reason",
    ];
    let view = TableView {
        file: TableFile {
            spec: TableSpec {
                name: "check".into(),
                title: "Check".into(),
                scope: Scope::Sheet,
                internal: false,
                columns: names.map(column).to_vec(),
            },
            stage: "scan-check".into(),
            path: "tables/check.csv".into(),
            rows: 2,
            bytes: 0,
            sha256: String::new(),
        },
        first_rows: vec![
            [
                "1", "a.tif", "A", "new", "2026", "1", "run", "0.2", "tone", "measured", "",
            ]
            .map(str::to_owned)
            .to_vec(),
            [
                "2",
                "b.tif",
                "B",
                "new",
                "2026",
                "2",
                "run",
                "",
                "",
                "blank",
                "No print.",
            ]
            .map(str::to_owned)
            .to_vec(),
        ],
    };
    let package = Package {
        name: "heron".into(),
        title: "Heron at the salt pans".into(),
        description: String::new(),
    };
    let page = render(&package, &run(2), &[view], &[]).unwrap();
    assert!(page.contains(">Check</a>"));
    assert_eq!(astray(&page), [""; 0]);
    let heads = [
        "sheet",
        "impression",
        "status",
        "reason",
        "fit_for",
        "focus",
        "file",
        "edition",
        "year",
        "position",
        "role",
    ];
    let heads: String = heads
        .map(|h| format!("<th scope=\"col\">{h}</th>"))
        .concat();
    assert!(page.contains(&heads), "{page}");
    assert!(page.contains("<tr><td>1</td><td>A</td><td>measured</td><td></td><td>tone</td>"));
    assert!(
        page.contains("<tr class=\"bad\"><td>2</td><td>B</td><td>blank</td><td>No print.</td>")
    );
}

#[test]
fn every_element_that_opens_closes() {
    let page = page(120);
    for tag in [
        "html",
        "head",
        "body",
        "main",
        "details",
        "summary",
        "figure",
        "figcaption",
        "table",
        "tr",
        "td",
        "th",
        "div",
        "p",
        "a",
        "ul",
        "li",
        "h1",
        "h2",
        "span",
        "style",
        "title",
    ] {
        let opened =
            page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
    assert!(page.trim_end().ends_with("</html>"));
}

#[test]
fn long_runs_stay_light_and_folded() {
    let page = page(500);
    assert!(page.len() < 800_000, "{} bytes", page.len());
    assert_eq!(page.matches("<summary>Sheets ").count(), 10);
    assert!(!page.contains("<details open>"));
    let longest = self::page(5000);
    assert!(longest.len() < 3_500_000, "{} bytes", longest.len());
    assert!(longest.contains("3000 more sheets"));
}
