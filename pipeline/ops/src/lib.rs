//! Numerics for measuring impressions, one algorithm a file.

pub mod area_shrink;
pub mod ciede2000;
pub mod cielab;
pub mod edge_profile;
pub mod line_fit;
pub mod mark_contacts;
pub mod median_polish;
pub mod minimax_rigid;
pub mod phase_correlation;
pub mod projection_angle;
pub mod quantiles;
pub mod sfr;
pub mod stats;
pub mod surface_fit;
