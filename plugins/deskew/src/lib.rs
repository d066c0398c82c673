//! Stage deskew: where the sheet and its images lie in the scan, and what sheet it is.
