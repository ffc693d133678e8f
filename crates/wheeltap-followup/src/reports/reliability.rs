//! How often things fail, over what use, and whether that changes: of classes, systems and components.
//!
//! **A failure** is a road failure, whatever was found, or a defect whose finding was a fault: as called,
//! another fault, sensor or wiring; once more each time it came back. It counts at its first sign. Under
//! which name: of *as called* the defect's component; of *sensor or wiring* that component's sensor; of *another
//! fault* the component that the shop names. Where it names none the failure is of no component and no system that
//! is known: it is counted by itself and stands in no list of them. What nobody has looked at yet counts only when
//! it stopped a unit on the road.
//!
//! **Exposure** is unit-days in state *working*, by the fleet's dated states. Where less than half of the
//! unit-days have a known state, it is all unit-days since commissioning, and the report says so.
//!
//! **Lives** run from a repair, or from commissioning within the span, to the next failure of the same
//! component of the same unit, or to the end (still good). A stretch whose beginning was not seen is no
//! life; it is counted. That a repair makes a component as new is an assumption.

use super::occurrence::{Occurrence, occurrences};
use crate::forecast::DAY_MS;
use crate::{Book, component};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use wheeltap_analysis::reliability::{
    Ended, Life, MedianRanks, Mtbf, PowerLaw, Proportion, Trend, Unfit, Weibull, at_least,
    median_ranks, mtbf, power_law, proportion, trend, weibull,
};
use wheeltap_model::{
    ClassName, Defect, DefectId, EventTime, FindingKind, Timeline, Unit, UnitId, UnitState,
};

/// How the name of a sensor ends.
pub const SENSOR: &str = " sensor";
/// Under what a sensor or its wiring is counted, as a system.
pub const SENSORS: &str = "sensors and wiring";

/// As the system of a defect of which nobody named one.
pub const NO_SYSTEM: &str = "no system given";

/// A unit as the fleet knows it.
#[derive(Clone, Copy, Debug)]
pub struct FleetUnit<'a> {
    /// The unit.
    pub unit: &'a Unit,
    /// What it was doing.
    pub states: &'a Timeline<UnitState>,
}

/// By what failures are put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grouping {
    /// The unit's class.
    Class,
    /// The defect's system.
    System,
    /// The component that failed.
    Component,
}

/// What is asked for; `None` does not filter.
#[derive(Clone, Debug, PartialEq)]
pub struct ReliabilityTerms {
    /// First instant, event time.
    pub from: EventTime,
    /// First instant after it; not ahead of what is known.
    pub until: EventTime,
    /// Of the bounds, 0 to 1.
    pub confidence: f64,
    /// By what failures are put together.
    pub grouping: Grouping,
    /// A defect that comes back within this many milliseconds after its repair is a repeat.
    pub repeat_ms: i64,
    /// Only units of this class.
    pub class: Option<ClassName>,
    /// Only failures of this system.
    pub system: Option<String>,
    /// Only failures of this component.
    pub component: Option<String>,
}

/// What exposure is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// Unit-days in state working.
    Working,
    /// All unit-days since commissioning, as too few states are known.
    Commissioned,
}

/// Failures that belong together.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Class, system or component; empty for all together.
    pub name: String,
    /// Units that could have failed.
    pub n_units: u64,
    /// Failures.
    pub n_failures: u64,
    /// Of them on the road.
    pub n_road_failures: u64,
    /// Exposure of its units, days.
    pub exposure_days: f64,
    /// Days of exposure between failures at a constant rate; `None` without exposure.
    pub mtbf: Option<Mtbf>,
    /// Whether the rate changed over the exposure of the fleet; `None` without a failure.
    pub trend: Option<Trend>,
    /// The power law of that; `None` with fewer than three failures.
    pub growth: Option<PowerLaw>,
    /// Exposure of the fleet when each failure came, days, ascending.
    pub failed_at_days: Vec<f64>,
    /// Lives of the component; only where the group is one component.
    pub lives: Option<Lives>,
}

/// Times between repair and failure.
#[derive(Clone, Debug, PartialEq)]
pub struct Lives {
    /// Ended by a failure.
    pub n_failed: u64,
    /// Still good.
    pub n_good: u64,
    /// Stretches whose beginning was not seen; not among the lives.
    pub n_unseen: u64,
    /// The distribution of lives, days of exposure; `None` with fewer than two failures.
    pub weibull: Option<Weibull>,
    /// The failures on Weibull paper; `None` without one.
    pub ranks: Option<MedianRanks>,
}

/// What fails most.
#[derive(Clone, Debug, PartialEq)]
pub struct BadActor {
    /// Component or unit.
    pub name: String,
    /// Failures.
    pub n_failures: u64,
    /// Of all, 0 to 1.
    pub share: f64,
    /// Share of it and of all before it.
    pub cumulated: f64,
    /// Failures that a unit of its exposure would have at the fleet's rate; `None` for components.
    pub expected: Option<f64>,
    /// How likely that many or more are by chance, for any one unit of the fleet (Poisson, times the
    /// number of units, at most 1); `None` for components.
    pub p: Option<f64>,
}

/// A defect that came back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Repeat {
    /// The unit.
    pub unit: UnitId,
    /// The component.
    pub component: String,
    /// What was repaired.
    pub first: DefectId,
    /// What came back; the same one when it was reopened.
    pub again: DefectId,
    /// Milliseconds from repair to first sign.
    pub after_ms: i64,
}

/// Defects that came back soon.
#[derive(Clone, Debug, PartialEq)]
pub struct Repeats {
    /// What soon is, milliseconds.
    pub within_ms: i64,
    /// Came back so soon, of repairs at least so long before the end of the span.
    pub share: Proportion,
    /// Those that came back, by unit; repairs of lately too.
    pub items: Vec<Repeat>,
}

/// What units were doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Availability {
    /// Class; empty for all together.
    pub class: String,
    /// Unit-milliseconds by state, in the order of [`UnitState::ALL`].
    pub by_state_ms: Vec<(UnitState, i64)>,
}

impl Availability {
    fn sum(&self, wanted: impl Fn(UnitState) -> bool) -> i64 {
        let wanted = self.by_state_ms.iter().filter(|(state, _)| wanted(*state));
        wanted.map(|(_, ms)| ms).sum()
    }

    /// Able to pull: working, or its diesel stopped by hand or by the automatic stop.
    pub fn able_ms(&self) -> i64 {
        self.sum(is_able)
    }

    /// Lost to defects and their repair: isolated, stopped by a trip, dead in tow, in shop.
    pub fn lost_ms(&self) -> i64 {
        self.sum(is_lost)
    }

    /// Able of able and lost; stored, on another railway and unknown are neither. `None` of nothing.
    pub fn share(&self) -> Option<f64> {
        let (able, lost) = (self.able_ms(), self.lost_ms());
        (able + lost > 0).then(|| able as f64 / (able + lost) as f64)
    }
}

/// Whether a unit in this state could pull at once.
pub const fn is_able(state: UnitState) -> bool {
    matches!(
        state,
        UnitState::Working | UnitState::StoppedManual | UnitState::StoppedAuto
    )
}

/// Whether a unit in this state is lost to defects and their repair.
pub const fn is_lost(state: UnitState) -> bool {
    matches!(
        state,
        UnitState::Isolated | UnitState::StoppedTrip | UnitState::DeadInTow | UnitState::InShop
    )
}

/// The report.
#[derive(Clone, Debug, PartialEq)]
pub struct ReliabilityReport {
    /// First instant.
    pub from: EventTime,
    /// First instant after it.
    pub until: EventTime,
    /// What exposure is counted in.
    pub basis: Basis,
    /// All failures together.
    pub total: Group,
    /// Failures put together, most first.
    pub groups: Vec<Group>,
    /// Components, most failures first.
    pub components: Vec<BadActor>,
    /// Failures of another component than was called, of which the shop named none.
    pub n_unnamed: u64,
    /// Units with failures, most first.
    pub units: Vec<BadActor>,
    /// Defects that came back.
    pub repeats: Repeats,
    /// All units, then class by class.
    pub availability: Vec<Availability>,
}

/// A failure as it is counted.
struct Failure<'a> {
    unit: &'a UnitId,
    /// `None` where it is not known.
    system: Option<String>,
    /// `None` where the shop found another than was called and named none.
    component: Option<String>,
    at: EventTime,
    repaired_at: Option<EventTime>,
    on_the_road: bool,
}

/// How a component's sensor, with its wiring, is named: as the rules that watch sensors name theirs.
fn sensor_of(component: &str) -> String {
    if component.ends_with(SENSOR) {
        component.to_owned()
    } else {
        format!("{component}{SENSOR}")
    }
}

/// Systems of components, as rules and defects name them.
fn systems(book: &Book) -> BTreeMap<&str, &str> {
    let defects = book.all_defects().map(|kept| kept.defect());
    let defects = defects.map(|defect| (defect.component.as_str(), defect.system.as_str()));
    let versions = book.rule_names().flat_map(|name| book.rule_versions(name));
    let rules = versions.map(|version| &version.facts);
    let rules = rules.map(|facts| (facts.component.as_str(), facts.system.as_str()));
    defects.chain(rules).collect()
}

fn system_of(defect: &Defect) -> &str {
    match defect.system.trim() {
        "" => NO_SYSTEM,
        system => system,
    }
}

fn failure<'a>(occurrence: &Occurrence<'a>, systems: &BTreeMap<&str, &str>) -> Option<Failure<'a>> {
    let defect = occurrence.defect;
    let on_the_road = occurrence.reported.is_some_and(|said| said.on_the_road);
    let own = || {
        let system = system_of(defect).to_owned();
        (Some(system), Some(defect.component.clone()))
    };
    let (system, component) = match occurrence.finding.map(|finding| (finding.kind, finding)) {
        Some((FindingKind::AsCalled, _)) => own(),
        Some((FindingKind::AnotherFault, finding)) => match finding.work.component.as_str() {
            "" => (None, None),
            named => {
                let system = systems.get(named).copied().unwrap_or_default();
                let system = if system.is_empty() { NO_SYSTEM } else { system };
                (Some(system.to_owned()), Some(named.to_owned()))
            }
        },
        Some((FindingKind::SensorOrWiring, _)) => {
            let component = sensor_of(&defect.component);
            (Some(SENSORS.to_owned()), Some(component))
        }
        _ if on_the_road => own(),
        _ => return None,
    };
    Some(Failure {
        unit: &defect.unit,
        system,
        component,
        at: occurrence.first_sign_at,
        repaired_at: occurrence.finding.map(|finding| finding.repaired_at),
        on_the_road,
    })
}

/// Gives each component its first spelling.
fn spell_alike(failures: &mut [Failure<'_>]) {
    let mut spellings: HashMap<String, String> = HashMap::new();
    for component in failures.iter_mut().filter_map(|of| of.component.as_mut()) {
        let first = spellings.entry(component::key(component));
        let first = first.or_insert_with(|| component.trim().to_owned());
        component.clone_from(first);
    }
}

/// Stretches of one unit within the span: ascending, apart.
struct Use {
    stretches: Vec<(i64, i64)>,
    /// Its life began within the span.
    is_new: bool,
    commissioned_ms: i64,
}

impl Use {
    fn days(&self, from_ms: i64, until_ms: i64) -> f64 {
        let ms: i64 = self
            .stretches
            .iter()
            .map(|(start, end)| ((*end).min(until_ms) - (*start).max(from_ms)).max(0))
            .sum();
        days(ms)
    }

    fn all_days(&self) -> f64 {
        self.days(i64::MIN, i64::MAX)
    }
}

fn days(ms: i64) -> f64 {
    ms as f64 / DAY_MS as f64
}

/// Works it out.
///
/// # Errors
/// [`Unfit`] for a confidence outside of 0 to 1. What the record is too thin for is `None`.
pub fn reliability(
    book: &Book,
    fleet: &[FleetUnit<'_>],
    terms: &ReliabilityTerms,
) -> Result<ReliabilityReport, Unfit> {
    // Refuses a bad confidence even where there is nothing to be sure of.
    proportion(0, 0, terms.confidence)?;
    let is_asked_for = |known: &&FleetUnit<'_>| {
        known.unit.commissioned < terms.until
            && terms
                .class
                .as_ref()
                .is_none_or(|class| known.unit.class == *class)
    };
    let fleet: BTreeMap<&UnitId, &FleetUnit<'_>> = fleet
        .iter()
        .filter(is_asked_for)
        .map(|known| (&known.unit.id, known))
        .collect();
    let basis = basis(&fleet, terms);
    let worked: BTreeMap<&UnitId, Use> = fleet
        .iter()
        .map(|(id, known)| (*id, use_of(known, basis, terms)))
        .collect();
    let wanted = |failure: &Failure<'_>| {
        terms.from <= failure.at
            && failure.at < terms.until
            && worked.contains_key(failure.unit)
            && terms
                .system
                .as_ref()
                .is_none_or(|system| failure.system.as_ref() == Some(system))
            && terms.component.as_ref().is_none_or(|wanted| {
                let own = failure.component.as_deref();
                own.is_some_and(|own| component::is_same(wanted, own))
            })
    };
    let systems = systems(book);
    let mut failures: Vec<Failure<'_>> = occurrences(book)
        .filter_map(|occurrence| failure(&occurrence, &systems))
        .filter(wanted)
        .collect();
    failures.sort_by_key(|failure| failure.at);
    spell_alike(&mut failures);
    let all: Vec<&Failure<'_>> = failures.iter().collect();
    let everybody: Vec<&UnitId> = worked.keys().copied().collect();
    let mut total = group(String::new(), &all, &everybody, &worked, terms)?;
    if terms.component.is_some() {
        total.lives = Some(lives(&all, &everybody, &worked, terms));
    }
    let units = bad_units(&all, &worked, &total);
    Ok(ReliabilityReport {
        from: terms.from,
        until: terms.until,
        basis,
        groups: groups(&all, &fleet, &worked, terms)?,
        total,
        components: bad_components(&all),
        n_unnamed: all.iter().filter(|of| of.component.is_none()).count() as u64,
        units,
        repeats: repeats(book, terms, &worked)?,
        availability: availability(&fleet, terms),
    })
}

/// Milliseconds of a unit within the span in each stretch of states, from commissioning on.
fn stretches<'a>(
    known: &'a FleetUnit<'_>,
    terms: &ReliabilityTerms,
) -> impl Iterator<Item = (UnitState, i64, i64)> + 'a {
    let start = known.unit.commissioned.max(terms.from).unix_ms();
    let until = terms.until.unix_ms();
    let entries = known.states.entries();
    let first = entries
        .first()
        .map_or(i64::MAX, |dated| dated.from.unix_ms());
    let before = (UnitState::Unknown, i64::MIN, first);
    let ends = entries.iter().skip(1).map(|dated| dated.from.unix_ms());
    let said = entries.iter().zip(ends.chain([i64::MAX]));
    let said = said.map(|(dated, end)| (dated.value, dated.from.unix_ms(), end));
    std::iter::once(before)
        .chain(said)
        .filter_map(move |(state, from, end)| {
            let (from, end) = (from.max(start), end.min(until));
            (from < end).then_some((state, from, end))
        })
}

fn basis(fleet: &BTreeMap<&UnitId, &FleetUnit<'_>>, terms: &ReliabilityTerms) -> Basis {
    let (mut known, mut all) = (0, 0);
    for unit in fleet.values() {
        for (state, from, end) in stretches(unit, terms) {
            all += end - from;
            known += if state == UnitState::Unknown {
                0
            } else {
                end - from
            };
        }
    }
    if known > 0 && 2 * known >= all {
        Basis::Working
    } else {
        Basis::Commissioned
    }
}

fn use_of(known: &FleetUnit<'_>, basis: Basis, terms: &ReliabilityTerms) -> Use {
    let counted = |state| basis == Basis::Commissioned || state == UnitState::Working;
    let mut joined: Vec<(i64, i64)> = Vec::new();
    for (state, from, end) in stretches(known, terms) {
        match joined.last_mut() {
            _ if !counted(state) => {}
            Some((_, last)) if *last == from => *last = end,
            _ => joined.push((from, end)),
        }
    }
    Use {
        stretches: joined,
        is_new: known.unit.commissioned >= terms.from && known.unit.commissioned < terms.until,
        commissioned_ms: known.unit.commissioned.unix_ms(),
    }
}

/// Exposure of some units together when each of some failures came, days. The failures ascend.
fn fleet_days(
    failures: &[&Failure<'_>],
    units: &[&UnitId],
    worked: &BTreeMap<&UnitId, Use>,
) -> Vec<f64> {
    // One sweep over all starts and ends, however many units there are.
    let mut turns: Vec<(i64, i64)> = Vec::new();
    for (start, end) in units.iter().flat_map(|unit| &worked[*unit].stretches) {
        turns.extend([(*start, 1), (*end, -1)]);
    }
    turns.sort_unstable();
    let mut turns = turns.into_iter().peekable();
    // In 128 bits: a fleet's milliseconds of years are many.
    let (mut total, mut running, mut last) = (0_i128, 0_i64, i64::MIN);
    let mut advance = |to: i64, running: i64| {
        if running > 0 {
            total += i128::from(running) * i128::from(to - last);
        }
        last = to;
        total as f64 / DAY_MS as f64
    };
    let mut at_days = Vec::with_capacity(failures.len());
    for failure in failures {
        let at = failure.at.unix_ms();
        while let Some((turn, change)) = turns.next_if(|(turn, _)| *turn <= at) {
            advance(turn, running);
            running += change;
        }
        at_days.push(advance(at, running));
    }
    at_days
}

fn group(
    name: String,
    failures: &[&Failure<'_>],
    units: &[&UnitId],
    worked: &BTreeMap<&UnitId, Use>,
    terms: &ReliabilityTerms,
) -> Result<Group, Unfit> {
    let exposure_days: f64 = units.iter().map(|unit| worked[*unit].all_days()).sum();
    let n_failures = failures.len() as u64;
    // A failure in the first instant comes at no exposure, which no logarithm can take.
    let least = (exposure_days * 1e-9).max(f64::MIN_POSITIVE);
    let failed_at_days: Vec<f64> = fleet_days(failures, units, worked)
        .into_iter()
        .map(|at| at.clamp(least, exposure_days.max(least)))
        .collect();
    let has_exposure = exposure_days > 0.0;
    Ok(Group {
        name,
        n_units: units.len() as u64,
        n_failures,
        n_road_failures: failures
            .iter()
            .filter(|failure| failure.on_the_road)
            .count() as u64,
        exposure_days,
        mtbf: has_exposure
            .then(|| mtbf(exposure_days, n_failures, Ended::AtTime, terms.confidence))
            .transpose()?,
        trend: trend(&failed_at_days, exposure_days, Ended::AtTime).ok(),
        growth: power_law(
            &failed_at_days,
            exposure_days,
            Ended::AtTime,
            terms.confidence,
        )
        .ok(),
        failed_at_days,
        lives: None,
    })
}

fn groups(
    failures: &[&Failure<'_>],
    fleet: &BTreeMap<&UnitId, &FleetUnit<'_>>,
    worked: &BTreeMap<&UnitId, Use>,
    terms: &ReliabilityTerms,
) -> Result<Vec<Group>, Unfit> {
    let mut by_name: BTreeMap<&str, Vec<&Failure<'_>>> = BTreeMap::new();
    if terms.grouping == Grouping::Class {
        // A class without a failure is an answer too.
        for known in fleet.values() {
            by_name.entry(known.unit.class.as_str()).or_default();
        }
    }
    for failure in failures {
        let name = match terms.grouping {
            Grouping::Class => Some(fleet[failure.unit].unit.class.as_str()),
            Grouping::System => failure.system.as_deref(),
            Grouping::Component => failure.component.as_deref(),
        };
        if let Some(name) = name {
            by_name.entry(name).or_default().push(failure);
        }
    }
    let mut groups = Vec::with_capacity(by_name.len());
    for (name, of_group) in by_name {
        let is_in = |unit: &&UnitId| {
            terms.grouping != Grouping::Class || fleet[*unit].unit.class.as_str() == name
        };
        let units: Vec<&UnitId> = worked.keys().copied().filter(is_in).collect();
        let mut made = group(name.to_owned(), &of_group, &units, worked, terms)?;
        if terms.grouping == Grouping::Component {
            made.lives = Some(lives(&of_group, &units, worked, terms));
        }
        groups.push(made);
    }
    groups.sort_by_key(|group| std::cmp::Reverse(group.n_failures));
    Ok(groups)
}

/// Lives of one component on each of the units; the failures ascend.
fn lives(
    failures: &[&Failure<'_>],
    units: &[&UnitId],
    worked: &BTreeMap<&UnitId, Use>,
    terms: &ReliabilityTerms,
) -> Lives {
    let mut by_unit: BTreeMap<&UnitId, Vec<&Failure<'_>>> = BTreeMap::new();
    for failure in failures {
        by_unit.entry(failure.unit).or_default().push(failure);
    }
    let mut seen: Vec<Life> = Vec::new();
    let mut n_unseen = 0;
    for unit in units {
        let used = &worked[*unit];
        // From when the component is as new; `None` while that is not known.
        let mut new_since = used.is_new.then_some(used.commissioned_ms);
        let mut waits = false;
        for failure in by_unit.get(*unit).into_iter().flatten() {
            let at = failure.at.unix_ms();
            match new_since {
                Some(since) if since <= at => seen.extend(life(used, since, at, true)),
                // It failed before the repair of the one before it: one failure told twice.
                Some(_) => {}
                None => n_unseen += u64::from(!waits),
            }
            waits = failure.repaired_at.is_none();
            new_since = failure
                .repaired_at
                .map(|repaired| repaired.unix_ms().max(at));
        }
        match new_since {
            Some(since) => seen.extend(life(used, since, terms.until.unix_ms(), false)),
            None => n_unseen += u64::from(!waits),
        }
    }
    let n_failed = seen.iter().filter(|life| life.failed).count() as u64;
    Lives {
        n_failed,
        n_good: seen.len() as u64 - n_failed,
        n_unseen,
        weibull: weibull(&seen, terms.confidence).ok(),
        ranks: median_ranks(&seen).ok(),
    }
}

/// `None` for one without exposure: nothing was learned.
fn life(used: &Use, from_ms: i64, until_ms: i64, failed: bool) -> Option<Life> {
    let time = used.days(from_ms, until_ms);
    (time > 0.0).then_some(Life { time, failed })
}

fn ranked(counts: BTreeMap<&str, u64>) -> Vec<BadActor> {
    let all: u64 = counts.values().sum();
    let mut ranked: Vec<(&str, u64)> = counts.into_iter().collect();
    ranked.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let mut so_far = 0;
    ranked
        .into_iter()
        .map(|(name, n_failures)| {
            so_far += n_failures;
            BadActor {
                name: name.to_owned(),
                n_failures,
                share: n_failures as f64 / all as f64,
                cumulated: so_far as f64 / all as f64,
                expected: None,
                p: None,
            }
        })
        .collect()
}

fn bad_components(failures: &[&Failure<'_>]) -> Vec<BadActor> {
    let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
    for component in failures.iter().filter_map(|of| of.component.as_deref()) {
        *counts.entry(component).or_default() += 1;
    }
    ranked(counts)
}

fn bad_units(
    failures: &[&Failure<'_>],
    worked: &BTreeMap<&UnitId, Use>,
    total: &Group,
) -> Vec<BadActor> {
    let mut counts: BTreeMap<&str, u64> = BTreeMap::new();
    for failure in failures {
        *counts.entry(failure.unit.as_str()).or_default() += 1;
    }
    let use_by_name: BTreeMap<&str, &Use> = worked
        .iter()
        .map(|(unit, used)| (unit.as_str(), used))
        .collect();
    let mut units = ranked(counts);
    for unit in &mut units {
        let own_days = use_by_name[unit.name.as_str()].all_days();
        if total.exposure_days > 0.0 {
            let expected = total.n_failures as f64 * own_days / total.exposure_days;
            let p = at_least(unit.n_failures, expected) * total.n_units as f64;
            unit.expected = Some(expected);
            unit.p = Some(p.min(1.0));
        }
    }
    units
}

fn repeats(
    book: &Book,
    terms: &ReliabilityTerms,
    worked: &BTreeMap<&UnitId, Use>,
) -> Result<Repeats, Unfit> {
    let is_asked_for = |occurrence: &Occurrence<'_>| {
        let defect = occurrence.defect;
        worked.contains_key(&defect.unit)
            && terms
                .system
                .as_ref()
                .is_none_or(|system| system_of(defect) == system)
            && terms
                .component
                .as_ref()
                .is_none_or(|wanted| component::is_same(wanted, &defect.component))
    };
    let mut by_place: BTreeMap<(&UnitId, String), Vec<Occurrence<'_>>> = BTreeMap::new();
    for occurrence in occurrences(book).filter(is_asked_for) {
        let defect = occurrence.defect;
        let place = (&defect.unit, component::key(&defect.component));
        by_place.entry(place).or_default().push(occurrence);
    }
    let (mut n_judged, mut n_repeats, mut items) = (0, 0, Vec::new());
    for ((unit, _), mut seen) in by_place {
        seen.sort_by_key(|occurrence| {
            let defect = occurrence.defect;
            (occurrence.first_sign_at, defect.id, occurrence.idx)
        });
        for (idx, occurrence) in seen.iter().enumerate() {
            let Some(finding) = occurrence.finding else {
                continue;
            };
            let repaired = finding.repaired_at;
            if repaired < terms.from || repaired >= terms.until {
                continue;
            }
            let next = seen[idx + 1..]
                .iter()
                .find(|later| later.first_sign_at >= repaired && later.first_sign_at < terms.until);
            let again =
                next.filter(|next| next.first_sign_at.ms_since(repaired) <= terms.repeat_ms);
            if let Some(again) = again {
                items.push(Repeat {
                    unit: unit.clone(),
                    component: occurrence.defect.component.clone(),
                    first: occurrence.defect.id,
                    again: again.defect.id,
                    after_ms: again.first_sign_at.ms_since(repaired),
                });
            }
            // A repair of lately counts for neither: of those only what came back would be known.
            if terms.until.ms_since(repaired) >= terms.repeat_ms {
                n_judged += 1;
                n_repeats += u64::from(again.is_some());
            }
        }
    }
    Ok(Repeats {
        within_ms: terms.repeat_ms,
        share: proportion(n_repeats, n_judged, terms.confidence)?,
        items,
    })
}

fn availability(
    fleet: &BTreeMap<&UnitId, &FleetUnit<'_>>,
    terms: &ReliabilityTerms,
) -> Vec<Availability> {
    let classes: BTreeSet<&str> = fleet
        .values()
        .map(|known| known.unit.class.as_str())
        .collect();
    let all = std::iter::once("").chain(classes);
    all.map(|class| {
        let mut by_state_ms: Vec<(UnitState, i64)> = UnitState::ALL
            .iter()
            .map(|(state, _)| (*state, 0))
            .collect();
        let of_class = fleet
            .values()
            .filter(|known| class.is_empty() || known.unit.class.as_str() == class);
        for (state, from, end) in of_class.flat_map(|known| stretches(known, terms)) {
            if let Some((_, ms)) = by_state_ms.iter_mut().find(|(other, _)| *other == state) {
                *ms += end - from;
            }
        }
        Availability {
            class: class.to_owned(),
            by_state_ms,
        }
    })
    .collect()
}
