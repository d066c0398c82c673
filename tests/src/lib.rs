//! Accuracy of the whole tool over synthetic impressions with known truth.
