//! The harness of the checks: what several of them need.

pub mod answers;
pub mod checked;
pub mod examples;
pub mod processor;
pub mod published;
pub mod random;
pub mod rises;
pub mod source;
pub mod variants;
