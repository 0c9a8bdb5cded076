//! Each kind of part against the textbook.

use super::*;
use crate::file::read;
