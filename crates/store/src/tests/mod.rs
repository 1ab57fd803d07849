//! The store as its users see it.
