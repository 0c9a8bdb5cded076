//! What is made of answers: figures and their spread, a drawing judged, values chosen, parts taken out.

pub mod changes;
pub mod check;
pub mod choose;
pub mod effect;
pub mod figure;
pub mod scorecard;
pub mod spread;
pub mod study;
