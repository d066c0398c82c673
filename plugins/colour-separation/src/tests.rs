//! Of parts together; the whole stage is measured against rendered truth in the `tests` crate.

use restrike_ops::overprints::Subset;

use crate::doubts::same_colour;

#[test]
fn inks_of_one_colour_are_told_from_others() {
    assert!(same_colour([0.2, 0.9, 1.1], [0.22, 0.99, 1.21]));
    assert!(!same_colour([0.2, 0.9, 1.1], [0.4, 1.8, 2.2]));
    assert!(!same_colour([0.2, 0.9, 1.1], [0.9, 0.4, 0.1]));
    assert_eq!(Subset(0b101).flipped(1), Subset(0b111));
}
