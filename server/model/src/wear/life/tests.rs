//! Tests of the life curve.
