//! Everything that leaves the program on stdout or into a file goes through here.

pub(crate) mod csv;
pub(crate) mod family;
pub(crate) mod file_kind;
pub(crate) mod histogram;
pub(crate) mod json;
pub(crate) mod log_plot;
pub(crate) mod output;
pub(crate) mod plot;
pub(crate) mod stacked;
pub(crate) mod stdout;
pub(crate) mod table;

pub(crate) use stdout::print;
