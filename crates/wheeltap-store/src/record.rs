//! The envelope of every stored value: a version, a checksum bound to the key, then the body; and
//! the splitting of long bodies, because the engine writes a leaf that outgrows a quarter of its
//! segment as a loose file that is never synced (FORMAT.md, "Sizes").

use crate::StoreError;
use crate::bytes::Reader;

/// Newest version of every kind of record that this program writes and reads.
pub(crate) const VERSION: u8 = 1;
/// Version and checksum.
pub(crate) const ENVELOPE: usize = 5;
/// Body bytes of one part in the hot tree: 20 such values and their keys stay under a quarter of
/// its 4 MiB segments (a leaf splits at 17, and may hold 19 for a moment when a sparse one merges).
pub(crate) const HOT_PART: usize = 40 * 1024;
/// The same for cold folders, whose segments are 2 MiB.
pub(crate) const COLD_PART: usize = 20 * 1024;

fn checksum(key: &[u8], body: &[u8]) -> u32 {
    let of_version = crc32c::crc32c(&[VERSION]);
    crc32c::crc32c_append(crc32c::crc32c_append(of_version, key), body)
}

/// Wraps a body for storage under `key`.
pub(crate) fn seal(key: &[u8], body: &[u8]) -> Vec<u8> {
    let mut record = Vec::with_capacity(ENVELOPE + body.len());
    record.push(VERSION);
    record.extend_from_slice(&checksum(key, body).to_be_bytes());
    record.extend_from_slice(body);
    record
}

/// Checks a stored value and gives its body.
pub(crate) fn open<'a>(
    what: &'static str,
    key: &[u8],
    record: &'a [u8],
) -> Result<&'a [u8], StoreError> {
    let mut reader = Reader::new(record);
    match reader.u8() {
        Some(VERSION) => {}
        Some(found) => {
            return Err(StoreError::UnknownVersion {
                what,
                found,
                known: VERSION,
            });
        }
        None => return Err(corrupt(what, "it is empty")),
    }
    let Some(stored) = reader.u32() else {
        return Err(corrupt(what, "it is cut short"));
    };
    let body = &record[ENVELOPE..];
    if checksum(key, body) != stored {
        return Err(corrupt(what, "its checksum differs"));
    }
    Ok(body)
}

/// A [`StoreError::Corrupt`].
pub(crate) fn corrupt(what: &'static str, message: impl Into<String>) -> StoreError {
    StoreError::Corrupt {
        what,
        message: message.into(),
    }
}

/// Splits a body into sealed records under `key` followed by the part's number.
pub(crate) fn split(key: &[u8], body: &[u8], part_len: usize) -> Vec<(Vec<u8>, Vec<u8>)> {
    let n_parts = u16::try_from(body.len().div_ceil(part_len).max(1)).unwrap_or(u16::MAX);
    debug_assert!(
        body.len() <= part_len * usize::from(n_parts),
        "bounded by callers"
    );
    (0..n_parts)
        .map(|part| {
            let start = usize::from(part) * part_len;
            let end = body.len().min(start + part_len);
            let mut with_count = n_parts.to_be_bytes().to_vec();
            with_count.extend_from_slice(&body[start..end]);
            let part_key = part_key(key, part);
            let record = seal(&part_key, &with_count);
            (part_key, record)
        })
        .collect()
}

/// The key of one part.
pub(crate) fn part_key(key: &[u8], part: u16) -> Vec<u8> {
    [key, &part.to_be_bytes()].concat()
}

/// Puts a split body together again; `None` when it is not there.
///
/// A part that is missing while others are there is corruption: parts are written, and removed, in
/// one commit. Removal between two reads looks the same, so callers that race with it pass
/// `get` over one consistent moment or treat the first part as deciding.
pub(crate) fn join(
    what: &'static str,
    key: &[u8],
    get: impl Fn(&[u8]) -> Result<Option<sled::IVec>, StoreError>,
) -> Result<Option<Vec<u8>>, StoreError> {
    let mut body = Vec::new();
    let mut part = 0_u16;
    loop {
        let part_key = part_key(key, part);
        let Some(record) = get(&part_key)? else {
            if part > 0 && get(&self::part_key(key, 0))?.is_some() {
                return Err(corrupt(what, format!("part {part} is missing")));
            }
            return Ok(None);
        };
        let (n_parts, bytes) = open_part(what, &part_key, &record)?;
        body.extend_from_slice(bytes);
        part += 1;
        if part >= n_parts {
            return Ok(Some(body));
        }
    }
}

/// One part's count of parts and bytes.
pub(crate) fn open_part<'a>(
    what: &'static str,
    key: &[u8],
    record: &'a [u8],
) -> Result<(u16, &'a [u8]), StoreError> {
    let mut reader = Reader::new(open(what, key, record)?);
    let n_parts = reader
        .u16()
        .filter(|n_parts| *n_parts > 0)
        .ok_or_else(|| corrupt(what, "its count of parts is missing"))?;
    let left = reader.left();
    Ok((n_parts, reader.take(left).unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn long_bodies_are_split_and_joined() {
        for len in [0, 1, 99, 100, 101, 1_000] {
            let body: Vec<u8> = (0..=255).cycle().take(len).collect();
            let parts = split(b"k", &body, 100);
            assert_eq!(parts.len(), len.div_ceil(100).max(1));
            let mut stored: BTreeMap<Vec<u8>, Vec<u8>> = parts.into_iter().collect();
            let get = |key: &[u8]| Ok(stored.get(key).map(|value| sled::IVec::from(&value[..])));
            assert_eq!(join("thing", b"k", get).unwrap(), Some(body));
            let last = stored.keys().next_back().unwrap().clone();
            stored.remove(&last);
            let get = |key: &[u8]| Ok(stored.get(key).map(|value| sled::IVec::from(&value[..])));
            let joined = join("thing", b"k", get);
            if len > 100 {
                assert!(matches!(joined, Err(StoreError::Corrupt { .. })));
            } else {
                assert_eq!(joined.unwrap(), None);
            }
        }
    }

    #[test]
    fn every_flipped_byte_and_every_cut_is_found() {
        let record = seal(b"key", b"the body of a record");
        assert!(open("thing", b"key", &record).is_ok());
        for idx in 0..record.len() {
            for bit in 0..8 {
                let mut bad = record.clone();
                bad[idx] ^= 1 << bit;
                let refused = open("thing", b"key", &bad).unwrap_err();
                assert_eq!(
                    matches!(refused, StoreError::UnknownVersion { known: 1, .. }),
                    idx == 0
                );
            }
            assert!(open("thing", b"key", &record[..idx]).is_err());
        }
        // A record that strayed to another key is found too.
        assert!(open("thing", b"kez", &record).is_err());
    }
}
