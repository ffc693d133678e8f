//! What lies between the rows of a table that a person wrote.

use crate::catalogue::Catalogue;
use std::collections::BTreeMap;
use wheeltap_model::{ChannelId, ChannelKind, EventTime, Quality, Sample};

/// Most samples that a case is filled up to; 23 days of one channel each second.
const MOST_SAMPLES: usize = 2_000_000;

/// How the rows are joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Between {
    /// A sampled channel goes from value to value in a straight line; a held one stays.
    Line,
    /// Every channel stays at its value until the next row.
    Hold,
}

/// More than [`MOST_SAMPLES`] would lie between the rows.
pub(super) struct TooMany;

/// Adds the samples that a channel would have sent between two rows that both have its cell: sampled
/// channels each nominal interval after the row, held ones again before their hold is over. Where a
/// row leaves the cell empty the channel is silent from there to the row that fills it again.
pub(super) fn fill(
    samples: &mut BTreeMap<ChannelId, Vec<Sample>>,
    times: &[EventTime],
    between: Between,
    catalogue: &Catalogue,
) -> Result<(), TooMany> {
    let mut n_left = MOST_SAMPLES;
    for (channel, series) in samples {
        let Some(def) = catalogue.by_id(*channel) else {
            continue;
        };
        let (step_ms, is_line) = match def.kind {
            ChannelKind::Sampled { interval_ms } => (interval_ms, between == Between::Line),
            ChannelKind::Held { hold_ms } => ((hold_ms / 2).max(1), false),
            ChannelKind::Event { .. } => continue,
        };
        *series = filled(series, times, step_ms, is_line, n_left).ok_or(TooMany)?;
        n_left = n_left.saturating_sub(series.len());
    }
    Ok(())
}

fn filled(
    rows: &[Sample],
    times: &[EventTime],
    step_ms: i64,
    is_line: bool,
    most: usize,
) -> Option<Vec<Sample>> {
    let mut all = Vec::new();
    for (idx, row) in rows.iter().enumerate() {
        all.push(*row);
        let Some(next) = rows.get(idx + 1) else {
            continue;
        };
        // The next row of the table leaves the cell empty: silent.
        let after = times.partition_point(|time| *time <= row.time);
        if times.get(after) != Some(&next.time) {
            continue;
        }
        let span_ms = next.time.ms_since(row.time);
        let n_between = (span_ms - 1).max(0) / step_ms;
        if usize::try_from(n_between).ok()? > most.saturating_sub(all.len()) {
            return None;
        }
        let is_good = row.quality == Quality::Good && next.quality == Quality::Good;
        for step in 1..=n_between {
            let after_ms = step * step_ms;
            let share = after_ms as f64 / span_ms as f64;
            all.push(Sample {
                time: row.time.plus_ms(after_ms),
                value: if is_line && is_good {
                    row.value + (next.value - row.value) * share
                } else {
                    row.value
                },
                quality: row.quality,
            });
        }
    }
    Some(all)
}
