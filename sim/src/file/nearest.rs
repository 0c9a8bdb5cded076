//! The known word most like an unknown one.

pub(crate) use models::nearest::nearest;
