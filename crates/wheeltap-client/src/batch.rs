//! From samples and events to batches as they go over the wire.
//!
//! Columns that share their times share one axis, and a regular axis costs three numbers. What does
//! not fit one batch is split by event time, so that each part is a stretch of the unit's past.

use bytes::Bytes;
use prost::Message;
use std::collections::HashMap;
use std::sync::Arc;
use wheeltap_model::{ChannelName, EventTime, Quality};
use wheeltap_proto::v1;

/// Most samples and events in one batch.
pub const MAX_BATCH_SAMPLES: usize = 65_536;
/// Most bytes in one batch, all fields together.
pub const MAX_BATCH_BYTES: usize = 1024 * 1024;
/// Longest event time in one batch, milliseconds.
pub const MAX_BATCH_SPAN_MS: i64 = 24 * 3_600_000;
/// Most channels in one schema.
pub const MAX_SCHEMA_CHANNELS: usize = 4_096;

/// Bytes of a batch left for the other fields, and for what Zstandard adds to the incompressible.
const ENVELOPE_BYTES: usize = 8 * 1024;
/// Fast, and telemetry gains little from more.
const ZSTD_LEVEL: i32 = 3;

/// What the columns of a batch mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Schema {
    digest: [u8; 16],
    definition: Bytes,
}

impl Schema {
    /// From a serialized `SchemaDefinition`.
    pub fn new(definition: Bytes) -> Self {
        let mut digest = [0; 16];
        digest.copy_from_slice(&blake3::hash(&definition).as_bytes()[..16]);
        Self { digest, definition }
    }

    /// First 16 bytes of the BLAKE3 digest of the definition.
    pub const fn digest(&self) -> [u8; 16] {
        self.digest
    }

    /// The serialized `SchemaDefinition`.
    pub const fn definition(&self) -> &Bytes {
        &self.definition
    }
}

/// How a payload is packed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Packing {
    /// As it is: cheapest for both ends.
    #[default]
    Plain,
    /// Compressed with Zstandard: for dear or slow links.
    Zstd,
}

/// One batch ready for a spool, which gives it its sequence.
#[derive(Clone, Debug, PartialEq)]
pub struct EncodedBatch {
    /// What its columns mean.
    pub schema: Arc<Schema>,
    /// How the payload is packed.
    pub packing: Packing,
    /// The packed `TelemetryPayload`.
    pub payload: Bytes,
    /// If set: nothing older than this is still to come from this unit.
    pub complete_through: Option<EventTime>,
    /// Samples and events in it.
    pub n_samples: u32,
}

/// Why samples were not taken. Nothing of the refused call was kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BatchError {
    /// The columns differ in length.
    #[error(
        "channel {channel}: {n_times} times, {n_values} values and {n_qualities} qualities; give \
         one value a time, and one quality a time or none"
    )]
    Lengths {
        /// The channel.
        channel: ChannelName,
        /// Times given.
        n_times: usize,
        /// Values given.
        n_values: usize,
        /// Qualities given.
        n_qualities: usize,
    },
    /// A time is before the one ahead of it.
    #[error("channel {channel}, sample {sample_idx}: the time goes back; sort samples by time")]
    Unsorted {
        /// The channel.
        channel: ChannelName,
        /// Position in the call.
        sample_idx: usize,
    },
    /// A value is NaN or infinite.
    #[error(
        "channel {channel}, sample {sample_idx}: the value is not a finite number; leave the \
         sample out"
    )]
    NonFinite {
        /// The channel.
        channel: ChannelName,
        /// Position in the call.
        sample_idx: usize,
    },
    /// A quality that only the service gives.
    #[error(
        "channel {channel}, sample {sample_idx}: quality conflict is for the service to find; send \
         each value that was read"
    )]
    ConflictSent {
        /// The channel.
        channel: ChannelName,
        /// Position in the call.
        sample_idx: usize,
    },
    /// The channel was used before with another unit of measure.
    #[error("channel {channel}: its unit was \"{before}\" and is now \"{now}\"; use one unit")]
    UnitChanged {
        /// The channel.
        channel: ChannelName,
        /// UCUM code used before.
        before: String,
        /// UCUM code of this call.
        now: String,
    },
    /// The channel was used before for the other kind of thing.
    #[error("channel {channel} carries both samples and events; use two channels")]
    MixedKinds {
        /// The channel.
        channel: ChannelName,
    },
    /// More channels than a schema holds.
    #[error("more than 4096 channels in one builder; use several builders")]
    TooManyChannels,
    /// The payload could not be compressed.
    #[error("the payload could not be compressed: {message}")]
    Compression {
        /// What the codec said.
        message: String,
    },
}

#[derive(Debug, Default)]
struct ChannelEntry {
    ucum: String,
    fields: Vec<String>,
    is_event: bool,
    times_ms: Vec<i64>,
    values: Vec<f64>,
    /// Empty while all are good.
    qualities: Vec<Quality>,
    events: Vec<(i64, Vec<Option<f64>>)>,
}

/// Collects samples and events of one unit and cuts them into batches.
///
/// A builder can be used again after [`BatchBuilder::build`]: it remembers its channels, so that
/// the schema stays the same and is sent once.
///
/// ```
/// use wheeltap_client::{BatchBuilder, Packing};
/// use wheeltap_model::ChannelName;
/// let oil = ChannelName::new("engine.oil.temperature")?;
/// let mut builder = BatchBuilder::new(Packing::Plain);
/// builder.samples(&oil, "Cel", &[1_000, 2_000, 3_000], &[82.0, 82.5, 83.0], &[])?;
/// let batches = builder.build()?;
/// assert_eq!(batches.len(), 1);
/// assert_eq!(batches[0].n_samples, 3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Default)]
pub struct BatchBuilder {
    packing: Packing,
    names: Vec<ChannelName>,
    entries: Vec<ChannelEntry>,
    by_name: HashMap<ChannelName, usize>,
    schema: Option<Arc<Schema>>,
    complete_through: Option<EventTime>,
}

impl BatchBuilder {
    /// An empty builder.
    pub fn new(packing: Packing) -> Self {
        Self {
            packing,
            ..Self::default()
        }
    }

    fn entry(
        &mut self,
        channel: &ChannelName,
        is_event: bool,
    ) -> Result<(usize, bool), BatchError> {
        if let Some(&idx) = self.by_name.get(channel) {
            if self.entries[idx].is_event != is_event {
                return Err(BatchError::MixedKinds {
                    channel: channel.clone(),
                });
            }
            return Ok((idx, false));
        }
        if self.names.len() == MAX_SCHEMA_CHANNELS {
            return Err(BatchError::TooManyChannels);
        }
        let idx = self.names.len();
        self.names.push(channel.clone());
        self.entries.push(ChannelEntry {
            is_event,
            ..ChannelEntry::default()
        });
        self.by_name.insert(channel.clone(), idx);
        self.schema = None;
        Ok((idx, true))
    }

    /// Adds samples of one channel. `times_ms` are Unix milliseconds, not descending, also against
    /// what was added before; `ucum` is the unit of `values`, or empty for the catalogue's;
    /// `qualities` may be empty when all are good.
    ///
    /// # Errors
    /// [`BatchError`]; nothing of this call was kept.
    pub fn samples(
        &mut self,
        channel: &ChannelName,
        ucum: &str,
        times_ms: &[i64],
        values: &[f64],
        qualities: &[Quality],
    ) -> Result<&mut Self, BatchError> {
        if times_ms.len() != values.len()
            || !(qualities.is_empty() || qualities.len() == values.len())
        {
            return Err(BatchError::Lengths {
                channel: channel.clone(),
                n_times: times_ms.len(),
                n_values: values.len(),
                n_qualities: qualities.len(),
            });
        }
        if let Some(sample_idx) = values.iter().position(|value| !value.is_finite()) {
            return Err(BatchError::NonFinite {
                channel: channel.clone(),
                sample_idx,
            });
        }
        if let Some(sample_idx) = qualities.iter().position(|q| *q == Quality::Conflict) {
            return Err(BatchError::ConflictSent {
                channel: channel.clone(),
                sample_idx,
            });
        }
        if let Some(idx) = times_ms.windows(2).position(|pair| pair[1] < pair[0]) {
            return Err(BatchError::Unsorted {
                channel: channel.clone(),
                sample_idx: idx + 1,
            });
        }
        let (idx, is_new) = self.entry(channel, false)?;
        let entry = &mut self.entries[idx];
        if is_new {
            ucum.clone_into(&mut entry.ucum);
        } else if entry.ucum != ucum {
            return Err(BatchError::UnitChanged {
                channel: channel.clone(),
                before: entry.ucum.clone(),
                now: ucum.to_owned(),
            });
        }
        if let (Some(last), Some(first)) = (entry.times_ms.last(), times_ms.first())
            && first < last
        {
            return Err(BatchError::Unsorted {
                channel: channel.clone(),
                sample_idx: 0,
            });
        }
        let all_good = qualities.iter().all(|quality| *quality == Quality::Good);
        if !all_good || !entry.qualities.is_empty() {
            entry.qualities.resize(entry.values.len(), Quality::Good);
            if qualities.is_empty() {
                let n_after = entry.values.len() + values.len();
                entry.qualities.resize(n_after, Quality::Good);
            } else {
                entry.qualities.extend_from_slice(qualities);
            }
        }
        entry.times_ms.extend_from_slice(times_ms);
        entry.values.extend_from_slice(values);
        Ok(self)
    }

    /// Adds one event. `fields` are named values; a field left out is not known.
    ///
    /// # Errors
    /// [`BatchError::NonFinite`] (`sample_idx` is the field's position), [`BatchError::MixedKinds`]
    /// or [`BatchError::TooManyChannels`]; nothing of this call was kept.
    pub fn event(
        &mut self,
        channel: &ChannelName,
        at: EventTime,
        fields: &[(&str, f64)],
    ) -> Result<&mut Self, BatchError> {
        if let Some(sample_idx) = fields.iter().position(|(_, value)| !value.is_finite()) {
            return Err(BatchError::NonFinite {
                channel: channel.clone(),
                sample_idx,
            });
        }
        let (idx, _) = self.entry(channel, true)?;
        let entry = &mut self.entries[idx];
        let mut row = vec![None; entry.fields.len()];
        for (name, value) in fields {
            if let Some(field_idx) = entry.fields.iter().position(|known| known == name) {
                row[field_idx] = Some(*value);
            } else {
                entry.fields.push((*name).to_owned());
                row.push(Some(*value));
                self.schema = None;
            }
        }
        entry.events.push((at.unix_ms(), row));
        Ok(self)
    }

    /// Promises that nothing older than this is still to come from this unit. It travels with the
    /// last of the batches that the next [`BatchBuilder::build`] makes, if it makes any.
    pub fn complete_through(&mut self, at: EventTime) -> &mut Self {
        self.complete_through = Some(at);
        self
    }

    /// How many samples and events wait for [`BatchBuilder::build`].
    pub fn len(&self) -> usize {
        self.entries
            .iter()
            .map(|entry| entry.values.len() + entry.events.len())
            .sum()
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn schema(&mut self) -> Arc<Schema> {
        if let Some(schema) = &self.schema {
            return Arc::clone(schema);
        }
        let channels = self
            .names
            .iter()
            .zip(&self.entries)
            .map(|(name, entry)| v1::SchemaChannel {
                name: name.as_str().to_owned(),
                ucum: entry.ucum.clone(),
                fields: entry.fields.clone(),
            })
            .collect();
        let definition = v1::SchemaDefinition { channels }.encode_to_vec();
        let schema = Arc::new(Schema::new(definition.into()));
        self.schema = Some(Arc::clone(&schema));
        schema
    }

    /// Cuts what was added into batches, oldest first, and empties the builder but for its channels.
    /// No samples and no events make no batch.
    ///
    /// # Errors
    /// [`BatchError::Compression`]; what was added is kept.
    pub fn build(&mut self) -> Result<Vec<EncodedBatch>, BatchError> {
        let schema = self.schema();
        for entry in &mut self.entries {
            let n_fields = entry.fields.len();
            for (_, row) in &mut entry.events {
                row.resize(n_fields, None);
            }
            // Stable, so that events of one instant keep their order.
            entry.events.sort_by_key(|(time_ms, _)| *time_ms);
        }
        let mut batches = Vec::new();
        let parts: Vec<Part<'_>> = self
            .entries
            .iter()
            .enumerate()
            .map(|(idx, entry)| Part {
                channel: u32::try_from(idx).unwrap_or(u32::MAX),
                times_ms: &entry.times_ms,
                values: &entry.values,
                qualities: &entry.qualities,
                events: &entry.events,
            })
            .filter(|part| part.len() > 0)
            .collect();
        if !parts.is_empty() {
            self.cut(&schema, &parts, &mut batches)?;
        }
        if let Some(last) = batches.last_mut() {
            last.complete_through = self.complete_through.take();
        }
        for entry in &mut self.entries {
            entry.times_ms.clear();
            entry.values.clear();
            entry.qualities.clear();
            entry.events.clear();
        }
        Ok(batches)
    }

    fn cut(
        &self,
        schema: &Arc<Schema>,
        parts: &[Part<'_>],
        batches: &mut Vec<EncodedBatch>,
    ) -> Result<(), BatchError> {
        let n_samples: usize = parts.iter().map(Part::len).sum();
        let first_ms = parts.iter().filter_map(Part::first_ms).min().unwrap_or(0);
        let last_ms = parts.iter().filter_map(Part::last_ms).max().unwrap_or(0);
        let span_ms = last_ms.saturating_sub(first_ms);
        if n_samples <= MAX_BATCH_SAMPLES && span_ms <= MAX_BATCH_SPAN_MS {
            let payload = encode(parts);
            // The limit is met before compression too: an incompressible payload must fit.
            if payload.len() <= MAX_BATCH_BYTES - ENVELOPE_BYTES || n_samples == 1 {
                batches.push(EncodedBatch {
                    schema: Arc::clone(schema),
                    packing: self.packing,
                    payload: self.pack(payload)?,
                    complete_through: None,
                    n_samples: u32::try_from(n_samples).unwrap_or(u32::MAX),
                });
                return Ok(());
            }
        }
        let (before, after): (Vec<Part<'_>>, Vec<Part<'_>>) = if span_ms > 0 {
            // Everything before `middle_ms` goes first; both sides hold something.
            let middle_ms = first_ms + span_ms / 2 + 1;
            parts
                .iter()
                .map(|part| part.split_at_time(middle_ms))
                .unzip()
        } else if let [only] = parts {
            let (before, after) = only.halve();
            (vec![before], vec![after])
        } else {
            let (before, after) = parts.split_at(parts.len() / 2);
            (before.to_vec(), after.to_vec())
        };
        for side in [before, after] {
            let side: Vec<Part<'_>> = side.into_iter().filter(|part| part.len() > 0).collect();
            self.cut(schema, &side, batches)?;
        }
        Ok(())
    }

    fn pack(&self, payload: Vec<u8>) -> Result<Bytes, BatchError> {
        match self.packing {
            Packing::Plain => Ok(payload.into()),
            Packing::Zstd => zstd::bulk::compress(&payload, ZSTD_LEVEL)
                .map(Bytes::from)
                .map_err(|error| BatchError::Compression {
                    message: error.to_string(),
                }),
        }
    }
}

/// A stretch of one channel.
#[derive(Clone, Copy)]
struct Part<'a> {
    channel: u32,
    times_ms: &'a [i64],
    values: &'a [f64],
    qualities: &'a [Quality],
    events: &'a [(i64, Vec<Option<f64>>)],
}

impl<'a> Part<'a> {
    fn len(&self) -> usize {
        self.values.len() + self.events.len()
    }

    fn first_ms(&self) -> Option<i64> {
        let event = self.events.first().map(|(time_ms, _)| *time_ms);
        self.times_ms
            .first()
            .copied()
            .into_iter()
            .chain(event)
            .min()
    }

    fn last_ms(&self) -> Option<i64> {
        let event = self.events.last().map(|(time_ms, _)| *time_ms);
        self.times_ms.last().copied().into_iter().chain(event).max()
    }

    fn split(&self, n_samples: usize, n_events: usize) -> (Self, Self) {
        let (times_a, times_b) = self.times_ms.split_at(n_samples);
        let (values_a, values_b) = self.values.split_at(n_samples);
        let (qualities_a, qualities_b) =
            self.qualities.split_at(n_samples.min(self.qualities.len()));
        let (events_a, events_b) = self.events.split_at(n_events);
        let side = |times_ms: &'a [i64], values, qualities, events| Self {
            channel: self.channel,
            times_ms,
            values,
            qualities,
            events,
        };
        (
            side(times_a, values_a, qualities_a, events_a),
            side(times_b, values_b, qualities_b, events_b),
        )
    }

    fn split_at_time(&self, middle_ms: i64) -> (Self, Self) {
        self.split(
            self.times_ms.partition_point(|ms| *ms < middle_ms),
            self.events.partition_point(|(ms, _)| *ms < middle_ms),
        )
    }

    fn halve(&self) -> (Self, Self) {
        self.split(self.values.len() / 2, self.events.len() / 2)
    }
}

fn axis(times_ms: &[i64]) -> v1::TimeAxis {
    let first_unix_ms = times_ms.first().copied().unwrap_or(0);
    let deltas_ms: Vec<u64> = times_ms
        .windows(2)
        .map(|pair| pair[1].abs_diff(pair[0]))
        .collect();
    match deltas_ms.first() {
        Some(&step_ms) if deltas_ms.iter().all(|delta| *delta == step_ms) => v1::TimeAxis {
            first_unix_ms,
            deltas_ms: Vec::new(),
            step_ms,
            count: u32::try_from(times_ms.len()).unwrap_or(u32::MAX),
        },
        _ => v1::TimeAxis {
            first_unix_ms,
            deltas_ms,
            step_ms: 0,
            count: 0,
        },
    }
}

/// The wire's number of a quality.
const fn quality_number(quality: Quality) -> u8 {
    let number = match quality {
        Quality::Bad => v1::Quality::Bad,
        Quality::Uncertain => v1::Quality::Uncertain,
        Quality::Good => v1::Quality::Good,
        Quality::Conflict => v1::Quality::Conflict,
    } as i32;
    number.to_le_bytes()[0]
}

fn encode(parts: &[Part<'_>]) -> Vec<u8> {
    let mut payload = v1::TelemetryPayload::default();
    let mut axis_by_times: HashMap<&[i64], u32> = HashMap::new();
    for part in parts {
        if !part.values.is_empty() {
            let next_axis = u32::try_from(payload.axes.len()).unwrap_or(u32::MAX);
            let axis_idx = *axis_by_times.entry(part.times_ms).or_insert_with(|| {
                payload.axes.push(axis(part.times_ms));
                next_axis
            });
            let all_good = part.qualities.iter().all(|q| *q == Quality::Good);
            payload.columns.push(v1::PayloadColumn {
                channel: part.channel,
                axis: axis_idx,
                values: part.values.to_vec(),
                qualities: if all_good {
                    Bytes::new()
                } else {
                    part.qualities.iter().copied().map(quality_number).collect()
                },
            });
        }
        payload
            .events
            .extend(part.events.iter().map(|(time_ms, row)| {
                v1::EventRow {
                    channel: part.channel,
                    time_unix_ms: *time_ms,
                    fields: row
                        .iter()
                        .map(|value| v1::EventField { value: *value })
                        .collect(),
                }
            }));
    }
    payload.encode_to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn channel(name: &str) -> ChannelName {
        ChannelName::new(name).unwrap()
    }

    fn open(batch: &EncodedBatch) -> v1::TelemetryPayload {
        let plain = match batch.packing {
            Packing::Plain => batch.payload.to_vec(),
            Packing::Zstd => zstd::bulk::decompress(&batch.payload, 16 << 20).unwrap(),
        };
        v1::TelemetryPayload::decode(plain.as_slice()).unwrap()
    }

    fn times(axis: &v1::TimeAxis) -> Vec<i64> {
        let mut at = axis.first_unix_ms;
        let mut times = vec![at];
        let deltas: Vec<u64> = if axis.count > 0 {
            vec![axis.step_ms; axis.count as usize - 1]
        } else {
            axis.deltas_ms.clone()
        };
        for delta in deltas {
            at = at.checked_add_unsigned(delta).unwrap();
            times.push(at);
        }
        times
    }

    #[test]
    fn shared_regular_times_cost_one_short_axis() {
        let mut builder = BatchBuilder::new(Packing::Plain);
        let ticks: Vec<i64> = (0..600).map(|s| s * 1_000).collect();
        let values: Vec<f64> = (0..600).map(f64::from).collect();
        for name in ["a.one", "a.two", "a.three"] {
            builder
                .samples(&channel(name), "", &ticks, &values, &[])
                .unwrap();
        }
        let batches = builder.build().unwrap();
        let payload = open(&batches[0]);
        assert_eq!(payload.axes.len(), 1);
        assert_eq!(
            (payload.axes[0].count, payload.axes[0].step_ms),
            (600, 1_000)
        );
        assert!(payload.axes[0].deltas_ms.is_empty());
        assert_eq!(payload.columns.len(), 3);
    }

    #[test]
    fn a_reused_builder_keeps_its_schema() {
        let mut builder = BatchBuilder::new(Packing::Plain);
        builder
            .samples(&channel("a.one"), "", &[1], &[1.0], &[])
            .unwrap();
        builder
            .samples(&channel("a.two"), "", &[1], &[1.0], &[])
            .unwrap();
        let first = builder.build().unwrap();
        builder
            .samples(&channel("a.two"), "", &[2], &[1.0], &[])
            .unwrap();
        let second = builder.build().unwrap();
        assert_eq!(first[0].schema.digest(), second[0].schema.digest());
        assert_eq!(open(&second[0]).columns[0].channel, 1);
    }

    #[test]
    fn the_promise_travels_with_the_last_part_only() {
        let mut builder = BatchBuilder::new(Packing::Plain);
        let day_ms = 24 * 3_600_000;
        builder
            .samples(
                &channel("a.one"),
                "",
                &[0, day_ms + 1, 3 * day_ms],
                &[1.0; 3],
                &[],
            )
            .unwrap();
        builder.complete_through(EventTime::from_unix_ms(3 * day_ms));
        let batches = builder.build().unwrap();
        assert!(batches.len() > 1);
        let (last, before) = batches.split_last().unwrap();
        assert_eq!(
            last.complete_through,
            Some(EventTime::from_unix_ms(3 * day_ms))
        );
        assert!(before.iter().all(|batch| batch.complete_through.is_none()));
    }

    #[test]
    fn bad_input_is_named_with_its_place() {
        let mut builder = BatchBuilder::new(Packing::Plain);
        let oil = channel("engine.oil.temperature");
        let refusals = [
            builder
                .samples(&oil, "", &[1, 2], &[1.0], &[])
                .unwrap_err()
                .to_string(),
            builder
                .samples(&oil, "", &[1, 2], &[1.0, f64::NAN], &[])
                .unwrap_err()
                .to_string(),
            builder
                .samples(&oil, "", &[2, 1], &[1.0, 1.0], &[])
                .unwrap_err()
                .to_string(),
            builder
                .samples(&oil, "", &[1], &[1.0], &[Quality::Conflict])
                .unwrap_err()
                .to_string(),
        ];
        let places = [
            "2 times, 1 values",
            "sample 1: the value",
            "sample 1: the time",
            "sample 0",
        ];
        for (refusal, place) in refusals.iter().zip(places) {
            assert!(refusal.contains("engine.oil.temperature"), "{refusal}");
            assert!(refusal.contains(place), "{refusal}");
        }
        assert!(builder.is_empty());
        builder.samples(&oil, "Cel", &[5], &[1.0], &[]).unwrap();
        assert!(matches!(
            builder.samples(&oil, "Cel", &[4], &[1.0], &[]),
            Err(BatchError::Unsorted { sample_idx: 0, .. })
        ));
        assert!(matches!(
            builder.samples(&oil, "K", &[6], &[1.0], &[]),
            Err(BatchError::UnitChanged { .. })
        ));
        assert!(matches!(
            builder.event(&oil, EventTime::from_unix_ms(6), &[]),
            Err(BatchError::MixedKinds { .. })
        ));
    }

    #[test]
    fn events_keep_their_fields_and_unknown_ones_stay_unknown() {
        let mut builder = BatchBuilder::new(Packing::Zstd);
        let slip = channel("wheel.slip");
        let at = EventTime::from_unix_ms;
        builder.event(&slip, at(2_000), &[("axle", 3.0)]).unwrap();
        builder
            .event(&slip, at(1_000), &[("duration", 0.5), ("axle", 1.0)])
            .unwrap();
        let batches = builder.build().unwrap();
        let payload = open(&batches[0]);
        let rows: Vec<(i64, Vec<Option<f64>>)> = payload
            .events
            .iter()
            .map(|row| {
                (
                    row.time_unix_ms,
                    row.fields.iter().map(|field| field.value).collect(),
                )
            })
            .collect();
        assert_eq!(
            rows,
            [
                (1_000, vec![Some(1.0), Some(0.5)]),
                (2_000, vec![Some(3.0), None]),
            ]
        );
    }

    #[test]
    fn a_crowded_instant_is_split_by_count() {
        let n = MAX_BATCH_SAMPLES + 1;
        let mut builder = BatchBuilder::new(Packing::Plain);
        builder
            .samples(&channel("a.one"), "", &vec![7; n], &vec![1.0; n], &[])
            .unwrap();
        let batches = builder.build().unwrap();
        assert!(
            batches
                .iter()
                .all(|batch| batch.n_samples as usize <= MAX_BATCH_SAMPLES)
        );
        let n_total: usize = batches.iter().map(|batch| batch.n_samples as usize).sum();
        assert_eq!(n_total, n);
    }

    fn samples() -> impl Strategy<Value = Vec<(i64, f64, u8)>> {
        // Wide gaps force splits by time.
        prop::collection::vec((0_i64..200_000_000, -5.0..5.0_f64, 0_u8..3), 0..60).prop_map(
            |mut rows| {
                rows.sort_by_key(|row| row.0);
                rows
            },
        )
    }

    proptest! {
        // The law: what comes out of the batches is what went in, in order, and no batch breaks a
        // limit.
        #[test]
        fn nothing_is_lost_or_made_up(one in samples(), two in samples(), packed: bool) {
            let packing = if packed { Packing::Zstd } else { Packing::Plain };
            let mut builder = BatchBuilder::new(packing);
            for (name, rows) in [("a.one", &one), ("a.two", &two)] {
                let times: Vec<i64> = rows.iter().map(|row| row.0).collect();
                let values: Vec<f64> = rows.iter().map(|row| row.1).collect();
                let qualities: Vec<Quality> =
                    rows.iter().map(|row| Quality::from_u8(row.2).unwrap()).collect();
                builder.samples(&channel(name), "", &times, &values, &qualities).unwrap();
            }
            let mut out = [Vec::new(), Vec::new()];
            for batch in builder.build().unwrap() {
                prop_assert!(batch.payload.len() < MAX_BATCH_BYTES);
                let payload = open(&batch);
                let mut all_times = Vec::new();
                for column in &payload.columns {
                    let times = times(&payload.axes[column.axis as usize]);
                    prop_assert_eq!(times.len(), column.values.len());
                    all_times.extend(times.iter().copied());
                    for (idx, time) in times.iter().enumerate() {
                        let quality = column.qualities.get(idx).copied().unwrap_or(3) - 1;
                        out[column.channel as usize].push((*time, column.values[idx], quality));
                    }
                }
                let span = all_times.iter().max().unwrap() - all_times.iter().min().unwrap();
                prop_assert!(span <= MAX_BATCH_SPAN_MS);
            }
            prop_assert_eq!(&out[0], &one);
            prop_assert_eq!(&out[1], &two);
        }
    }
}
