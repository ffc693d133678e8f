//! Keys of the hot tree and of cold folders (FORMAT.md, "Keys"). Numbers are big-endian, so that
//! keys sort as the things do.

use crate::bytes::{Reader, key_time, time_key};
use crate::{Epoch, Tier};
use wheeltap_model::ChannelId;

pub(crate) const CHANNEL: u8 = b'c';
pub(crate) const UNIT: u8 = b'n';
pub(crate) const SOURCE: u8 = b's';
pub(crate) const EXTENT: u8 = b'x';
pub(crate) const FRAME: u8 = b'J';
pub(crate) const STRIP: u8 = b'S';
pub(crate) const STRIP_INDEX: u8 = b'i';
pub(crate) const LEDGER: u8 = b'L';
pub(crate) const DOCUMENT: u8 = b'D';
pub(crate) const QUARANTINE: u8 = b'q';
pub(crate) const QUARANTINE_INDEX: u8 = b'Q';
/// The store's identity.
pub(crate) const META_ID: &[u8] = b"mid";
/// Length of a period, for the life of the folder.
pub(crate) const META_PERIOD: &[u8] = b"mperiod";
/// What retention has dropped.
pub(crate) const META_FLOORS: &[u8] = b"mfloors";
/// The last quarantine number given.
pub(crate) const META_QUARANTINE: &[u8] = b"mquarantine";

pub(crate) const BLOCK: u8 = b'B';
pub(crate) const EVENT_BLOCK: u8 = b'E';
pub(crate) const ROWS: u8 = b'R';

pub(crate) fn numbered(kind: u8, number: u32) -> Vec<u8> {
    [&[kind][..], &number.to_be_bytes()].concat()
}

pub(crate) fn counted(kind: u8, number: u64) -> Vec<u8> {
    [&[kind][..], &number.to_be_bytes()].concat()
}

pub(crate) fn of_unit(kind: u8, unit: u32, id: u64) -> Vec<u8> {
    [&[kind][..], &unit.to_be_bytes(), &id.to_be_bytes()].concat()
}

pub(crate) fn document(kind: &str, key: &[u8]) -> Vec<u8> {
    [&[DOCUMENT], kind.as_bytes(), &[0], key].concat()
}

/// What the kinds of blocks and rows of one channel start with.
pub(crate) fn of_channel(kind: u8, unit: u32, channel: ChannelId) -> Vec<u8> {
    [&[kind][..], &unit.to_be_bytes(), &channel.0.to_be_bytes()].concat()
}

/// A block's key, less the part: several blocks of one stretch differ by `id`.
pub(crate) fn block(kind: u8, unit: u32, channel: ChannelId, span: (i64, i64), id: u16) -> Vec<u8> {
    let mut key = of_channel(kind, unit, channel);
    key.extend_from_slice(&time_key(span.0));
    key.extend_from_slice(&time_key(span.1));
    key.extend_from_slice(&id.to_be_bytes());
    key
}

/// First and last time in a block's key, part included.
pub(crate) fn block_span(key: &[u8]) -> Option<(i64, i64)> {
    let mut reader = Reader::new(key);
    reader.take(9)?;
    let span = (key_time(reader.array()?), key_time(reader.array()?));
    reader.take(4)?;
    reader.end()?;
    Some(span)
}

pub(crate) fn rows(unit: u32, channel: ChannelId, chunk_ms: i64) -> Vec<u8> {
    let mut key = of_channel(ROWS, unit, channel);
    key.extend_from_slice(&time_key(chunk_ms));
    key
}

/// How much time one stored run of rows covers.
pub(crate) const fn chunk_ms(tier: Tier) -> i64 {
    match tier {
        Tier::Minute => 4 * 3_600_000,
        Tier::Hour => 7 * 24 * 3_600_000,
    }
}

/// The number after the kind byte of a key made by [`counted`], parts or not.
pub(crate) fn number64(key: &[u8]) -> Option<u64> {
    let mut reader = Reader::new(key);
    reader.u8()?;
    reader.u64()
}

/// The number after the kind byte of a key made by [`numbered`], parts or not.
pub(crate) fn number32(key: &[u8]) -> Option<u32> {
    let mut reader = Reader::new(key);
    reader.u8()?;
    reader.u32()
}

/// Unit and id of a key made by [`of_unit`].
pub(crate) fn unit_and_id(key: &[u8]) -> Option<(u32, u64)> {
    let mut reader = Reader::new(key);
    reader.u8()?;
    Some((reader.u32()?, reader.u64()?))
}

/// A source: one unit's one spool.
pub(crate) type SourceKey = (u32, Epoch);
