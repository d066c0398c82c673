//! What the question of levels makes of sheets far from those around them.

use crate::model::drawn_in;

#[test]
fn one_far_value_says_nothing_and_some_side_by_side_are_drawn_in() {
    let mut values = vec![0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0];
    values[4] = 90.0;
    let mut want = values.clone();
    // Of 1, 0, 1, 90, 1, 0, 1.
    want[4] = 1.0;
    assert_eq!(drawn_in(&values, 4.0), want);
    values[4] = 0.0;
    (values[10], values[11]) = (90.0, 91.0);
    // Of 1, 0, 1, 0, 1, 90, 91.
    (want[4], want[10], want[11]) = (0.0, 5.0, 5.0);
    assert_eq!(drawn_in(&values, 4.0), want);
    assert_eq!(drawn_in(&values, 100.0), values);
    assert!(drawn_in(&[], 1.0).is_empty());
}
