//! What every device must obey.
