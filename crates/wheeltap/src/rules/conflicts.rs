//! Readings of one instant that differ: they feed no rule, so whoever replays files is told.

use super::replay::Units;
use crate::output::{grouped, note};
use std::{collections::BTreeMap, fs::File, ops::ControlFlow, path::PathBuf};
use wheeltap_catalogue::BoundMap;
use wheeltap_model::{ChannelId, EventTime, Quality, UnitId};

/// What conflicts in one channel.
struct Conflicts<'a> {
    n_instants: u64,
    /// The earliest instant, and whose it is.
    at: EventTime,
    unit: &'a UnitId,
    /// Where the readings of that instant stand, each value once.
    places: Vec<(String, f64)>,
}

impl Conflicts<'_> {
    /// Where both of the first readings are known, nothing more is looked for.
    fn are_found(&self) -> bool {
        self.places.len() > 1
    }
}

/// Says of each channel how often its readings conflict, and first where; the files are read again for their lines.
pub(super) fn say(units: &Units, files: &[PathBuf], map: &BoundMap) {
    let mut of_channels = count(units);
    if of_channels.is_empty() {
        return;
    }
    find(&mut of_channels, files, map);
    for (channel, conflicts) in &of_channels {
        let Some(def) = map.catalogue().by_id(*channel) else {
            continue;
        };
        let places: Vec<&str> = conflicts
            .places
            .iter()
            .map(|(place, _)| place.as_str())
            .collect();
        let places = match places.as_slice() {
            [] => String::new(),
            places => format!(": {}", places.join(" and ")),
        };
        note(format!(
            "{}: readings that differ for one instant, so that they feed no rule: {}, first of {} at {}{places}",
            def.name,
            grouped(conflicts.n_instants),
            conflicts.unit,
            conflicts.at
        ));
    }
}

fn count(units: &Units) -> BTreeMap<ChannelId, Conflicts<'_>> {
    let mut of_channels: BTreeMap<ChannelId, Conflicts<'_>> = BTreeMap::new();
    for (unit, read) in units {
        for (channel, series) in read.series() {
            let times = series.times_ms.iter().zip(&series.qualities);
            for (time_ms, _) in times.filter(|(_, quality)| **quality == Quality::Conflict) {
                let at = EventTime::from_unix_ms(*time_ms);
                let known = of_channels.entry(*channel).or_insert_with(|| Conflicts {
                    n_instants: 0,
                    at,
                    unit,
                    places: Vec::new(),
                });
                known.n_instants += 1;
                if at < known.at {
                    (known.at, known.unit) = (at, unit);
                }
            }
        }
    }
    of_channels
}

/// Looks for the lines of each channel's first conflict. What cannot be read a second time, such as a pipe, is told
/// without them.
fn find(of_channels: &mut BTreeMap<ChannelId, Conflicts<'_>>, files: &[PathBuf], map: &BoundMap) {
    for path in files {
        let name = path.display().to_string();
        let Ok(file) = File::open(path) else { continue };
        let read = map.read(&name, file, &mut |row| {
            for (channel, value, quality) in row.samples {
                let Some(conflicts) = of_channels.get_mut(channel) else {
                    continue;
                };
                let is_new = !conflicts.are_found()
                    && *quality == Quality::Good
                    && (row.time, row.unit) == (conflicts.at, conflicts.unit)
                    && conflicts
                        .places
                        .iter()
                        .all(|(_, other)| other.total_cmp(value).is_ne());
                if is_new {
                    conflicts
                        .places
                        .push((format!("{name}:{}", row.line), *value));
                }
            }
            if of_channels.values().all(Conflicts::are_found) {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        });
        if read.is_err() || of_channels.values().all(Conflicts::are_found) {
            return;
        }
    }
}
