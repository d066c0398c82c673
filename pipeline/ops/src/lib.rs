//! Numerics for measuring impressions, one algorithm a file.

pub mod area_shrink;
pub mod autocorrelation;
pub mod change_points;
pub mod ciede2000;
pub mod cielab;
pub mod contour;
pub mod control_charts;
pub mod edge_distance;
pub mod edge_map;
pub mod edge_profile;
pub mod false_discovery;
pub mod group_trend;
pub mod inversions;
pub mod line_fit;
pub mod mann_kendall;
pub mod mark_contacts;
pub mod median_polish;
pub mod minimax_rigid;
pub mod phase_correlation;
pub mod projection_angle;
pub mod quantiles;
pub mod sfr;
pub mod stats;
pub mod step_scan;
pub mod surface_fit;
pub mod theil_sen;
