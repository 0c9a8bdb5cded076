//! The known word most like an unknown one.

pub use models::nearest::nearest;
