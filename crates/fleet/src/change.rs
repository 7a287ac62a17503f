//! What a change did.

use crate::word::words;

words! {
    pub enum ChangeKind {
        /// Is there now.
        Created = "created",
        /// Has other values.
        Changed = "changed",
        /// Is there no more.
        Removed = "removed",
    }
}
