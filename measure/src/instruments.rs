//! What the questions share: a valve probed, rails found, what differs from one example to the next.

pub(crate) mod crossing;
pub(crate) mod flux;
pub(crate) mod golden_section;
pub mod heater;
pub mod load_condition;
pub mod logarithmic;
pub mod peak;
pub mod power_balance;
pub mod preferred;
pub(crate) mod rails;
pub mod random;
pub mod valve;
pub mod varied;
pub mod weighting;
