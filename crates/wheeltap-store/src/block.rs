//! Sealed blocks: one channel's stretch, packed with pco, under a header that answers what can be
//! answered without unpacking; and the rows of rollups, in columns.

use crate::bytes::{Reader, put_bytes, put_varint};
use crate::codec::{pack, put_qualities, put_values, qualities, unpack, values};
use crate::record::corrupt;
use crate::{Rollup, StoreError};
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec};
use wheeltap_model::{EventTime, Quality, Series};

/// More points than this no block holds.
pub(crate) const MAX_POINTS: usize = 65_536;

/// pco for times and values, one byte a quality packed with zstd where not all are good.
const CODEC_PCO: u8 = 1;

/// What a block says without being unpacked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct BlockHeader {
    pub(crate) count: usize,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    /// Good samples; `min`, `max` and `sum` are of these and 0 without any.
    pub(crate) n_good: usize,
    pub(crate) min: f64,
    pub(crate) max: f64,
    pub(crate) sum: f64,
}

fn header_of(series: &Series) -> Option<BlockHeader> {
    let mut header = BlockHeader {
        count: series.len(),
        first_ms: *series.times_ms.first()?,
        last_ms: *series.times_ms.last()?,
        n_good: 0,
        min: 0.0,
        max: 0.0,
        sum: 0.0,
    };
    for sample in series.samples().filter(|s| s.quality == Quality::Good) {
        if header.n_good == 0 {
            (header.min, header.max) = (sample.value, sample.value);
        }
        header.n_good += 1;
        header.min = header.min.min(sample.value);
        header.max = header.max.max(sample.value);
        header.sum += sample.value;
    }
    Some(header)
}

fn pco_error(error: &pco::errors::PcoError) -> StoreError {
    StoreError::Engine {
        doing: "packing a block",
        message: error.to_string(),
    }
}

/// Packs a series of 1 to [`MAX_POINTS`] points into a block's body.
pub(crate) fn encode_block(series: &Series) -> Result<Vec<u8>, StoreError> {
    let header = header_of(series)
        .filter(|header| header.count <= MAX_POINTS)
        .ok_or_else(|| corrupt("block to be", "it has no points, or too many"))?;
    let regular = series
        .times_ms
        .windows(3)
        .all(|w| w[1].wrapping_sub(w[0]) == w[2].wrapping_sub(w[1]));
    let delta = if regular {
        DeltaSpec::TryConsecutive(2)
    } else {
        DeltaSpec::Auto
    };
    let times = simple_compress(
        &series.times_ms,
        &ChunkConfig::default().with_delta_spec(delta),
    );
    let values = simple_compress(&series.values, &ChunkConfig::default());
    let mut body = vec![CODEC_PCO];
    put_varint(&mut body, header.count as u64);
    body.extend_from_slice(&header.first_ms.to_be_bytes());
    body.extend_from_slice(&header.last_ms.to_be_bytes());
    put_varint(&mut body, header.n_good as u64);
    for number in [header.min, header.max, header.sum] {
        body.extend_from_slice(&number.to_be_bytes());
    }
    put_bytes(&mut body, &times.map_err(|error| pco_error(&error))?);
    put_bytes(&mut body, &values.map_err(|error| pco_error(&error))?);
    let mut of_quality = Vec::new();
    put_qualities(&mut of_quality, &series.qualities);
    if of_quality.len() > 1 {
        of_quality = pack(&of_quality).map_err(|error| StoreError::Engine {
            doing: "packing a block",
            message: error.to_string(),
        })?;
        put_bytes(&mut body, &of_quality);
    } else {
        put_bytes(&mut body, &[]);
    }
    Ok(body)
}

fn read_header(reader: &mut Reader<'_>) -> Option<BlockHeader> {
    if reader.u8()? != CODEC_PCO {
        return None;
    }
    let header = BlockHeader {
        count: usize::try_from(reader.varint()?).ok()?,
        first_ms: reader.i64()?,
        last_ms: reader.i64()?,
        n_good: usize::try_from(reader.varint()?).ok()?,
        min: reader.f64()?,
        max: reader.f64()?,
        sum: reader.f64()?,
    };
    (header.count <= MAX_POINTS && header.n_good <= header.count).then_some(header)
}

fn numbers<T: Number + Default>(packed: &[u8], count: usize) -> Option<Vec<T>> {
    let mut out = vec![T::default(); count];
    let progress = simple_decompress_into(packed, &mut out).ok()?;
    (progress.finished && progress.n_processed == count).then_some(out)
}

/// Reads a block's header.
pub(crate) fn block_header(body: &[u8]) -> Result<BlockHeader, StoreError> {
    read_header(&mut Reader::new(body)).ok_or_else(|| corrupt("block", "its header is damaged"))
}

/// Unpacks a block; its times must ascend and agree with its header.
pub(crate) fn decode_block(body: &[u8]) -> Result<Series, StoreError> {
    let read = || {
        let mut reader = Reader::new(body);
        let header = read_header(&mut reader)?;
        let times_ms: Vec<i64> = numbers(reader.bytes()?, header.count)?;
        let values: Vec<f64> = numbers(reader.bytes()?, header.count)?;
        let of_quality = reader.bytes()?;
        reader.end()?;
        let qualities = if of_quality.is_empty() {
            Vec::new()
        } else {
            let raw = unpack(of_quality)?;
            let mut reader = Reader::new(&raw);
            let read = qualities(&mut reader, header.count)?;
            reader.end()?;
            read
        };
        let ascending = times_ms.windows(2).all(|pair| pair[0] < pair[1]);
        let agrees =
            times_ms.first() == Some(&header.first_ms) && times_ms.last() == Some(&header.last_ms);
        (ascending && agrees).then_some(Series {
            times_ms,
            values,
            qualities,
        })
    };
    read().ok_or_else(|| corrupt("block", "its columns are damaged"))
}

/// Packs rows that start at ascending multiples of `length_ms`, all at or after `chunk_ms`.
pub(crate) fn encode_rows(
    rows: &[Rollup],
    chunk_ms: i64,
    length_ms: i64,
) -> Result<Vec<u8>, StoreError> {
    let mut raw = Vec::new();
    put_varint(&mut raw, rows.len() as u64);
    let mut last = chunk_ms;
    for row in rows {
        let step = row.start.unix_ms().wrapping_sub(last) / length_ms;
        put_varint(&mut raw, step.cast_unsigned());
        last = row.start.unix_ms();
    }
    for row in rows {
        put_varint(&mut raw, u64::from(row.n));
    }
    for row in rows {
        put_varint(&mut raw, u64::from(row.n_unusable));
    }
    let columns: [fn(&Rollup) -> f64; 4] = [|r| r.min, |r| r.max, |r| r.sum, |r| r.last];
    for column in columns {
        put_values(&mut raw, &rows.iter().map(column).collect::<Vec<_>>());
    }
    pack(&raw).map_err(|error| StoreError::Engine {
        doing: "packing rollups",
        message: error.to_string(),
    })
}

/// Unpacks rows.
pub(crate) fn decode_rows(
    body: &[u8],
    chunk_ms: i64,
    length_ms: i64,
) -> Result<Vec<Rollup>, StoreError> {
    let read = || {
        let raw = unpack(body)?;
        let mut reader = Reader::new(&raw);
        let n = reader.count()?;
        let mut starts = Vec::with_capacity(n);
        let mut last = chunk_ms;
        for _ in 0..n {
            let step = reader.varint()?.cast_signed();
            last = last.checked_add(step.checked_mul(length_ms)?)?;
            starts.push(last);
        }
        let mut counts = || {
            (0..n)
                .map(|_| reader.number32())
                .collect::<Option<Vec<_>>>()
        };
        let (n_good, n_unusable) = (counts()?, counts()?);
        let mut column = || values(&mut reader, n);
        let (min, max, sum, newest) = (column()?, column()?, column()?, column()?);
        reader.end()?;
        Some(
            (0..n)
                .map(|idx| Rollup {
                    start: EventTime::from_unix_ms(starts[idx]),
                    n: n_good[idx],
                    n_unusable: n_unusable[idx],
                    min: min[idx],
                    max: max[idx],
                    sum: sum[idx],
                    last: newest[idx],
                })
                .collect(),
        )
    };
    read().ok_or_else(|| corrupt("rollup chunk", "its columns are damaged"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Tier;
    use crate::merge::roll_up;
    use proptest::prelude::*;

    fn series() -> impl Strategy<Value = Series> {
        let len = prop_oneof![
            1_usize..20,
            prop::sample::select(vec![1_usize, 255, 256, 257])
        ];
        let value = prop_oneof![
            (-999_i32..999).prop_map(|n| f64::from(n) / 10.0),
            any::<f64>().prop_filter("finite", |value| value.is_finite()),
            Just(-0.0),
        ];
        len.prop_flat_map(move |n| {
            (
                any::<i32>(),
                prop::collection::vec(1_i64..5_000_000, n),
                prop::collection::vec(value.clone(), n),
                prop::collection::vec(0_u8..4, n),
                any::<bool>(),
            )
        })
        .prop_map(|(start, steps, values, numbers, all_good)| {
            let mut time = i64::from(start);
            let times_ms = steps
                .iter()
                .map(|step| {
                    time += step;
                    time
                })
                .collect();
            let qualities: Vec<Quality> = numbers
                .into_iter()
                .map(|number| Quality::from_u8(number).unwrap())
                .collect();
            Series {
                times_ms,
                values,
                qualities: if all_good { Vec::new() } else { qualities },
            }
        })
    }

    proptest! {
        // The law: blocks come back bit by bit, and their headers tell the truth.
        #[test]
        #[expect(clippy::float_cmp, reason = "the same sums in the same order are equal")]
        fn blocks_come_back(series in series()) {
            let body = encode_block(&series).unwrap();
            let back = decode_block(&body).unwrap();
            let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            prop_assert_eq!(bits(&back.values), bits(&series.values));
            prop_assert!(back.samples().eq(series.samples()));
            let header = block_header(&body).unwrap();
            let good: Vec<f64> = series.samples()
                .filter(|s| s.quality == Quality::Good).map(|s| s.value).collect();
            prop_assert_eq!(header.n_good, good.len());
            prop_assert_eq!(header.min, good.iter().copied().reduce(f64::min).unwrap_or(0.0));
            prop_assert_eq!(header.max, good.iter().copied().reduce(f64::max).unwrap_or(0.0));
            prop_assert_eq!(header.sum, good.iter().fold(0.0, |sum, value| sum + value));
        }

        // The law: rows come back.
        #[test]
        fn rows_come_back(series in series()) {
            for tier in [Tier::Minute, Tier::Hour] {
                let rows = roll_up(series.samples(), tier);
                let chunk = rows[0].start.unix_ms() - 7 * tier.length_ms();
                let body = encode_rows(&rows, chunk, tier.length_ms()).unwrap();
                prop_assert_eq!(decode_rows(&body, chunk, tier.length_ms()).unwrap(), rows);
            }
        }

        // The law: damage that got past the checksum is refused or read, never a panic.
        #[test]
        fn damage_never_panics(series in series(), at: prop::sample::Index, to: u8) {
            let mut body = encode_block(&series).unwrap();
            let idx = at.index(body.len());
            body[idx] = to;
            let _ = decode_block(&body);
            let _ = decode_block(&body[..idx]);
            let rows = roll_up(series.samples(), Tier::Minute);
            let mut body = encode_rows(&rows, 0, 60_000).unwrap();
            let idx = at.index(body.len());
            body[idx] = to;
            let _ = decode_rows(&body, 0, 60_000);
        }
    }
}
