//! Drawing a plan: what rules read, as windows that they share.

use super::layout::{Laid, lasts_ms, read_channels};
use super::{
    Asked, EffectiveRule, PlannedChannel, PlannedRing, PlannedSlot, Source, Speaks, WindowSource,
};
use crate::baseline::PlannedBaseline;
use crate::class::Compared;
use crate::{
    chart::PlannedCusum,
    gate::{PlannedCondition, PlannedGate},
    pane::{Needs, PlannedWindow},
    tally::Bins,
};
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, Part};
use wheeltap_rules::{Baseline, ClassWindow, Condition, Read, Statistic};

/// The plan of a unit while it is drawn.
pub(super) struct Drawing<'a> {
    pub catalogue: &'a Catalogue,
    pub ids: &'a [ChannelId],
    pub channels: &'a mut [PlannedChannel],
    pub gates: Vec<PlannedGate>,
    pub baselines: Vec<(PlannedBaseline, Vec<WindowSource>)>,
    pub compared: Vec<(Compared, WindowSource)>,
    pub asked: &'a [Asked],
}

impl<'a> Drawing<'a> {
    pub fn new(catalogue: &'a Catalogue, laid: &'a mut Laid, asked: &'a [Asked]) -> Self {
        Self {
            catalogue,
            ids: &laid.ids,
            channels: &mut laid.channels,
            gates: Vec::new(),
            baselines: Vec::new(),
            compared: Vec::new(),
            asked,
        }
    }

    pub fn slot(&mut self, effective: &EffectiveRule, part_no: Option<u32>) -> PlannedSlot {
        let rule = &effective.rule;
        let mut silent_ms = 0;
        let mut sources = Vec::with_capacity(rule.inputs.len());
        for input in &rule.inputs {
            for (_, def) in read_channels(&input.read, part_no, self.catalogue) {
                // Events are never due, so they say nothing about silence.
                if !matches!(def.kind, ChannelKind::Event { .. }) {
                    silent_ms = silent_ms.max(def.silent_ms);
                }
            }
            sources.push(match &input.read {
                Read::InState(states) => Source::InState(states.clone()),
                Read::InRole(wanted) => Source::InRole(*wanted),
                Read::PartNumber => part_no.map_or(Source::Nothing, |n| Source::Number(n.into())),
                Read::Param(value) => Source::Number(*value),
                Read::Window { .. } => self.source(&input.read, part_no).unwrap_or(Source::Nothing),
                Read::Class { window, gives } => {
                    let planned = self.compared(window, part_no);
                    planned.map_or(Source::Nothing, |compared| Source::Class {
                        compared,
                        gives: *gives,
                    })
                }
                Read::Mates {
                    window,
                    gives,
                    same_class,
                } => {
                    let is_it = |asked: &Asked| asked.0 == **window && asked.1 == part_no;
                    let found = self.asked.iter().position(is_it);
                    found.map_or(Source::Nothing, |asked| Source::Mates {
                        asked,
                        gives: *gives,
                        same_class: *same_class,
                    })
                }
                Read::Healthy { baseline, gives } => {
                    let found = read_channels(&input.read, part_no, self.catalogue);
                    let planned = self.baseline(baseline, &found, rule.about.tick_ms);
                    planned.map_or(Source::Nothing, |baseline| Source::Healthy {
                        baseline,
                        gives: *gives,
                    })
                }
            });
        }
        PlannedSlot {
            rule: Arc::clone(rule),
            part: part_no.and_then(|n| {
                Part::new(&format!(
                    "{} {n}",
                    rule.about.for_each.as_deref().unwrap_or("part")
                ))
                .ok()
            }),
            part_no,
            sources,
            from: effective.from,
            until: effective.until,
            silent_ms,
        }
    }

    /// The source of a window; `None` when a channel is not in the catalogue.
    pub fn source(&mut self, read: &Read, part_no: Option<u32>) -> Option<Source> {
        let Read::Window {
            statistic,
            window_ms,
            pane_ms,
            min_share,
            during,
            ..
        } = read
        else {
            return None;
        };
        let (id, def) = self.catalogue.channel(&read.channel_for(part_no)?)?;
        let channel = self.ids.binary_search(&id).ok()?;
        let gate = match during.as_slice() {
            [] => None,
            during => Some(self.gate(during, part_no)?),
        };
        if *statistic == Statistic::Last && gate.is_none() {
            return Some(Source::Last {
                channel,
                window_ms: *window_ms,
            });
        }
        let n_fields = match &def.kind {
            ChannelKind::Event { fields } => fields.len(),
            _ => 0,
        };
        let planned = &mut self.channels[channel];
        let ring = match statistic {
            Statistic::Conflicts => planned.conflict_ring(*pane_ms, gate),
            _ => planned.ring(*pane_ms, gate, n_fields),
        };
        let size = f64::from(planned.num) / f64::from(planned.den);
        let bins = planned.bins;
        let past = match *statistic {
            Statistic::RobustScore {
                past_ms,
                past_pane_ms,
            } => {
                let ring = planned.ring(past_pane_ms, gate, n_fields);
                let own = &mut planned.rings[ring];
                own.needs.bins = Some(bins);
                let window = own.window(past_ms / past_pane_ms, *window_ms);
                own.windows[window].counts = true;
                Some((ring, window))
            }
            _ => None,
        };
        let planned = &mut planned.rings[ring];
        let window = planned.window(window_ms / pane_ms, 0);
        let detail = planned.ask(window, *statistic, (size, bins, *window_ms));
        Some(Source::Window(WindowSource {
            channel,
            ring,
            window,
            statistic: *statistic,
            window_ms: *window_ms,
            min_share: *min_share,
            detail,
            past,
            gated: gate.is_some(),
        }))
    }

    /// The index of a window that is compared with the class's; `None` when a channel is missing.
    fn compared(&mut self, window: &ClassWindow, part_no: Option<u32>) -> Option<usize> {
        let own = window.own();
        let Source::Window(source) = self.source(&own, part_no)? else {
            return None;
        };
        let (_, def) = self.catalogue.channel(&own.channel_for(part_no)?)?;
        let planned = &self.channels[source.channel];
        let compared = Compared {
            of: window.of(part_no),
            ucum: def.ucum.clone(),
            window_ms: window.window_ms,
            step: f64::from(planned.num) / f64::from(planned.den),
        };
        let found = self.compared.iter().position(|(known, of)| {
            // Panes of another length end the same window elsewhere.
            known.of == compared.of && *of == source
        });
        Some(found.unwrap_or_else(|| {
            self.compared.push((compared, source));
            self.compared.len() - 1
        }))
    }

    /// The index of a healthy stretch, which rules of the same tick share; `None` when a channel is
    /// missing.
    fn baseline(
        &mut self,
        baseline: &Baseline,
        found: &[(ChannelId, &ChannelDef)],
        tick_ms: i64,
    ) -> Option<usize> {
        if found.len() < baseline.channels.len() {
            return None;
        }
        let names = found.iter().map(|(_, def)| def.name.to_string()).collect();
        let planned = PlannedBaseline::new(baseline, names, tick_ms);
        let same = |(known, _): &(PlannedBaseline, _)| known.key == planned.key;
        if let Some(idx) = self.baselines.iter().position(same) {
            return Some(idx);
        }
        let mut windows = Vec::new();
        for (id, _) in found {
            let channel = self.ids.binary_search(id).ok()?;
            let own = &mut self.channels[channel];
            let ring = own.ring(baseline.pane_ms, None, 0);
            let window = own.rings[ring].window(baseline.window_ms / baseline.pane_ms, 0);
            windows.push(WindowSource {
                channel,
                ring,
                window,
                statistic: Statistic::Mean,
                window_ms: baseline.window_ms,
                min_share: baseline.min_share,
                detail: 0,
                past: None,
                gated: false,
            });
        }
        self.baselines.push((planned, windows));
        Some(self.baselines.len() - 1)
    }

    /// The gate for these conditions; `None` when one's channel is not in the catalogue.
    fn gate(&mut self, during: &[Condition], part_no: Option<u32>) -> Option<usize> {
        let conditions = during.iter().map(|condition| {
            let (id, def) = self.catalogue.channel(&condition.channel_for(part_no)?)?;
            Some(PlannedCondition {
                channel: self.ids.binary_search(&id).ok()?,
                test: condition.test,
                lasts_ms: lasts_ms(def),
                held: matches!(def.kind, ChannelKind::Held { .. }),
            })
        });
        let wanted = PlannedGate {
            conditions: conditions.collect::<Option<_>>()?,
        };
        Some(position_or_push(&mut self.gates, wanted))
    }
}

impl PlannedChannel {
    /// The ring of these panes and this gate, made when it is not there.
    fn ring(&mut self, pane_ms: i64, gate: Option<usize>, n_fields: usize) -> usize {
        let found = self
            .rings
            .iter()
            .position(|ring| ring.pane_ms == pane_ms && ring.gate == gate && !ring.is_of_conflicts);
        found.unwrap_or_else(|| {
            let needs = Needs {
                coverage: matches!(self.speaks, Speaks::Held { .. }),
                n_fields,
                ..Needs::default()
            };
            self.rings.push(PlannedRing {
                pane_ms,
                gate,
                is_of_conflicts: false,
                needs,
                windows: Vec::new(),
            });
            self.rings.len() - 1
        })
    }

    /// As above for conflicts.
    fn conflict_ring(&mut self, pane_ms: i64, gate: Option<usize>) -> usize {
        let found = self
            .rings
            .iter()
            .position(|ring| ring.pane_ms == pane_ms && ring.gate == gate && ring.is_of_conflicts);
        found.unwrap_or_else(|| {
            self.rings.push(PlannedRing {
                pane_ms,
                gate,
                is_of_conflicts: true,
                needs: Needs::default(),
                windows: Vec::new(),
            });
            self.rings.len() - 1
        })
    }
}

impl PlannedRing {
    fn window(&mut self, n_panes: i64, lag_ms: i64) -> usize {
        let found = self
            .windows
            .iter()
            .position(|window| window.n_panes == n_panes && window.lag_ms == lag_ms);
        found.unwrap_or_else(|| {
            self.windows.push(PlannedWindow {
                n_panes,
                lag_ms,
                ..PlannedWindow::default()
            });
            self.windows.len() - 1
        })
    }

    /// Asks for what a statistic needs; returns the index that [`WindowSource::detail`] explains.
    fn ask(
        &mut self,
        window: usize,
        statistic: Statistic,
        (size, bins, window_ms): (f64, Bins, i64),
    ) -> usize {
        let needs = &mut self.needs;
        match statistic {
            Statistic::StdDev => needs.squares = true,
            Statistic::Slope => needs.moments = true,
            Statistic::SlopeError => {
                needs.moments = true;
                needs.squares = true;
            }
            Statistic::MovingRange => needs.moving = true,
            Statistic::Min | Statistic::Max | Statistic::Range => {
                self.windows[window].extremes = true;
            }
            Statistic::Quantile(_) | Statistic::Median => {
                needs.bins = Some(bins);
                self.windows[window].counts = true;
            }
            Statistic::TimeAbove(at) | Statistic::TimeBelow(at) => {
                return position_or_push(&mut needs.limits, at);
            }
            Statistic::Ewma(weight) | Statistic::EwmaScore { weight, .. } => {
                return position_or_push(&mut needs.weights, weight);
            }
            Statistic::CusumHigh { target, slack } | Statistic::CusumLow { target, slack } => {
                let planned = PlannedCusum::new(target, slack, size, window_ms);
                return position_or_push(&mut needs.cusums, planned);
            }
            Statistic::Last
            | Statistic::Mean
            | Statistic::Rate
            | Statistic::Count
            | Statistic::Conflicts
            | Statistic::Sum(_)
            | Statistic::Integral
            | Statistic::RobustScore { .. }
            | Statistic::TrendS
            | Statistic::TrendZ
            | Statistic::TrendP
            | Statistic::RobustSlope => {}
        }
        0
    }
}

pub(super) fn position_or_push<T: PartialEq>(list: &mut Vec<T>, wanted: T) -> usize {
    if let Some(found) = list.iter().position(|own| *own == wanted) {
        return found;
    }
    list.push(wanted);
    list.len() - 1
}
