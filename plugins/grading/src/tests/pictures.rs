//! The stack as strips.

use restrike_stage::{Fill, Plot};
use serde_json::json;

use super::made::{grade, one_up, stack, widths};

fn cells(kept: &super::made::Kept, number: usize) -> Vec<(String, String, Vec<[f64; 2]>, Fill)> {
    let chart = kept.pictures[number].chart().unwrap();
    chart
        .panels
        .iter()
        .flat_map(|p| &p.plots)
        .map(|p| match p {
            Plot::Cells {
                name,
                row,
                spans,
                fill,
                ..
            } => (row.clone(), name.clone(), spans.clone(), *fill),
            other => panic!("{other:?}"),
        })
        .collect()
}

#[test]
fn each_sheet_is_a_cell_and_each_grade_has_its_own_shape() {
    let settings = json!({ "tolerance": [
        { "name": "width", "table": "ink", "column": "width_mm", "high": 0.4, "grade": "second" },
        { "name": "blot", "table": "ink", "column": "width_mm", "high": 0.6, "grade": "reject" },
    ]});
    let t = widths(&[(0.3, 0.0), (0.5, 0.0), (0.4, 0.1), (0.9, 0.0), (0.3, 0.0)]);
    let kept = grade(&one_up(), &stack(5), &[t], &settings);
    assert_eq!(kept.pictures.len(), 1);
    assert_eq!(kept.pictures[0].name, "stack-0001");
    let found = cells(&kept, 0);
    let grades: Vec<_> = found.iter().filter(|c| c.0 == "whole").collect();
    assert_eq!(grades.len(), 4);
    assert_eq!(grades[0].1, "pass");
    assert_eq!(grades[0].2, [[0.5, 1.5], [4.5, 5.5]]);
    let mut fills: Vec<String> = grades.iter().map(|g| format!("{:?}", g.3)).collect();
    fills.sort();
    fills.dedup();
    assert_eq!(fills.len(), 4);
    // Sheets 2 to 4 do not keep `width`, sheet 4 `blot` either; the more frequent comes first.
    let rows: Vec<&str> = found
        .iter()
        .map(|c| c.0.as_str())
        .filter(|r| *r != "whole")
        .collect();
    assert_eq!(rows, ["width", "width", "blot"]);
}

#[test]
fn a_long_stack_is_drawn_in_few_cells_that_show_the_gravest() {
    let n = 5000;
    let mut values = vec![(0.3, 0.0); n];
    values[3210].0 = 0.9;
    let settings = json!({ "tolerance": [{ "table": "ink", "column": "width_mm", "high": 0.4, "grade": "reject" }] });
    let kept = grade(&one_up(), &stack(n), &[widths(&values)], &settings);
    let found = cells(&kept, 0);
    let all: usize = found
        .iter()
        .filter(|c| c.0 == "whole")
        .map(|c| c.2.len())
        .sum();
    assert!(all <= 430, "{all}");
    let reject = found
        .iter()
        .find(|c| c.0 == "whole" && c.1 == "reject")
        .unwrap();
    let [from, to] = reject.2[0];
    assert!(from < 3211.0 && to > 3211.0);
    assert!(
        kept.pictures[0]
            .chart()
            .unwrap()
            .x_label
            .contains("each cell 12 places")
    );
}

#[test]
fn editions_have_a_picture_each() {
    let mut sheets = stack(4);
    sheets[0].edition = "1961".into();
    let settings = json!({ "tolerance": [{ "table": "ink", "column": "width_mm", "high": 0.4, "grade": "reject" }] });
    let kept = grade(&one_up(), &sheets, &[widths(&[(0.3, 0.0); 4])], &settings);
    let names: Vec<&str> = kept.pictures.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["stack-0001", "stack-0002"]);
}
