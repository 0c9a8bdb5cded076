//! What a drawing shows before anything is solved: which terminals meet, where no signal is, and the two halves
//! of a balanced amplifier.

pub mod difference;
pub mod graph;
pub mod mirror;
