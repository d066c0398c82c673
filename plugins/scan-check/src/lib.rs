//! Stage scan-check: is the scan fit to be measured?
