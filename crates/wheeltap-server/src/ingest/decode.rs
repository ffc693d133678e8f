//! One batch from wire bytes to checked columns, or the first thing wrong with it.

use super::schema::{SchemaEntry, SchemaView};
use bytes::Bytes;
use prost::Message;
use prost::encoding::{DecodeContext, decode_key, skip_field};
use std::io::Read;
use std::sync::Arc;
use wheeltap_model::{
    Batch, CLOCK_SLACK_MS, ChannelName, Column, Event, EventTime, Quality, ServerTime,
};
use wheeltap_proto::v1;

/// Largest payload as sent.
pub const MAX_PAYLOAD: usize = 1 << 20;
/// Largest payload when unpacked.
const MAX_UNPACKED: usize = 16 << 20;
/// Most samples and events of a batch; also the most times of all its axes together.
const MAX_SAMPLES: usize = 65_536;
/// Longest stretch of event time in a batch.
const MAX_SPAN_MS: i64 = 24 * 3_600_000;
/// zstd frames may ask for no larger window, 2^24 bytes being the largest payload anyway.
const MAX_WINDOW_LOG: u32 = 24;

/// The reason of a batch that may have been damaged on the way.
pub const BAD_CHECKSUM: &str = "BAD_CHECKSUM";

/// Why a batch cannot be stored, with its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Machine-readable, as listed in the contract.
    pub reason: &'static str,
    /// What, where and what to do.
    pub message: String,
    /// Index of the column (or of the event, for faults in events).
    pub column: Option<u32>,
    /// Index of the sample in its column.
    pub sample: Option<u32>,
}

impl Fault {
    pub(super) const fn new(reason: &'static str, message: String) -> Self {
        Self {
            reason,
            message,
            column: None,
            sample: None,
        }
    }

    fn in_column(mut self, column_idx: usize) -> Self {
        self.column = u32::try_from(column_idx).ok();
        self
    }

    fn at_sample(mut self, sample_idx: usize) -> Self {
        self.sample = u32::try_from(sample_idx).ok();
        self
    }
}

/// What a batch is checked against besides its schema.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// The unit's commissioning; nothing may be older.
    pub commissioned: EventTime,
    /// The server's time.
    pub now: ServerTime,
}

fn malformed(message: impl Into<String>) -> Fault {
    Fault::new("MALFORMED_PAYLOAD", message.into())
}

fn too_large(message: impl Into<String>) -> Fault {
    Fault::new(
        "TOO_LARGE",
        format!("{}; send smaller batches", message.into()),
    )
}

/// Unpacks, decodes and checks one batch.
///
/// # Errors
/// The first [`Fault`] found; nothing of the batch is to be stored then.
pub fn decode(
    batch: &v1::TelemetryBatch,
    schema: &impl SchemaView,
    limits: Limits,
) -> Result<Batch, Fault> {
    let v1::TelemetryBatch {
        source: _,
        sequence: _,
        schema_digest: _,
        encoding,
        payload,
        crc32c,
        complete_through_unix_ms,
    } = batch;
    if payload.len() > MAX_PAYLOAD {
        return Err(too_large(format!(
            "the payload is {} bytes, over the limit of {MAX_PAYLOAD}",
            payload.len()
        )));
    }
    let found = crc32c::crc32c(payload);
    if found != *crc32c {
        return Err(Fault::new(
            BAD_CHECKSUM,
            format!(
                "the payload's CRC-32C is {found:#010x}, the batch says {crc32c:#010x}: it was \
                 damaged on the way or in the spool; check the gateway's disk and memory"
            ),
        ));
    }
    let unpacked = match v1::Encoding::try_from(*encoding) {
        Ok(v1::Encoding::Columns) => payload.clone(),
        Ok(v1::Encoding::ColumnsZstd) => unpack(payload)?,
        Ok(v1::Encoding::Unspecified) | Err(_) => {
            return Err(Fault::new(
                "UNKNOWN_ENCODING",
                format!("encoding {encoding} is not known here; send ENCODING_COLUMNS"),
            ));
        }
    };
    check_counts(&unpacked)?;
    let payload = v1::TelemetryPayload::decode(unpacked).map_err(|error| {
        malformed(format!(
            "the payload is no TelemetryPayload message: {error}"
        ))
    })?;
    let v1::TelemetryPayload {
        axes,
        columns,
        events,
    } = payload;
    let axes = read_axes(&axes)?;
    let mut checked = Batch {
        columns: Vec::with_capacity(columns.len()),
        events: Vec::with_capacity(events.len()),
        complete_through: complete_through_unix_ms.map(EventTime::from_unix_ms),
    };
    let mut seen = vec![false; schema.len()];
    let mut n_samples = events.len();
    for (column_idx, column) in columns.into_iter().enumerate() {
        n_samples += column.values.len();
        if n_samples > MAX_SAMPLES {
            break;
        }
        let column = read_column(column, &axes, schema, &mut seen)
            .map_err(|fault| fault.in_column(column_idx))?;
        // An empty column holds nothing, and the store wants none.
        if !column.values.is_empty() {
            checked.columns.push(column);
        }
    }
    if n_samples > MAX_SAMPLES {
        return Err(too_large(format!(
            "it holds over {MAX_SAMPLES} samples and events, the most of one batch"
        )));
    }
    for (event_idx, row) in events.into_iter().enumerate() {
        let event = read_event(row, schema).map_err(|fault| fault.in_column(event_idx))?;
        checked.events.push(event);
    }
    check_times(&checked, limits)?;
    Ok(checked)
}

fn unpack(payload: &Bytes) -> Result<Bytes, Fault> {
    let broken =
        |error: std::io::Error| malformed(format!("the payload is no Zstandard frame: {error}"));
    let mut decoder = zstd::stream::read::Decoder::with_buffer(payload.as_ref()).map_err(broken)?;
    decoder.window_log_max(MAX_WINDOW_LOG).map_err(broken)?;
    let mut unpacked = Vec::with_capacity(payload.len().saturating_mul(3));
    let bound = u64::try_from(MAX_UNPACKED).unwrap_or(u64::MAX);
    decoder
        .take(bound + 1)
        .read_to_end(&mut unpacked)
        .map_err(broken)?;
    if unpacked.len() > MAX_UNPACKED {
        return Err(too_large(format!(
            "the payload unpacks to over {MAX_UNPACKED} bytes"
        )));
    }
    Ok(Bytes::from(unpacked))
}

/// Counts the parts of a payload before they are decoded: an empty part is two bytes on the wire
/// and many in memory, so counting afterwards would be too late.
fn check_counts(payload: &Bytes) -> Result<(), Fault> {
    let broken = |error| {
        malformed(format!(
            "the payload is no TelemetryPayload message: {error}"
        ))
    };
    let mut rest = payload.clone();
    let mut n_parts = [0_usize; 4];
    while !rest.is_empty() {
        let (tag, wire_type) = decode_key(&mut rest).map_err(broken)?;
        skip_field(wire_type, tag, &mut rest, DecodeContext::default()).map_err(broken)?;
        let kind = usize::try_from(tag).map_or(0, |tag| if tag < 4 { tag } else { 0 });
        n_parts[kind] += 1;
        if n_parts[kind] > MAX_SAMPLES {
            return Err(too_large(format!(
                "it holds over {MAX_SAMPLES} axes, columns or events"
            )));
        }
    }
    Ok(())
}

fn read_axes(axes: &[v1::TimeAxis]) -> Result<Vec<Arc<[i64]>>, Fault> {
    let mut n_times = 0_usize;
    axes.iter()
        .enumerate()
        .map(|(axis_idx, axis)| {
            let v1::TimeAxis {
                first_unix_ms,
                deltas_ms,
                step_ms,
                count,
            } = axis;
            let n_here = if *count > 0 {
                usize::try_from(*count).unwrap_or(usize::MAX)
            } else {
                deltas_ms.len() + 1
            };
            n_times = n_times.saturating_add(n_here);
            if n_times > MAX_SAMPLES {
                return Err(too_large(format!(
                    "its time axes hold over {MAX_SAMPLES} times"
                )));
            }
            if *count > 0 && !deltas_ms.is_empty() {
                return Err(malformed(format!(
                    "time axis {axis_idx} has both count and deltas_ms; send one of them"
                )));
            }
            let mut times_ms = Vec::with_capacity(n_here);
            let mut at_ms = *first_unix_ms;
            times_ms.push(at_ms);
            for idx in 1..n_here {
                let delta = deltas_ms.get(idx - 1).unwrap_or(step_ms);
                // A step back shows as a huge delta, as deltas are unsigned.
                at_ms = i64::try_from(*delta)
                    .ok()
                    .and_then(|delta| at_ms.checked_add(delta))
                    .ok_or_else(|| {
                        Fault::new(
                            "UNSORTED",
                            format!(
                                "time axis {axis_idx} steps back or overflows at its time {idx}; \
                                 send times in ascending order"
                            ),
                        )
                    })?;
                times_ms.push(at_ms);
            }
            Ok(times_ms.into())
        })
        .collect()
}

fn entry_at<S: SchemaView>(schema: &S, channel: u32) -> Result<(usize, &SchemaEntry), Fault> {
    let idx = usize::try_from(channel).unwrap_or(usize::MAX);
    match schema.entry(idx) {
        Some(SchemaEntry::Unusable(fault)) => Err(fault.clone()),
        Some(entry) => Ok((idx, entry)),
        None => Err(malformed(format!(
            "channel index {channel} is past the schema's {} channels",
            schema.len()
        ))),
    }
}

fn read_column(
    column: v1::PayloadColumn,
    axes: &[Arc<[i64]>],
    schema: &impl SchemaView,
    seen: &mut [bool],
) -> Result<Column, Fault> {
    let v1::PayloadColumn {
        channel,
        axis,
        mut values,
        qualities,
    } = column;
    let (idx, entry) = entry_at(schema, channel)?;
    let SchemaEntry::Samples {
        id,
        name,
        conversion,
        range,
    } = entry
    else {
        return Err(malformed(format!(
            "channel index {channel} is an event channel; send its data as events"
        )));
    };
    if std::mem::replace(&mut seen[idx], true) {
        return Err(malformed(format!(
            "{name} has two columns; a batch holds one column a channel"
        )));
    }
    let times_ms = usize::try_from(axis)
        .ok()
        .and_then(|axis| axes.get(axis))
        .ok_or_else(|| {
            malformed(format!(
                "{name} refers to time axis {axis}, which is missing"
            ))
        })?;
    if values.len() != times_ms.len() {
        return Err(malformed(format!(
            "{name} has {} values for {} times",
            values.len(),
            times_ms.len()
        )));
    }
    if !qualities.is_empty() && qualities.len() != values.len() {
        return Err(malformed(format!(
            "{name} has {} qualities for {} values; send one a value, or none when all are good",
            qualities.len(),
            values.len()
        )));
    }
    let mut checked = read_qualities(&qualities, name)?;
    let (least, greatest) = *range;
    for (sample_idx, value) in values.iter_mut().enumerate() {
        let sent = *value;
        if let Some(conversion) = conversion {
            *value = conversion.apply(sent);
        }
        if !value.is_finite() {
            return Err(Fault::new(
                "NON_FINITE",
                format!(
                    "{name} sample {sample_idx} is {sent}, which is no number; leave such samples out"
                ),
            )
            .at_sample(sample_idx));
        }
        if *value < least || *value > greatest {
            if checked.is_empty() {
                checked = vec![Quality::Good; times_ms.len()];
            }
            checked[sample_idx] = Quality::Bad;
        }
    }
    Ok(Column {
        channel: *id,
        times_ms: Arc::clone(times_ms),
        values,
        qualities: checked,
    })
}

/// One quality a value; empty when all are good.
fn read_qualities(bytes: &[u8], name: &ChannelName) -> Result<Vec<Quality>, Fault> {
    let mut all_good = true;
    let qualities = bytes
        .iter()
        .enumerate()
        .map(|(sample_idx, byte)| {
            match v1::Quality::try_from(i32::from(*byte)) {
                Ok(v1::Quality::Good) => Ok(Quality::Good),
                Ok(v1::Quality::Uncertain) => {
                    all_good = false;
                    Ok(Quality::Uncertain)
                }
                Ok(v1::Quality::Bad) => {
                    all_good = false;
                    Ok(Quality::Bad)
                }
                Ok(v1::Quality::Unspecified | v1::Quality::Conflict) | Err(_) => Err(malformed(format!(
                    "{name} sample {sample_idx} has quality {byte}; send 1 (bad), 2 (uncertain) or \
                     3 (good)"
                ))
                .at_sample(sample_idx)),
            }
        })
        .collect::<Result<Vec<_>, _>>()?;
    Ok(if all_good { Vec::new() } else { qualities })
}

fn read_event(row: v1::EventRow, schema: &impl SchemaView) -> Result<Event, Fault> {
    let v1::EventRow {
        channel,
        time_unix_ms,
        fields,
    } = row;
    let (_, entry) = entry_at(schema, channel)?;
    let SchemaEntry::Events {
        id,
        name,
        places,
        n_fields,
    } = entry
    else {
        return Err(malformed(format!(
            "channel index {channel} is no event channel; send its data in columns"
        )));
    };
    if fields.len() != places.len() {
        return Err(malformed(format!(
            "an event of {name} has {} fields, the schema names {}",
            fields.len(),
            places.len()
        )));
    }
    let mut placed = vec![None; *n_fields];
    for (field_idx, (field, place)) in fields.iter().zip(places).enumerate() {
        if field.value.is_some_and(|value| !value.is_finite()) {
            return Err(Fault::new(
                "NON_FINITE",
                format!("field {field_idx} of an event of {name} is no number; leave it unset"),
            )
            .at_sample(field_idx));
        }
        placed[*place] = field.value;
    }
    Ok(Event {
        channel: *id,
        time: EventTime::from_unix_ms(time_unix_ms),
        fields: placed,
    })
}

fn check_times(batch: &Batch, limits: Limits) -> Result<(), Fault> {
    let Some((first, last)) = batch.span() else {
        return Err(Fault::new(
            "EMPTY",
            "it holds neither samples nor events; send a batch when there is something in it"
                .to_owned(),
        ));
    };
    let ahead_ms = |time: EventTime| time.unix_ms().saturating_sub(limits.now.unix_ms());
    for time in batch.complete_through.into_iter().chain([last]) {
        if ahead_ms(time) > CLOCK_SLACK_MS {
            let fault = Fault::new(
                "AHEAD_OF_CLOCK",
                format!(
                    "{time} is {} ms ahead of the server's clock ({}), the most is {CLOCK_SLACK_MS} \
                     ms; set the unit's clock",
                    ahead_ms(time),
                    limits.now
                ),
            );
            return Err(place_of(batch, time).map_or_else(
                || fault.clone(),
                |(column, sample)| fault.clone().in_column(column).at_sample(sample),
            ));
        }
    }
    let floor = limits.commissioned.max(EventTime::from_unix_ms(0));
    if first < floor {
        let fault = Fault::new(
            "BEFORE_COMMISSIONING",
            format!(
                "{first} is before the unit was commissioned ({floor}); set the unit's clock, or \
                 correct the date of commissioning and release the batch"
            ),
        );
        return Err(place_of(batch, first).map_or_else(
            || fault.clone(),
            |(column, sample)| fault.clone().in_column(column).at_sample(sample),
        ));
    }
    if last.ms_since(first) > MAX_SPAN_MS {
        return Err(Fault::new(
            "TOO_LONG",
            format!("it spans {first} to {last}, the most is 24 h; cut it into shorter batches"),
        ));
    }
    Ok(())
}

fn place_of(batch: &Batch, time: EventTime) -> Option<(usize, usize)> {
    batch
        .columns
        .iter()
        .enumerate()
        .find_map(|(column_idx, column)| {
            let sample_idx = column
                .times_ms
                .iter()
                .position(|ms| *ms == time.unix_ms())?;
            Some((column_idx, sample_idx))
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::ChannelId;

    struct Two([SchemaEntry; 2]);

    impl SchemaView for Two {
        fn entry(&self, idx: usize) -> Option<&SchemaEntry> {
            self.0.get(idx)
        }

        fn len(&self) -> usize {
            self.0.len()
        }
    }

    fn schema() -> Two {
        Two([
            SchemaEntry::Samples {
                id: ChannelId(0),
                name: ChannelName::new("engine.oil.temperature").unwrap(),
                conversion: None,
                range: (-50.0, 150.0),
            },
            SchemaEntry::Events {
                id: ChannelId(1),
                name: ChannelName::new("wheel.slip").unwrap(),
                places: vec![1, 0],
                n_fields: 2,
            },
        ])
    }

    const LIMITS: Limits = Limits {
        commissioned: EventTime::from_unix_ms(1_000),
        now: ServerTime::from_unix_ms(10_000_000),
    };

    fn batch(payload: Vec<u8>) -> v1::TelemetryBatch {
        v1::TelemetryBatch {
            encoding: v1::Encoding::Columns.into(),
            crc32c: crc32c::crc32c(&payload),
            payload: payload.into(),
            ..Default::default()
        }
    }

    fn whole() -> Vec<u8> {
        v1::TelemetryPayload {
            axes: vec![v1::TimeAxis {
                first_unix_ms: 5_000,
                deltas_ms: vec![1_000, 0, 2_000],
                step_ms: 0,
                count: 0,
            }],
            columns: vec![v1::PayloadColumn {
                channel: 0,
                axis: 0,
                values: vec![80.0, 81.0, 82.0, 83.0],
                qualities: vec![3, 3, 2, 3].into(),
            }],
            events: vec![v1::EventRow {
                channel: 1,
                time_unix_ms: 6_500,
                fields: vec![
                    v1::EventField { value: Some(2.0) },
                    v1::EventField { value: None },
                ],
            }],
        }
        .encode_to_vec()
    }

    /// What any batch that was let in has to be.
    fn assert_checked(checked: &Batch) {
        assert!(!checked.is_empty());
        for column in &checked.columns {
            assert_eq!(column.values.len(), column.times_ms.len());
            assert!(column.qualities.is_empty() || column.qualities.len() == column.values.len());
            assert!(column.times_ms.is_sorted());
            assert!(column.values.iter().all(|value| value.is_finite()));
            for sample in column.samples() {
                let in_range = (-50.0..=150.0).contains(&sample.value);
                assert!(in_range || sample.quality == Quality::Bad);
            }
        }
        let (first, last) = checked.span().unwrap();
        assert!(first.unix_ms() >= 1_000 && last.unix_ms() <= 10_300_000);
    }

    // The law: whatever the bytes, decoding gives a checked batch or a fault, and never panics.
    #[test]
    fn every_cut_and_every_flipped_bit_is_a_checked_batch_or_a_fault() {
        let whole = whole();
        let sound = decode(&batch(whole.clone()), &schema(), LIMITS).unwrap();
        assert_eq!(sound.len(), 5);
        assert_checked(&sound);
        let mut n_faults = 0;
        let mut try_bytes = |bytes: Vec<u8>| match decode(&batch(bytes), &schema(), LIMITS) {
            Ok(checked) => assert_checked(&checked),
            Err(fault) => {
                n_faults += 1;
                assert!(!fault.message.is_empty());
            }
        };
        for len in 0..whole.len() {
            try_bytes(whole[..len].to_vec());
        }
        for bit in 0..whole.len() * 8 {
            let mut bytes = whole.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            try_bytes(bytes);
        }
        assert!(n_faults > whole.len(), "{n_faults}");
    }

    #[test]
    fn a_damaged_payload_is_told_by_its_checksum() {
        let mut damaged = batch(whole());
        damaged.crc32c ^= 1;
        let fault = decode(&damaged, &schema(), LIMITS).unwrap_err();
        assert_eq!(fault.reason, BAD_CHECKSUM);
        // CRC-32C check value of "123456789", RFC 3720 appendix B.4 family; the value from memory.
        assert_eq!(crc32c::crc32c(b"123456789"), 0xe306_9283);
    }
}
