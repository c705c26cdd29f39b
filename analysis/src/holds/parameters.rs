//! The finder's parameters.
use crate::trial::Test;

/// The finder's parameters, by name.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameters {
    /// Kind of test, decides whether a yield is called a break.
    pub test: Test,
}
