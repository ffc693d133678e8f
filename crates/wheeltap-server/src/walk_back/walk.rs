//! The comparison itself: one unit against its past, its mates and its class.

use super::panes::{Grid, Reader, Table, UnitPanes};
use super::quantities::{self, Aspect, CONDITIONS, Work};
use std::ops::ControlFlow;
use std::sync::Arc;
use wheeltap_analysis::{Difference, Walk};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ChannelDef, ChannelName, ClassName, EventTime, UnitId};
use wheeltap_store::{Store, StoreError};

use crate::UnitRecord;
use crate::side_by_side::{Ended, side_by_side};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Lengths before the failure that are looked at: hour, day, week, month.
pub const LENGTHS_MS: [i64; 4] = [HOUR_MS, DAY_MS, 7 * DAY_MS, 30 * DAY_MS];
/// Units that are compared at most; mates come first.
pub const MOST_UNITS: usize = 40;
/// Length of a pane and how much history it serves, the finest first.
const PANES_MS: [(i64, i64); 3] = [
    (5 * 60_000, 8 * DAY_MS),
    (20 * 60_000, 31 * DAY_MS),
    (HOUR_MS, 62 * DAY_MS),
];
/// A score under this is what healthy units often come to among so many comparisons.
pub const LEAST_SCORE: f64 = 5.0;
/// A unit that sent nothing for so long was cut off.
const PAUSE_MS: i64 = 10 * 60_000;
/// Two quantities whose remainders go together so well are one finding.
const TOGETHER: f64 = 0.6;

/// What is asked.
pub struct Question<'a> {
    /// Stored telemetry.
    pub store: &'a dyn Store,
    /// Channels and classes.
    pub catalogue: &'a Catalogue,
    /// The unit that failed.
    pub unit: Arc<UnitRecord>,
    /// All units; those of its class are compared.
    pub fleet: &'a [Arc<UnitRecord>],
    /// When it failed; `None` is when its newest data ends.
    pub at: Option<EventTime>,
}

/// One thing that differs, with what moved with it.
#[derive(Clone, Debug)]
pub struct Finding {
    /// The channel.
    pub channel: ChannelDef,
    /// What of it.
    pub aspect: Aspect,
    /// Channels for which it is compared, at like values of them.
    pub given: Vec<ChannelDef>,
    /// As the analysis found it.
    pub difference: Difference,
    /// Other channels that moved with it.
    pub together: Vec<ChannelDef>,
    /// Units that show it today, with their distance from the class.
    pub today: Vec<(UnitId, f64)>,
}

/// All that came out.
#[derive(Clone, Debug)]
pub struct Walked<'a> {
    /// The panes.
    pub grid: Grid,
    /// First instant that was looked at.
    pub from: EventTime,
    /// The failure, or the unit's newest data if that is earlier.
    pub at: EventTime,
    /// Newest data of the unit, where the failure asked about was longer after it than a pause.
    pub silent_since: Option<EventTime>,
    /// Units compared, the one in question first.
    pub units: Vec<UnitId>,
    /// How many of them are mates.
    pub n_mates: usize,
    /// Their class.
    pub class: Option<ClassName>,
    /// What was stored of them.
    pub table: Table<'a>,
    /// What was asked of them, in what weather.
    pub work: Work,
    /// Channels that the unit in question sends most often.
    pub heard: Vec<ChannelName>,
    /// Comparisons made; among so many some differ by chance.
    pub n_comparisons: usize,
    /// What differs, the surest first.
    pub findings: Vec<Finding>,
}

/// Why there is nothing to compare.
#[derive(Debug, thiserror::Error)]
pub enum NoWalk {
    /// The unit has no data there.
    #[error("nothing is stored of {unit} up to {at}; its data begins at {first}")]
    NothingBefore {
        /// The unit.
        unit: UnitId,
        /// The failure.
        at: EventTime,
        /// Its first data.
        first: EventTime,
    },
    /// The unit has no data at all.
    #[error("nothing is stored of {unit}; send telemetry first")]
    Nothing {
        /// The unit.
        unit: UnitId,
    },
    /// Whoever asked went away, or the service stops.
    #[error("the walk back was ended")]
    Ended,
    /// The store stopped.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A unit that is compared.
struct Compared {
    unit: UnitId,
    /// It pulls in the consist of the unit in question.
    is_mate: bool,
}

/// Reads all units, on as many threads as there are cores.
fn read(
    reader: &Reader<'_>,
    units: &[Compared],
    mut tell: impl FnMut(usize, usize) -> bool,
) -> Result<Vec<UnitPanes>, NoWalk> {
    let mut read: Vec<UnitPanes> = vec![UnitPanes::default(); units.len()];
    let mut n_read = 0;
    let ended = side_by_side(
        units,
        || true,
        |compared, _| reader.unit(&compared.unit),
        |place, panes| {
            read[place] = match panes {
                Ok(panes) => panes,
                Err(error) => return ControlFlow::Break(error.into()),
            };
            n_read += 1;
            if tell(n_read, units.len()) {
                ControlFlow::Continue(())
            } else {
                ControlFlow::Break(NoWalk::Ended)
            }
        },
    );
    match ended {
        Ok(()) => Ok(read),
        Err(Ended::Unwanted) => Err(NoWalk::Ended),
        Err(Ended::Enough(why)) => Err(why),
    }
}

/// Units of the class, the one in question first, then its mates.
fn compared(question: &Question<'_>, at: EventTime) -> Vec<Compared> {
    let own = &question.unit;
    let train = |record: &UnitRecord| {
        let dated = record.consists.at(at)?;
        dated.value.train.clone()
    };
    let own_train = train(own);
    let mut others: Vec<Compared> = question
        .fleet
        .iter()
        .filter(|record| record.unit.class == own.unit.class && record.unit.id != own.unit.id)
        .map(|record| Compared {
            unit: record.unit.id.clone(),
            is_mate: own_train.is_some() && train(record) == own_train,
        })
        .collect();
    let (mates, mut others): (Vec<Compared>, Vec<Compared>) =
        others.drain(..).partition(|compared| compared.is_mate);
    let room = MOST_UNITS.saturating_sub(1 + mates.len());
    // Evenly from the whole class, so that one batch of road numbers is not the class.
    let n_others = others.len();
    if n_others > room {
        let mut place = 0;
        others.retain(|_| {
            let keep = (place + 1) * room / n_others > place * room / n_others;
            place += 1;
            keep
        });
    }
    let mut all = vec![Compared {
        unit: own.unit.id.clone(),
        is_mate: false,
    }];
    all.extend(mates);
    all.extend(others);
    all
}

/// Compares; `tell` is given how many units are read of how many, and ends the work by `false`.
/// Blocks.
///
/// # Errors
/// See [`NoWalk`].
pub fn walk<'a>(
    question: &Question<'a>,
    tell: impl FnMut(usize, usize) -> bool,
) -> Result<Walked<'a>, NoWalk> {
    let unit = &question.unit.unit.id;
    let extent = question.store.extent(unit)?;
    let Some((first, newest)) = extent else {
        return Err(NoWalk::Nothing { unit: unit.clone() });
    };
    let at = question.at.map_or(newest, |at| at.min(newest));
    if at < first {
        return Err(NoWalk::NothingBefore {
            unit: unit.clone(),
            at,
            first,
        });
    }
    let units = compared(question, at);
    // To the newest of all, for what they show today, unless that is long after the failure.
    let mut until = at;
    for compared in &units {
        if let Some((_, newest)) = question.store.extent(&compared.unit)? {
            until = until.max(newest);
        }
    }
    let (coarsest_ms, longest_ms) = PANES_MS[PANES_MS.len() - 1];
    let until = until.min(at.plus_ms(longest_ms / 2));
    let from = first.max(until.plus_ms(-longest_ms)).min(at);
    let span_ms = until.ms_since(from);
    let pane_ms = PANES_MS
        .iter()
        .find(|(_, serves_ms)| span_ms <= *serves_ms)
        .map_or(coarsest_ms, |(pane_ms, _)| *pane_ms);
    let grid = Grid::covering(from, until, pane_ms);
    let reader = Reader {
        store: question.store,
        catalogue: question.catalogue,
        grid,
    };
    let table = Table {
        catalogue: question.catalogue,
        grid,
        units: read(&reader, &units, tell)?,
    };
    // A pane that the failure cuts is of its time still.
    let at_pane = grid
        .pane(at.unix_ms())
        .map_or(grid.n_panes, |pane| pane + 1);
    let class = question.catalogue.class(&question.unit.unit.class);
    let mates = (0..units.len()).filter(|place| units[*place].is_mate);
    let work = quantities::work(&table, mates.collect(), at_pane, &LENGTHS_MS);
    let quickest = quantities::quickest(&table);
    let silent = quantities::silent(&table, &quickest);
    let mut walk = Walk::new(work.peers.clone());
    let mut named: Vec<(ChannelDef, Aspect)> = Vec::new();
    for channel in question.catalogue.channels() {
        for one in quantities::quantities(&table, &work, &silent, channel, class) {
            walk.add(named.len(), &one.quantity);
            named.push((one.def, one.aspect));
        }
    }
    walk.relate();
    let (differences, n_comparisons) = walk.finish();
    let n_mates = work.peers.mates.len();
    Ok(Walked {
        grid,
        from,
        at,
        silent_since: question
            .at
            .filter(|asked| asked.ms_since(newest) > PAUSE_MS)
            .map(|_| newest),
        findings: findings(differences, &named, &units, at_pane),
        n_mates,
        class: Some(question.unit.unit.class.clone()),
        heard: quickest
            .iter()
            .filter_map(|id| question.catalogue.by_id(*id))
            .map(|def| def.name.clone())
            .collect(),
        work,
        table,
        units: units.into_iter().map(|compared| compared.unit).collect(),
        n_comparisons,
    })
}

impl Walked<'_> {
    /// Other units of which something is stored in the span.
    pub fn n_units_heard(&self) -> usize {
        let others = self.table.units.iter().skip(1);
        others.filter(|panes| !panes.is_empty()).count()
    }
}

fn findings(
    differences: Vec<Difference>,
    named: &[(ChannelDef, Aspect)],
    units: &[Compared],
    until: usize,
) -> Vec<Finding> {
    let mut found: Vec<Finding> = Vec::new();
    for difference in differences {
        let (channel, aspect) = &named[difference.quantity];
        let leader = found.iter_mut().find(|finding| {
            finding.channel.name == channel.name
                || correlation(
                    &finding.difference.remainders[..until],
                    &difference.remainders[..until],
                )
                .abs()
                    >= TOGETHER
        });
        if let Some(leader) = leader {
            let is_new = leader.channel.name != channel.name
                && !leader
                    .together
                    .iter()
                    .any(|other| other.name == channel.name);
            if is_new && difference.score >= LEAST_SCORE {
                leader.together.push(channel.clone());
            }
            continue;
        }
        found.push(Finding {
            channel: channel.clone(),
            aspect: *aspect,
            given: difference
                .given
                .iter()
                .map(|given| named[*given].0.clone())
                .collect(),
            today: difference
                .today
                .iter()
                .map(|(place, distance)| (units[*place].unit.clone(), *distance))
                .collect(),
            difference,
            together: Vec::new(),
        });
    }
    found
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let both: Vec<(f64, f64)> = a
        .iter()
        .zip(b)
        .filter(|(a, b)| a.is_finite() && b.is_finite())
        .map(|(a, b)| (a.clamp(-12.0, 12.0), b.clamp(-12.0, 12.0)))
        .collect();
    let n = both.len().max(1) as f64;
    let (ma, mb) = both
        .iter()
        .fold((0.0, 0.0), |(ma, mb), (a, b)| (ma + a / n, mb + b / n));
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in both {
        aa += (a - ma) * (a - ma);
        ab += (a - ma) * (b - mb);
        bb += (b - mb) * (b - mb);
    }
    if aa > 0.0 && bb > 0.0 {
        ab / (aa * bb).sqrt()
    } else {
        0.0
    }
}

impl Finding {
    /// What differs, in words.
    pub fn words(&self) -> String {
        let what = match self.aspect {
            Aspect::Level => self.channel.name.to_string(),
            Aspect::Swing => format!("movement of {}", self.channel.name),
            Aspect::Rate => format!("rate of {}", self.channel.name),
            Aspect::Heard => format!("{} heard", self.channel.name),
            Aspect::Events => format!("count of {}", self.channel.name),
        };
        match self.given.as_slice() {
            [] => what,
            given => {
                let names: Vec<&str> = given.iter().map(|def| def.name.as_str()).collect();
                format!("{what} for its {}", names.join(" and "))
            }
        }
    }

    /// In which condition, in words.
    pub fn condition(&self) -> &'static str {
        CONDITIONS[self.difference.condition].words
    }
}
