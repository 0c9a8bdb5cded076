//! What a drawing shows before anything is solved: which terminals meet, where no signal is, the two halves
//! of a balanced amplifier, and whether the mains touches the chassis.

pub mod difference;
pub mod graph;
pub mod live;
pub mod mirror;
pub mod push_pull;
