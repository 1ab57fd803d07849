//! Identifiers as types of their own, so that a unit cannot be passed for a reservoir.

use std::fmt;
use std::sync::Arc;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Arc<str>);

        impl $name {
            /// The identifier as the registers and exports write it.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl From<&str> for $name {
            fn from(text: &str) -> Self {
                Self(Arc::from(text))
            }
        }

        impl From<String> for $name {
            fn from(text: String) -> Self {
                Self(Arc::from(text))
            }
        }

        impl AsRef<str> for $name {
            fn as_ref(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }
    )+};
}

ids! {
    /// One vacuum dehydrator of the fleet.
    UnitId,
    /// One place where units and reservoirs stand.
    SiteId,
    /// One body of oil.
    ReservoirId,
    /// One oil type of the register.
    OilType,
    /// One run: `unit@start`, for example `U-7@20260103T114500Z`.
    RunId,
}
