//! Fitting.
