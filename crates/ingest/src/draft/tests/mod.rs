//! Files of many kinds and what must stand in their proposals.

mod files;
