//! How batches lie in journal frames and strips.
//!
//! Time axes are stored once and shared by the columns that point to them, as differences of
//! differences. Values are tried as decimals: a channel that steps by 0.1 is a row of small whole
//! numbers, and their differences mostly fit a byte. Where that does not give back every bit, the
//! bytes of neighbouring values are XORed and laid out by place, which the compressor likes. The
//! whole is then packed with zstd at level 1.

use crate::bytes::{Reader, put_bytes, put_signed, put_varint};
use std::sync::Arc;
use wheeltap_model::{Batch, ChannelId, Column, Event, EventTime, Quality};

/// Frames and strips longer than this before packing are neither written nor believed.
pub(crate) const MAX_RAW: usize = 256 * 1024 * 1024;

const ZSTD_LEVEL: i32 = 1;

/// Packs bytes, with their length before them.
pub(crate) fn pack(raw: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut out = Vec::new();
    put_varint(&mut out, raw.len() as u64);
    out.extend_from_slice(&zstd::bulk::compress(raw, ZSTD_LEVEL)?);
    Ok(out)
}

/// Unpacks what [`pack`] made; `None` when it is damaged.
pub(crate) fn unpack(packed: &[u8]) -> Option<Vec<u8>> {
    let mut reader = Reader::new(packed);
    let raw_len = usize::try_from(reader.varint()?).ok()?;
    // zstd packs at best about 1 : 30,000 here, so a longer promise is a lie.
    if raw_len > MAX_RAW || raw_len / 65_536 > reader.left() {
        return None;
    }
    let rest = reader.take(reader.left())?;
    let raw = zstd::bulk::decompress(rest, raw_len).ok()?;
    (raw.len() == raw_len).then_some(raw)
}

/// Appends times as differences of differences.
fn put_times(out: &mut Vec<u8>, times_ms: &[i64]) {
    put_varint(out, times_ms.len() as u64);
    let (mut last, mut last_step) = (0_i64, 0_i64);
    for &time in times_ms {
        let step = time.wrapping_sub(last);
        put_signed(out, step.wrapping_sub(last_step));
        (last, last_step) = (time, step);
    }
}

fn times(reader: &mut Reader<'_>) -> Option<Vec<i64>> {
    let n = reader.count()?;
    let mut times_ms = Vec::with_capacity(n);
    let (mut last, mut last_step) = (0_i64, 0_i64);
    for _ in 0..n {
        last_step = last_step.wrapping_add(reader.signed()?);
        last = last.wrapping_add(last_step);
        times_ms.push(last);
    }
    Some(times_ms)
}

const POWERS: [f64; 7] = [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6];
const SHUFFLED: u8 = 0xff;

#[expect(
    clippy::cast_possible_truncation,
    reason = "saturates, and the caller compares the way back bit by bit"
)]
fn whole(value: f64, scale: f64) -> Option<i64> {
    let number = (value * scale).round() as i64;
    ((number as f64) / scale)
        .to_bits()
        .eq(&value.to_bits())
        .then_some(number)
}

/// Appends values so that they come back bit by bit; their number is stored elsewhere.
pub(crate) fn put_values(out: &mut Vec<u8>, values: &[f64]) {
    let mut power = 0_usize;
    let mark = out.len();
    'powers: while let Some(&scale) = POWERS.get(power) {
        out.truncate(mark);
        out.push(u8::try_from(power).unwrap_or(SHUFFLED));
        let mut last = 0_i64;
        for &value in values {
            let Some(number) = whole(value, scale) else {
                power += 1;
                continue 'powers;
            };
            put_signed(out, number.wrapping_sub(last));
            last = number;
        }
        // Numbers that are no decimals pass with long differences; shuffling is shorter then.
        if out.len() - mark <= values.len() * 5 + 1 {
            return;
        }
        break;
    }
    out.truncate(mark);
    out.push(SHUFFLED);
    let mut last = 0_u64;
    let bits: Vec<[u8; 8]> = values
        .iter()
        .map(|value| {
            let bits = value.to_bits();
            let differing = bits ^ last;
            last = bits;
            differing.to_be_bytes()
        })
        .collect();
    for place in 0..8 {
        out.extend(bits.iter().map(|bytes| bytes[place]));
    }
}

/// Reads `n` values.
pub(crate) fn values(reader: &mut Reader<'_>, n: usize) -> Option<Vec<f64>> {
    let tag = reader.u8()?;
    if n > reader.left() {
        return None;
    }
    if tag == SHUFFLED {
        let bytes = reader.take(n.checked_mul(8)?)?;
        let mut last = 0_u64;
        return Some(
            (0..n)
                .map(|idx| {
                    let mut bits = 0_u64;
                    for place in 0..8 {
                        bits = (bits << 8) | u64::from(bytes[place * n + idx]);
                    }
                    last ^= bits;
                    f64::from_bits(last)
                })
                .collect(),
        );
    }
    let scale = *POWERS.get(usize::from(tag))?;
    let mut out = Vec::with_capacity(n);
    let mut last = 0_i64;
    for _ in 0..n {
        last = last.wrapping_add(reader.signed()?);
        out.push((last as f64) / scale);
    }
    Some(out)
}

/// Appends one byte a quality, or a zero when all are good.
pub(crate) fn put_qualities(out: &mut Vec<u8>, qualities: &[Quality]) {
    let all_good = qualities.iter().all(|quality| *quality == Quality::Good);
    out.push(u8::from(!all_good));
    if !all_good {
        out.extend(qualities.iter().map(|quality| *quality as u8));
    }
}

/// Reads the qualities of `n` values.
pub(crate) fn qualities(reader: &mut Reader<'_>, n: usize) -> Option<Vec<Quality>> {
    match reader.u8()? {
        0 => Some(Vec::new()),
        1 => reader
            .take(n)?
            .iter()
            .map(|number| Quality::from_u8(*number))
            .collect(),
        _ => None,
    }
}

/// Appends one event, its channel apart.
pub(crate) fn put_event(out: &mut Vec<u8>, event: &Event) {
    put_signed(out, event.time.unix_ms());
    put_varint(out, event.fields.len() as u64);
    for field in &event.fields {
        match field {
            None => out.push(0),
            Some(value) => {
                out.push(1);
                out.extend_from_slice(&value.to_be_bytes());
            }
        }
    }
}

/// Reads one event of `channel`.
pub(crate) fn event(reader: &mut Reader<'_>, channel: ChannelId) -> Option<Event> {
    let time = EventTime::from_unix_ms(reader.signed()?);
    let n_fields = reader.count()?;
    let mut fields = Vec::with_capacity(n_fields);
    for _ in 0..n_fields {
        fields.push(match reader.u8()? {
            0 => None,
            1 => Some(reader.f64()?),
            _ => return None,
        });
    }
    Some(Event {
        channel,
        time,
        fields,
    })
}

/// Appends a batch.
pub(crate) fn put_batch(out: &mut Vec<u8>, batch: &Batch) {
    match batch.complete_through {
        None => out.push(0),
        Some(time) => {
            out.push(1);
            put_signed(out, time.unix_ms());
        }
    }
    let mut axes: Vec<&Arc<[i64]>> = Vec::new();
    let of_columns: Vec<usize> = batch
        .columns
        .iter()
        .map(|column| {
            let times = &column.times_ms;
            let known = axes
                .iter()
                .rposition(|axis| Arc::ptr_eq(axis, times) || axis == &times);
            known.unwrap_or_else(|| {
                axes.push(times);
                axes.len() - 1
            })
        })
        .collect();
    put_varint(out, axes.len() as u64);
    for axis in &axes {
        put_times(out, axis);
    }
    put_varint(out, batch.columns.len() as u64);
    for (column, axis) in batch.columns.iter().zip(of_columns) {
        put_varint(out, u64::from(column.channel.0));
        put_varint(out, axis as u64);
        put_values(out, &column.values);
        put_qualities(out, &column.qualities);
    }
    put_varint(out, batch.events.len() as u64);
    for event in &batch.events {
        put_varint(out, u64::from(event.channel.0));
        put_event(out, event);
    }
}

/// Reads a batch.
pub(crate) fn batch(reader: &mut Reader<'_>) -> Option<Batch> {
    let complete_through = match reader.u8()? {
        0 => None,
        1 => Some(EventTime::from_unix_ms(reader.signed()?)),
        _ => return None,
    };
    let n_axes = reader.count()?;
    let mut axes: Vec<Arc<[i64]>> = Vec::new();
    for _ in 0..n_axes {
        axes.push(times(reader)?.into());
    }
    let n_columns = reader.count()?;
    let mut columns = Vec::new();
    for _ in 0..n_columns {
        let channel = ChannelId(reader.number32()?);
        let idx = usize::try_from(reader.varint()?).ok()?;
        let times_ms = Arc::clone(axes.get(idx)?);
        let values = values(reader, times_ms.len())?;
        let qualities = qualities(reader, times_ms.len())?;
        columns.push(Column {
            channel,
            times_ms,
            values,
            qualities,
        });
    }
    let n_events = reader.count()?;
    let mut events = Vec::new();
    for _ in 0..n_events {
        let channel = ChannelId(reader.number32()?);
        events.push(event(reader, channel)?);
    }
    Some(Batch {
        columns,
        events,
        complete_through,
    })
}

/// One batch in a journal frame: where it came from and what it held.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Framed {
    pub(crate) source: u32,
    pub(crate) sequence: u64,
    pub(crate) digest: [u8; 16],
    pub(crate) received_at_ms: i64,
    pub(crate) batch: Arc<Batch>,
}

/// Packs batches into the body of one frame: counts in the clear, the rest packed.
pub(crate) fn encode_frame<'a>(
    batches: impl ExactSizeIterator<Item = &'a Framed>,
) -> std::io::Result<Vec<u8>> {
    let n_batches = batches.len();
    let (mut raw, mut n_samples) = (Vec::new(), 0_usize);
    for framed in batches {
        put_varint(&mut raw, u64::from(framed.source));
        put_varint(&mut raw, framed.sequence);
        raw.extend_from_slice(&framed.digest);
        put_signed(&mut raw, framed.received_at_ms);
        put_batch(&mut raw, &framed.batch);
        n_samples += framed.batch.len();
    }
    let mut body = Vec::new();
    put_varint(&mut body, n_batches as u64);
    put_varint(&mut body, n_samples as u64);
    put_bytes(&mut body, &pack(&raw)?);
    Ok(body)
}

/// Reads the body of a frame; `None` when it is damaged.
pub(crate) fn decode_frame(body: &[u8]) -> Option<Vec<Framed>> {
    let mut reader = Reader::new(body);
    let n_batches = usize::try_from(reader.varint()?).ok()?;
    let n_samples = usize::try_from(reader.varint()?).ok()?;
    let raw = unpack(reader.bytes()?)?;
    reader.end()?;
    let mut reader = Reader::new(&raw);
    let mut batches = Vec::new();
    while reader.end().is_none() {
        batches.push(Framed {
            source: reader.number32()?,
            sequence: reader.varint()?,
            digest: reader.array()?,
            received_at_ms: reader.signed()?,
            batch: Arc::new(batch(&mut reader)?),
        });
    }
    let counted: usize = batches.iter().map(|framed| framed.batch.len()).sum();
    (batches.len() == n_batches && counted == n_samples).then_some(batches)
}

/// Packs a strip: one unit's stretch, all channels.
pub(crate) fn encode_strip(strip: &Batch) -> std::io::Result<Vec<u8>> {
    let mut raw = Vec::new();
    put_batch(&mut raw, strip);
    pack(&raw)
}

/// Reads a strip; `None` when it is damaged.
pub(crate) fn decode_strip(body: &[u8]) -> Option<Batch> {
    let raw = unpack(body)?;
    let mut reader = Reader::new(&raw);
    let strip = batch(&mut reader)?;
    reader.end()?;
    Some(strip)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_batch() -> impl Strategy<Value = Batch> {
        let times = prop::collection::vec(any::<i64>(), 0..20);
        let value = prop_oneof![
            (-9_999_i32..9_999).prop_map(|n| f64::from(n) / 100.0),
            any::<f64>().prop_filter("finite", |value| value.is_finite()),
            Just(-0.0),
        ];
        let columns = (
            prop::collection::vec(times, 1..3),
            prop::collection::vec(
                (
                    any::<u32>(),
                    0_usize..2,
                    prop::collection::vec((value, 0_u8..4), 20),
                ),
                0..4,
            ),
        );
        let field = prop::option::of(any::<f64>().prop_filter("finite", |v| v.is_finite()));
        let events = prop::collection::vec(
            (
                any::<u32>(),
                any::<i64>(),
                prop::collection::vec(field, 0..4),
            ),
            0..4,
        );
        (columns, events, prop::option::of(any::<i64>())).prop_map(
            |((axes, columns), events, complete)| {
                let axes: Vec<Arc<[i64]>> = axes.into_iter().map(Into::into).collect();
                Batch {
                    columns: columns
                        .into_iter()
                        .map(|(channel, idx, values)| {
                            let times_ms = Arc::clone(&axes[idx % axes.len()]);
                            let n = times_ms.len();
                            let qualities: Vec<Quality> = values[..n]
                                .iter()
                                .map(|(_, q)| Quality::from_u8(*q).unwrap())
                                .collect();
                            let all_good = qualities.iter().all(|q| *q == Quality::Good);
                            Column {
                                channel: ChannelId(channel),
                                times_ms,
                                values: values[..n].iter().map(|(value, _)| *value).collect(),
                                qualities: if all_good { Vec::new() } else { qualities },
                            }
                        })
                        .collect(),
                    events: events
                        .into_iter()
                        .map(|(channel, ms, fields)| Event {
                            channel: ChannelId(channel),
                            time: EventTime::from_unix_ms(ms),
                            fields,
                        })
                        .collect(),
                    complete_through: complete.map(EventTime::from_unix_ms),
                }
            },
        )
    }

    fn bits(batch: &Batch) -> Vec<Vec<u64>> {
        batch
            .columns
            .iter()
            .map(|column| column.values.iter().map(|value| value.to_bits()).collect())
            .collect()
    }

    proptest! {
        // The law: what was packed comes back bit by bit.
        #[test]
        fn batches_come_back(batch in any_batch(), sequence: u64, digest: [u8; 16]) {
            let strip = decode_strip(&encode_strip(&batch).unwrap()).unwrap();
            prop_assert_eq!(bits(&strip), bits(&batch));
            prop_assert_eq!(&strip, &batch);
            let framed = vec![Framed {
                source: 7, sequence, digest, received_at_ms: -5, batch: Arc::new(batch),
            }; 2];
            let body = encode_frame(framed.iter()).unwrap();
            prop_assert_eq!(decode_frame(&body), Some(framed));
        }

        // The law: damaged bytes that got past the checksum are refused or read, never a panic.
        #[test]
        fn damage_never_panics(batch in any_batch(), at: prop::sample::Index, to: u8) {
            let mut raw = Vec::new();
            put_batch(&mut raw, &batch);
            let idx = at.index(raw.len());
            raw[idx] = to;
            let _ = super::batch(&mut Reader::new(&raw));
            let _ = super::batch(&mut Reader::new(&raw[..idx]));
            let mut packed = encode_strip(&batch).unwrap();
            let idx = at.index(packed.len());
            packed[idx] = to;
            let _ = decode_strip(&packed);
        }
    }

    #[test]
    fn a_promise_of_endless_bytes_is_refused() {
        let mut packed = Vec::new();
        put_varint(&mut packed, u64::MAX >> 1);
        packed.extend_from_slice(&[0; 40]);
        assert_eq!(unpack(&packed), None);
    }
}
