//! Finds, opens, checks and calls stage libraries.
