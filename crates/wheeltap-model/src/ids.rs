//! Names and ids. Values that look alike get types, so that they cannot be swapped.

use serde::{Deserialize, Serialize};
use std::{fmt, sync::Arc};

/// Why a name was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is no {what}: {rule}")]
pub struct InvalidName {
    /// Which kind of name was asked for.
    pub what: &'static str,
    /// The text as given, cut to 80 characters.
    pub text: String,
    /// What such a name must look like.
    pub rule: &'static str,
}

macro_rules! name {
    ($(#[$doc:meta])* $name:ident, $what:literal, $rule:literal, $accepts:expr) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(Arc<str>);

        impl $name {
            /// Checks and takes a name.
            ///
            /// # Errors
            #[doc = concat!("[`InvalidName`] unless the text is a ", $what, ": ", $rule, ".")]
            pub fn new(text: &str) -> Result<Self, InvalidName> {
                let accepts: fn(&str) -> bool = $accepts;
                if accepts(text) {
                    Ok(Self(text.into()))
                } else {
                    let text = text.chars().take(80).collect();
                    Err(InvalidName { what: $what, text, rule: $rule })
                }
            }

            /// The name as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = InvalidName;
            fn try_from(text: String) -> Result<Self, InvalidName> {
                Self::new(&text)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> String {
                name.0.as_ref().to_owned()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    };
}

fn is_label(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b" ._-".contains(&b))
        && !text.starts_with(' ')
        && !text.ends_with(' ')
}

/// What the service itself goes by in the ledger, and who says no name.
const NOBODY: [&str; 3] = [crate::UNNAMED, "telemetry", "clock"];

fn is_person(text: &str) -> bool {
    let is_taken = NOBODY.iter().any(|name| text.eq_ignore_ascii_case(name));
    (1..=60).contains(&text.chars().count())
        && text.trim() == text
        && !text.chars().any(crate::is_hidden)
        && !is_taken
}

fn is_dotted(text: &str) -> bool {
    (1..=96).contains(&text.len())
        && text.split('.').all(|word| {
            !word.is_empty()
                && word
                    .bytes()
                    .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
        })
}

fn is_slug(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b"_-".contains(&b))
}

name!(
    /// One locomotive's id, such as `ZVR 4117`; it stays when the unit is renumbered.
    UnitId,
    "unit id",
    "1 to 64 ASCII letters, digits, spaces, dots, dashes or underscores, no space at either end",
    is_label
);
name!(
    /// A class of locomotives, such as `Marten`.
    ClassName,
    "class name",
    "1 to 64 ASCII letters, digits, spaces, dots, dashes or underscores, no space at either end",
    is_label
);
name!(
    /// A channel's name, such as `engine.oil.temperature` or `traction.axle.3.speed`.
    ChannelName,
    "channel name",
    "up to 96 characters: lower-case words of letters, digits and underscores, joined by dots",
    is_dotted
);
name!(
    /// What a person goes by among those they work with, such as `Ada Brook` or `night desk 2`.
    PersonName,
    "name of a person",
    "1 to 60 characters, none hidden, no space at either end, and not one that the service goes by itself \
     (local, telemetry, clock)",
    is_person
);
name!(
    /// A rule's name: the stem of its file, such as `oil-above-coolant`.
    RuleName,
    "rule name",
    "1 to 64 lower-case letters, digits, dashes or underscores",
    is_slug
);
impl RuleName {
    /// The name of a rule that is written now: one that no command line takes for an option. Rules kept from before
    /// may be named otherwise.
    ///
    /// # Errors
    /// [`InvalidName`] unless it is a rule name that begins with a letter or a digit.
    pub fn of_new(text: &str) -> Result<Self, InvalidName> {
        let name = Self::new(text)?;
        if text.starts_with(|first: char| first.is_ascii_alphanumeric()) {
            return Ok(name);
        }
        Err(InvalidName {
            what: "rule name",
            text: text.to_owned(),
            rule: "it begins with a letter or a digit, so that no command takes it for an option",
        })
    }
}

name!(
    /// The part a rule was judged for, such as `axle 3`.
    Part,
    "part",
    "1 to 64 ASCII letters, digits, spaces, dots, dashes or underscores, no space at either end",
    is_label
);

name!(
    /// A service point, such as `Burbot Yard`.
    PointName,
    "service point",
    "1 to 64 ASCII letters, digits, spaces, dots, dashes or underscores, no space at either end",
    is_label
);

/// A channel's number in one catalogue; the store keeps the book of numbers and names for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ChannelId(pub u32);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_checked() {
        assert!(UnitId::new("ZVR 4117").is_ok());
        assert!(ChannelName::new("traction.axle.3.speed").is_ok());
        assert!(RuleName::new("oil-above-coolant").is_ok());
        for bad in ["", " ZVR", "a/b", "a\nb", "\u{e9}"] {
            assert!(UnitId::new(bad).is_err(), "{bad:?}");
        }
        for bad in ["", "Engine.oil", "engine..oil", ".oil", "oil temp"] {
            assert!(ChannelName::new(bad).is_err(), "{bad:?}");
        }
        for bad in ["-x", "--json", "_x", ".x", "X", ""] {
            assert!(RuleName::of_new(bad).is_err(), "{bad:?}");
        }
        assert!(RuleName::new("-x").is_ok(), "rules kept from before");
        assert!(RuleName::of_new("2-in-a-day").is_ok());
        let refusal = ChannelName::new("Oil").unwrap_err().to_string();
        assert!(refusal.contains("\"Oil\" is no channel name"), "{refusal}");
    }
}
