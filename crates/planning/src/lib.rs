//! Which unit to send: suitability first, then hours to target as a distribution.
