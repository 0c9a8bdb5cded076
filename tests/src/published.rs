//! What the makers of valves print of their valves in amplifiers, and what the program makes of it.
//!
//! The rows stand in `tests/published/*.toml`; each becomes an amplifier file ([`mod@circuit`]), is put on the bench
//! ([`mod@bench`]) and asked for every figure it prints ([`mod@score`]). `VALIDATION.md` is written from that ([`mod@page`]).
//! A law or a fit can be tried on all rows before it is taken: [`score::score`] takes the valves it is given.

pub mod bench;
pub mod circuit;
pub mod laws;
pub mod layout;
pub mod outcome;
pub mod page;
pub mod points;
pub mod rectifiers;
pub mod rows;
pub mod score;
pub mod summary;
pub mod worked;
