//! Cursors of watches and feeds: opaque {store id, filter digest, position}.

use crate::status;
use prost::Message;
use std::fmt::Write as _;
use tonic::Status;
use wheeltap_followup::ChangeNotice;
use wheeltap_store::StoreId;

const DIGEST: usize = 8;
const LENGTH: usize = 16 + DIGEST + 8 + 8 + 4;
/// Without the last four, as versions wrote them that gave no place within an entry.
const OLD_LENGTH: usize = LENGTH - 4;

/// A place in the ledger, as a reader remembers it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Everything up to this ledger entry was sent.
    pub position: u64,
    /// While the standing alerts of that moment are being sent: those up to this number were.
    pub standing_through: Option<u64>,
    /// So many changes of the entry after `position` were sent too: one entry may hold several.
    pub sent_of_next: u32,
}

impl Place {
    /// Everything up to an entry was sent.
    pub const fn whole(position: u64) -> Self {
        Self {
            position,
            standing_through: None,
            sent_of_next: 0,
        }
    }

    /// Whole entries of changes, each change that was not sent by here with its place in its entry and where a
    /// reader stands after it.
    pub fn unsent(
        self,
        changes: &[ChangeNotice],
    ) -> impl Iterator<Item = (&ChangeNotice, usize, Self)> {
        let entries = changes.chunk_by(|a, b| a.seq() == b.seq());
        entries.flat_map(move |entry| {
            let is_next = entry[0].seq() == self.position + 1;
            let n_sent = if is_next {
                self.sent_of_next as usize
            } else {
                0
            };
            let unsent = entry.iter().enumerate().skip(n_sent);
            unsent.map(|(idx, change)| {
                let after = Self::after_change(change.seq(), idx, entry.len());
                (change, idx, after)
            })
        })
    }

    /// After the change `idx` of the `n` of an entry.
    fn after_change(seq: u64, idx: usize, n: usize) -> Self {
        if idx + 1 >= n {
            return Self::whole(seq);
        }
        Self {
            sent_of_next: u32::try_from(idx + 1).unwrap_or(u32::MAX),
            ..Self::whole(seq - 1)
        }
    }
}

/// Makes and reads the cursors of one reader.
#[derive(Clone, Copy, Debug)]
pub struct Cursors {
    store: StoreId,
    filter: [u8; DIGEST],
}

impl Cursors {
    /// For one call with one filter on one store.
    pub fn new(store: StoreId, call: &'static str, filter: &impl Message) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(call.as_bytes());
        hasher.update(&[0]);
        hasher.update(&filter.encode_to_vec());
        let mut digest = [0; DIGEST];
        digest.copy_from_slice(&hasher.finalize().as_bytes()[..DIGEST]);
        Self {
            store,
            filter: digest,
        }
    }

    /// The cursor of a place.
    pub fn write(&self, place: Place) -> String {
        let mut bytes = Vec::with_capacity(LENGTH);
        bytes.extend_from_slice(&self.store.0);
        bytes.extend_from_slice(&self.filter);
        bytes.extend_from_slice(&place.position.to_be_bytes());
        let through = place.standing_through.unwrap_or(u64::MAX);
        bytes.extend_from_slice(&through.to_be_bytes());
        bytes.extend_from_slice(&place.sent_of_next.to_be_bytes());
        hex(&bytes)
    }

    /// The place of a cursor; `None` for an empty one.
    ///
    /// # Errors
    /// OUT_OF_RANGE `CURSOR_FOREIGN` when it is none of this store's, `CURSOR_OTHER_FILTER` when it
    /// belongs to another filter.
    pub fn read(&self, text: &str) -> Result<Option<Place>, Status> {
        if text.is_empty() {
            return Ok(None);
        }
        let bytes = from_hex(text).ok_or_else(foreign)?;
        let (store, rest) = bytes.split_at(16);
        let (filter, rest) = rest.split_at(DIGEST);
        if store != self.store.0 {
            return Err(foreign());
        }
        if filter != self.filter {
            return Err(status::out_of_range(
                "CURSOR_OTHER_FILTER",
                "the cursor belongs to another filter; list again with this one",
            ));
        }
        let number = |at: usize| {
            let mut bytes = [0; 8];
            bytes.copy_from_slice(&rest[at..at + 8]);
            u64::from_be_bytes(bytes)
        };
        let through = number(8);
        Ok(Some(Place {
            position: number(0),
            standing_through: (through != u64::MAX).then_some(through),
            sent_of_next: u32::from_be_bytes([rest[16], rest[17], rest[18], rest[19]]),
        }))
    }
}

/// A cursor of another store, or of none.
pub fn foreign() -> Status {
    status::out_of_range(
        "CURSOR_FOREIGN",
        "the cursor is none of this store's; list again",
    )
}

/// A cursor from so long ago that changes since are no longer kept ready.
pub fn expired(why: wheeltap_followup::HistoryGone) -> Status {
    status::out_of_range("CURSOR_EXPIRED", why.to_string())
}

/// Lower-case hexadecimal digits, two a byte.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

fn from_hex(text: &str) -> Option<[u8; LENGTH]> {
    let digits = text.as_bytes();
    let n_bytes = digits.len() / 2;
    let fits = digits.len().is_multiple_of(2) && [LENGTH, OLD_LENGTH].contains(&n_bytes);
    if !fits || !digits.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let mut bytes = [0; LENGTH];
    for (idx, byte) in bytes.iter_mut().take(n_bytes).enumerate() {
        *byte = u8::from_str_radix(&text[2 * idx..2 * idx + 2], 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tonic_types::StatusExt;

    #[test]
    fn a_cursor_is_good_for_its_store_and_filter_only() {
        let cursors =
            |store: u8, filter: &str| Cursors::new(StoreId([store; 16]), "C", &filter.to_owned());
        let own = cursors(1, "a");
        for (standing_through, sent_of_next) in [(None, 0), (Some(7), 0), (None, 3)] {
            let place = Place {
                position: 42,
                standing_through,
                sent_of_next,
            };
            assert_eq!(own.read(&own.write(place)).unwrap(), Some(place));
        }
        // What a version wrote that gave no place within an entry.
        let old = &own.write(Place::whole(42))[..2 * OLD_LENGTH];
        assert_eq!(own.read(old).unwrap(), Some(Place::whole(42)));
        let text = own.write(Place::whole(1));
        let reason = |cursors: Cursors, text: &str| {
            let details = cursors.read(text).unwrap_err().get_error_details();
            details.error_info().unwrap().reason.clone()
        };
        assert_eq!(reason(cursors(1, "b"), &text), "CURSOR_OTHER_FILTER");
        assert_eq!(reason(cursors(2, "a"), &text), "CURSOR_FOREIGN");
        for bad in ["x", "\u{e9}", &text[2..], &text.replace('0', "g")] {
            assert_eq!(reason(own, bad), "CURSOR_FOREIGN");
        }
        assert_eq!(own.read("").unwrap(), None);
    }
}
