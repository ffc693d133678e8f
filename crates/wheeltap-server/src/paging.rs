//! Pages after AIP-158: sizes that are coerced, tokens that belong to one set of arguments.

use crate::status;
use prost::Message;
use tonic::Status;
use wheeltap_store::StoreId;

/// Default and greatest page size of one list call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PageRule {
    /// Taken for `page_size` 0.
    pub default: usize,
    /// Greater sizes are coerced to it.
    pub most: usize,
}

/// One page that was asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// At most this many results.
    pub size: usize,
    /// Position after which the page starts, as given to [`Page::next_token`]; `None` for the first.
    pub after: Option<Vec<u8>>,
    binding: [u8; BINDING],
}

const BINDING: usize = 12;

impl Page {
    /// Reads `page_size` and `page_token`. `arguments` is the request with both of them cleared:
    /// a token is good for the same call, store and arguments only, with whatever page size.
    ///
    /// # Errors
    /// INVALID_ARGUMENT: `BAD_PAGE_SIZE` below zero, `BAD_PAGE_TOKEN` for a token that was not given
    /// out for these arguments.
    pub fn read(
        store: StoreId,
        call: &'static str,
        page_size: i32,
        page_token: &str,
        rule: PageRule,
        arguments: &impl Message,
    ) -> Result<Self, Status> {
        let size = match usize::try_from(page_size) {
            Ok(0) => rule.default,
            Ok(size) => size.min(rule.most),
            Err(_) => {
                return Err(status::bad_field(
                    "BAD_PAGE_SIZE",
                    "page_size",
                    "is below zero; leave it 0 for the default",
                ));
            }
        };
        let mut hasher = blake3::Hasher::new();
        hasher.update(&store.0);
        hasher.update(call.as_bytes());
        hasher.update(&[0]);
        hasher.update(&arguments.encode_to_vec());
        let mut binding = [0; BINDING];
        binding.copy_from_slice(&hasher.finalize().as_bytes()[..BINDING]);
        let after = if page_token.is_empty() {
            None
        } else {
            let position = from_hex(page_token)
                .and_then(|bytes| bytes.strip_prefix(binding.as_slice()).map(<[u8]>::to_vec));
            Some(position.ok_or_else(bad_token)?)
        };
        Ok(Self {
            size,
            after,
            binding,
        })
    }

    /// The token of the page that starts after `position`.
    pub fn next_token(&self, position: &[u8]) -> String {
        let mut token = String::with_capacity(2 * (BINDING + position.len()));
        for byte in self.binding.iter().chain(position) {
            token.push(hex_digit(byte >> 4));
            token.push(hex_digit(byte & 15));
        }
        token
    }

    /// The position as a number, for lists that count.
    ///
    /// # Errors
    /// `BAD_PAGE_TOKEN` when the position is none.
    pub fn after_number(&self) -> Result<Option<u64>, Status> {
        let Some(bytes) = &self.after else {
            return Ok(None);
        };
        let bytes = <[u8; 8]>::try_from(bytes.as_slice()).map_err(|_| bad_token())?;
        Ok(Some(u64::from_be_bytes(bytes)))
    }
}

/// A token that was not given out for these arguments.
pub fn bad_token() -> Status {
    status::bad_field(
        "BAD_PAGE_TOKEN",
        "page_token",
        "was not given out for these arguments; start again without a token",
    )
}

const fn hex_digit(nibble: u8) -> char {
    match nibble {
        0..=9 => (b'0' + nibble) as char,
        _ => (b'a' + nibble - 10) as char,
    }
}

fn from_hex(text: &str) -> Option<Vec<u8>> {
    let digits = text.as_bytes();
    // Bounded before anything is allocated for it: no position of ours is longer.
    if !digits.len().is_multiple_of(2) || digits.len() > 1_024 {
        return None;
    }
    let nibble = |digit: u8| match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    };
    digits
        .chunks_exact(2)
        .map(|pair| Some(nibble(pair[0])? << 4 | nibble(pair[1])?))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use tonic::Code;
    use tonic_types::StatusExt;

    const RULE: PageRule = PageRule {
        default: 100,
        most: 1_000,
    };
    const STORE: StoreId = StoreId([7; 16]);

    fn read(call: &'static str, size: i32, token: &str, argument: &str) -> Result<Page, Status> {
        Page::read(STORE, call, size, token, RULE, &argument.to_owned())
    }

    // AIP-158 as in check-values section 9.
    #[test]
    fn sizes_are_defaulted_coerced_and_refused() {
        assert_eq!(read("List", 0, "", "").unwrap().size, 100);
        assert_eq!(read("List", 7, "", "").unwrap().size, 7);
        assert_eq!(read("List", i32::MAX, "", "").unwrap().size, 1_000);
        let refusal = read("List", -1, "", "").unwrap_err();
        assert_eq!(refusal.code(), Code::InvalidArgument);
        let details = refusal.get_error_details();
        assert_eq!(details.error_info().unwrap().reason, "BAD_PAGE_SIZE");
    }

    #[test]
    fn a_token_is_good_for_its_own_arguments_and_any_size() {
        let page = read("List", 2, "", "units/ZVR 1").unwrap();
        let token = page.next_token(&42_u64.to_be_bytes());
        assert!(token.bytes().all(|b| b.is_ascii_alphanumeric()), "URL-safe");
        let next = read("List", 500, &token, "units/ZVR 1").unwrap();
        assert_eq!(next.after_number().unwrap(), Some(42));
        for (call, token, argument) in [
            ("List", token.as_str(), "units/ZVR 2"),
            ("ListOthers", token.as_str(), "units/ZVR 1"),
            ("List", &token[1..], "units/ZVR 1"),
            ("List", "zz", "units/ZVR 1"),
            ("List", "\u{e9}\u{e9}", "units/ZVR 1"),
        ] {
            let refusal = read(call, 2, token, argument).unwrap_err();
            let details = refusal.get_error_details();
            assert_eq!(details.error_info().unwrap().reason, "BAD_PAGE_TOKEN");
        }
        let other_store = Page::read(
            StoreId([8; 16]),
            "List",
            2,
            &token,
            RULE,
            &"units/ZVR 1".to_owned(),
        );
        assert!(other_store.is_err());
    }
}
