//! Reading scans: header, resolution, colour, pixels.
