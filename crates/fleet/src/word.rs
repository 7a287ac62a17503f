//! Closed lists of words, the same in column, field, JSON and file.

/// A given word that is not one of the list.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a {list}; write one of: {known}")]
pub struct UnknownWord {
    pub given: String,
    pub list: &'static str,
    pub known: String,
}

impl UnknownWord {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        "word-unknown"
    }
}

/// An enum of unit variants with one written form each.
///
/// A new variant also needs a migration: the database holds the same list.
macro_rules! words {
    ($(#[$doc:meta])* pub enum $name:ident {
        $($(#[$variant_doc:meta])* $variant:ident = $word:literal,)+
    }) => {
        $(#[$doc])*
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash,
            serde::Serialize, serde::Deserialize,
        )]
        pub enum $name {
            $($(#[$variant_doc])* #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            pub const fn as_str(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)+
                }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                out.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = crate::word::UnknownWord;

            fn from_str(text: &str) -> Result<Self, Self::Err> {
                match text {
                    $($word => Ok(Self::$variant),)+
                    _ => Err(crate::word::UnknownWord {
                        given: text.to_owned(),
                        list: stringify!($name),
                        known: [$($word),+].join(", "),
                    }),
                }
            }
        }
    };
}

pub(crate) use words;
