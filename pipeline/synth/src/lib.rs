//! Seeded synthetic impressions with known truth.
