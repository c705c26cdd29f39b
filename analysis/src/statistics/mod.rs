//! Statistics of repeated values.
