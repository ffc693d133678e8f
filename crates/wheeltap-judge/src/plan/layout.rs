//! Which channels a plan holds, those included that others are computed from.

use super::{PlannedChannel, PlannedDerived, Speaks};
use crate::derive::Derivation;
use crate::pane::steps;
use crate::tally::Bins;
use std::collections::BTreeMap;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, ClassDef};
use wheeltap_rules::Read;

/// The channels of a plan, laid out.
pub(super) struct Laid {
    pub ids: Vec<ChannelId>,
    pub channels: Vec<PlannedChannel>,
    pub derived: Vec<PlannedDerived>,
}

impl Laid {
    /// Lays out what is read of the unit itself, and says how far back of a value what it is computed
    /// from matters.
    pub fn out<'a>(
        reads: impl Iterator<Item = (&'a Read, Option<u32>)>,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> (Self, i64) {
        let mut channels = Channels::default();
        for (read, part_no) in reads {
            if matches!(read, Read::Mates { .. }) {
                continue;
            }
            for (id, def) in read_channels(read, part_no, catalogue) {
                channels
                    .by_id
                    .entry(id)
                    .or_insert_with(|| planned_channel(def));
            }
        }
        let (derivations, derived_reach_ms) = channels.add_inputs(class, catalogue);
        let ids: Vec<ChannelId> = channels.by_id.keys().copied().collect();
        let laid = Self {
            derived: planned_derived(derivations, &ids),
            ids,
            channels: channels.by_id.into_values().collect(),
        };
        (laid, derived_reach_ms)
    }

    pub fn longest_hold_ms(&self) -> i64 {
        let holds = self.channels.iter().map(|channel| match channel.speaks {
            Speaks::Held { hold_ms } => hold_ms,
            _ => 0,
        });
        holds.max().unwrap_or(0)
    }
}

#[derive(Default)]
struct Channels {
    by_id: BTreeMap<ChannelId, PlannedChannel>,
}

impl Channels {
    /// Adds what the derived channels among these are computed from. Gives their derivations, each
    /// after its inputs', and how far back of a value its inputs matter.
    fn add_inputs(
        &mut self,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
    ) -> (Vec<(ChannelId, Derivation)>, i64) {
        let mut found = Vec::new();
        let wanted: Vec<ChannelId> = self.by_id.keys().copied().collect();
        let reach = wanted
            .into_iter()
            .map(|id| self.add_inputs_of(id, class, catalogue, &mut found));
        let reach = reach.max().unwrap_or(0);
        (found, reach)
    }

    /// The catalogue has no circles, so this ends.
    fn add_inputs_of(
        &mut self,
        id: ChannelId,
        class: Option<&ClassDef>,
        catalogue: &Catalogue,
        found: &mut Vec<(ChannelId, Derivation)>,
    ) -> i64 {
        let Some(def) = catalogue.by_id(id) else {
            return 0;
        };
        let channel = self.by_id.entry(id).or_insert_with(|| planned_channel(def));
        let Some(derived) = catalogue.derived(&def.name) else {
            return 0;
        };
        channel.derived = true;
        let Some(derivation) = Derivation::plan(def, derived, class, catalogue) else {
            return 0;
        };
        let below = derivation
            .inputs()
            .map(|input| self.add_inputs_of(input, class, catalogue, found))
            .max()
            .unwrap_or(0);
        let reach_ms = below.saturating_add(derivation.reach_ms());
        if !found.iter().any(|(known, _)| *known == id) {
            found.push((id, derivation));
        }
        reach_ms
    }
}

/// With places in the plan in place of ids; every id is in it.
fn planned_derived(
    derivations: Vec<(ChannelId, Derivation)>,
    ids: &[ChannelId],
) -> Vec<PlannedDerived> {
    let place = |id: ChannelId| ids.binary_search(&id).ok();
    let planned = derivations.into_iter().filter_map(|(id, derivation)| {
        let inputs: Option<Vec<usize>> = derivation.inputs().map(place).collect();
        Some(PlannedDerived {
            channel: place(id)?,
            inputs: inputs?,
            derivation,
        })
    });
    planned.collect()
}

/// The channels that an input reads for a part, as far as the catalogue has them.
pub(super) fn read_channels<'a>(
    read: &Read,
    part_no: Option<u32>,
    catalogue: &'a Catalogue,
) -> Vec<(ChannelId, &'a ChannelDef)> {
    let names = match read {
        Read::Healthy { baseline, .. } => baseline.channels_for(part_no).unwrap_or_default(),
        Read::Class { window, .. } => return read_channels(&window.own(), part_no, catalogue),
        Read::Mates { window, .. } => return read_channels(window, part_no, catalogue),
        Read::Window { during, .. } => {
            let measured = read.channel_for(part_no);
            let asked = during.iter();
            let asked = asked.filter_map(|condition| condition.channel_for(part_no));
            measured.into_iter().chain(asked).collect()
        }
        Read::InState(_) | Read::InRole(_) | Read::PartNumber | Read::Param(_) => Vec::new(),
    };
    let found = names.iter().filter_map(|name| catalogue.channel(name));
    found.collect()
}

/// How long a condition's value lasts without another.
pub(super) const fn lasts_ms(def: &ChannelDef) -> i64 {
    match def.kind {
        ChannelKind::Held { hold_ms } => hold_ms,
        ChannelKind::Sampled { .. } | ChannelKind::Event { .. } => def.silent_ms,
    }
}

fn planned_channel(def: &ChannelDef) -> PlannedChannel {
    let speaks = match &def.kind {
        ChannelKind::Sampled { interval_ms } => Speaks::Sampled {
            interval_ms: *interval_ms,
        },
        ChannelKind::Held { hold_ms } => Speaks::Held { hold_ms: *hold_ms },
        ChannelKind::Event { .. } => Speaks::Event,
    };
    let (num, den) = (def.resolution.num, def.resolution.den);
    PlannedChannel {
        speaks,
        derived: false,
        num,
        den,
        bins: Bins::new(steps(def.range.0, num, den), steps(def.range.1, num, den)),
        rings: Vec::new(),
    }
}
