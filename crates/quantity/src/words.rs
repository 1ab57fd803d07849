//! Closed vocabularies of the data contract as enums that know their own word.

/// Declares an enum whose variants each stand for one word of a table column.
///
/// Gives `as_str`, `from_word` (None for an unknown word), `ALL` and `Display`.
#[macro_export]
macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* #[doc = concat!("The word `", $word, "`.")] $variant),+ }

        impl $name {
            /// Every variant, in the order of the contract.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word a table holds.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }

            /// The variant of a word; None where the contract knows no such word.
            #[must_use]
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)+ _ => None }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.as_str())
            }
        }
    };
}
