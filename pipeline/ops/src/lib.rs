//! Numerics for measuring impressions, one algorithm a file.
