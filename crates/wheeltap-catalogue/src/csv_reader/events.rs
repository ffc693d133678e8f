//! Which rows are events, and their fields.

use super::{CsvProblem, Reading, trimmed};
use crate::map::Trigger;
use csv::ByteRecord;
use wheeltap_model::{ChannelId, UnitId};

/// Where one event's columns stand in this file.
pub(super) struct Places {
    /// `None` where every row is an event, or the file lacks an optional column.
    pub(super) trigger: Option<usize>,
    /// By field of the catalogue.
    pub(super) fields: Vec<Option<usize>>,
}

/// One event of a row: its channel and one value a field.
pub(super) type Found = (ChannelId, Vec<Option<f64>>);

impl Reading<'_> {
    pub(super) fn place_events(&self) -> Result<Vec<Places>, CsvProblem> {
        let place = |optional: bool, source| {
            if optional && !self.has(source) {
                Ok(None)
            } else {
                self.find(source).map(Some)
            }
        };
        let events = self.map.events.iter().map(|event| {
            let trigger = event.trigger.as_ref();
            let trigger = trigger.map_or(Ok(None), |own| place(own.optional, &own.source))?;
            let fields = event.fields.iter().map(|field| {
                let field = field.as_ref();
                field.map_or(Ok(None), |own| place(own.optional, &own.source))
            });
            Ok(Places {
                trigger,
                fields: fields.collect::<Result<_, _>>()?,
            })
        });
        events.collect()
    }

    /// The events of a row.
    pub(super) fn take_events(
        &mut self,
        record: &ByteRecord,
        unit: &UnitId,
        line: u64,
    ) -> Result<(), CsvProblem> {
        self.events.clear();
        for idx in 0..self.map.events.len() {
            let event = &self.map.events[idx];
            if let Some(trigger) = &event.trigger {
                let Some(at) = self.event_at[idx].trigger else {
                    continue;
                };
                let cell = trimmed(record.get(at).unwrap_or_default());
                let meant = self.means(trigger, cell);
                if trigger.onset {
                    let before = self.meant.entry(unit.clone()).or_default();
                    before.resize(self.map.events.len(), false);
                    if std::mem::replace(&mut before[idx], meant) {
                        continue;
                    }
                }
                if !meant {
                    continue;
                }
            }
            let mut fields: Vec<Option<f64>> = Vec::with_capacity(event.fields.len());
            for (field, at) in event.fields.iter().zip(&self.event_at[idx].fields) {
                fields.push(match (field, at) {
                    (Some(field), Some(at)) => self.value(record, *at, field, line)?,
                    _ => None,
                });
            }
            self.events.push((event.id, fields));
        }
        Ok(())
    }

    /// Whether a cell means that something happened.
    fn means(&self, trigger: &Trigger, cell: &[u8]) -> bool {
        if !trigger.is.is_empty() {
            return trigger.is.iter().any(|word| word.as_bytes() == cell);
        }
        let text = std::str::from_utf8(cell).unwrap_or_default();
        let number = super::read_decimal(text, self.map.layout.decimal_comma);
        !self.map.layout.is_missing(cell)
            && !text.eq_ignore_ascii_case("false")
            && number.is_none_or(|number| number != 0.0)
    }
}
