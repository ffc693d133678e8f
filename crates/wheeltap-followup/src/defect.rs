//! Defects: what follows from their alerts and from what people did.

use crate::{KeptAlert, component};
use wheeltap_model::{
    Condition, Contact, Defect, DefectId, DefectOrigin, DefectReport, DefectStatus, EventTime,
    Finding, Plan, Priority, Said, ServerTime, Taken, UnitId,
};

/// What the latest change of a defect was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DefectChangeKind {
    /// New, or open again: what was void has a basis, or what was repaired came back.
    Opened,
    /// Anything else.
    Changed,
    /// Closed, by a finding, without one, or because it went into another.
    Closed,
    /// Its alerts were all withdrawn and nobody had touched it.
    Voided,
}

/// One defect as the book keeps it: the value, and what people said apart from what follows.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptDefect {
    defect: Defect,
    /// From reports, apart from the alerts'.
    reported: Option<Reported>,
    /// Beside each of the earlier findings.
    earlier: Vec<Earlier>,
    /// From reports before it was closed without a finding and came back: the finding that comes is of those too.
    unfound: Option<Reported>,
    /// It came back after a repair at this time; what was seen before no longer counts.
    fresh_from: Option<EventTime>,
}

/// What else there is to know of a time that a defect was there and was found.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Earlier {
    /// From reports, apart from the alerts'.
    reported: Option<Reported>,
    /// When it was seen again after it.
    came_back_at: Option<EventTime>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Reported {
    priority: Priority,
    first_sign_at: EventTime,
    due_at: ServerTime,
    on_the_road: bool,
}

impl Reported {
    /// What two reports of one thing come to: the sharper of each.
    fn both(own: Option<Self>, other: Option<Self>) -> Option<Self> {
        let (Some(a), Some(b)) = (own, other) else {
            return own.or(other);
        };
        Some(Self {
            priority: a.priority.max(b.priority),
            first_sign_at: a.first_sign_at.min(b.first_sign_at),
            due_at: a.due_at.min(b.due_at),
            on_the_road: a.on_the_road || b.on_the_road,
        })
    }
}

/// What people reported of one time that a defect was there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReportedAs {
    /// Event time at which they say that it first showed.
    pub first_sign_at: EventTime,
    /// It stopped the unit on the road.
    pub on_the_road: bool,
}

impl KeptDefect {
    pub(crate) fn new(defect: Defect, respond_within_ms: i64) -> Self {
        let reported = (defect.origin != DefectOrigin::Alert).then(|| Reported {
            priority: defect.priority,
            first_sign_at: defect.first_sign_at,
            due_at: defect.opened_at.plus_ms(respond_within_ms),
            on_the_road: defect.origin == DefectOrigin::RoadFailure,
        });
        Self {
            defect,
            reported,
            earlier: Vec::new(),
            unfound: None,
            fresh_from: None,
        }
    }

    /// The defect in full.
    pub const fn defect(&self) -> &Defect {
        &self.defect
    }

    /// What people reported of it: of each earlier finding's time, then of the last one. `None` where nobody
    /// reported anything and alerts are all there is.
    pub fn reported(&self) -> impl Iterator<Item = Option<ReportedAs>> {
        let all = self.earlier.iter().map(|of| of.reported);
        let all = all.chain([Reported::both(self.unfound, self.reported)]);
        all.map(|said| {
            said.map(|said| ReportedAs {
                first_sign_at: said.first_sign_at,
                on_the_road: said.on_the_road,
            })
        })
    }

    /// When it was seen again after each of its earlier findings; `None` where nobody wrote that down.
    pub fn came_back_at(&self) -> impl Iterator<Item = Option<EventTime>> {
        self.earlier.iter().map(|of| of.came_back_at)
    }

    /// The finding that was given last, also of one that came back since.
    pub fn last_finding(&self) -> Option<&Finding> {
        let finding = self.defect.finding.as_ref();
        finding.or(self.defect.earlier_findings.last())
    }

    /// Its number.
    pub const fn id(&self) -> DefectId {
        self.defect.id
    }

    /// Quoted, as RFC 9110 has it; changes with the defect.
    pub fn etag(&self) -> String {
        format!("\"{}-{}\"", self.defect.id.0, self.defect.revision)
    }

    /// Whether somebody has still to do something about it.
    pub const fn is_open(&self) -> bool {
        self.defect.status.is_open()
    }

    /// When the work of its finding was done: what was seen before is behind it. `None` while there is no
    /// finding; who closes a defect without one repairs nothing.
    pub fn repaired_at(&self) -> Option<EventTime> {
        let found = self.defect.finding.as_ref();
        found.map(|finding| finding.repaired_at)
    }

    /// When it was repaired, or else closed without a finding.
    pub(crate) fn done_with_at(&self) -> Option<EventTime> {
        let closed = self.defect.closed_without.as_ref();
        let closed = closed.map(|(_, at, _)| EventTime::from_unix_ms(at.unix_ms()));
        self.repaired_at().or(closed)
    }

    /// The earliest instant at which it can have been repaired: its first sign, or the repair that did not hold.
    pub(crate) fn repairable_from(&self) -> EventTime {
        let sign = self.defect.first_sign_at;
        self.fresh_from.map_or(sign, |fresh| fresh.max(sign))
    }

    /// The same for the finding that was given last, and when it was seen again since.
    pub(crate) fn last_repairable(&self) -> (EventTime, Option<EventTime>) {
        if self.defect.finding.is_some() {
            return (self.repairable_from(), None);
        }
        let sign = self.defect.first_sign_at;
        let before = match self.defect.earlier_findings.as_slice() {
            [.., before, _] => before.repaired_at.max(sign),
            _ => sign,
        };
        let again = self.earlier.last().and_then(|of| of.came_back_at);
        (before, again)
    }

    /// When what was seen at `at` was done with: the earliest of its repairs after that, or its closing.
    pub(crate) fn done_with_after(&self, at: EventTime) -> Option<EventTime> {
        let earlier = self.defect.earlier_findings.iter();
        earlier
            .map(|finding| finding.repaired_at)
            .chain(self.done_with_at())
            .filter(|done_with_at| *done_with_at > at)
            .min()
    }

    pub(crate) fn take_on(&mut self, by: String, at: ServerTime, note: String) {
        self.defect.touched = true;
        self.defect.taken = Some(Taken { by, at, note });
    }

    /// An alert of it was given back, so that it is nobody's as a whole.
    pub(crate) fn give_back(&mut self) {
        self.defect.taken = None;
    }

    pub(crate) fn plan(&mut self, plan: Option<Plan>) {
        self.defect.touched = true;
        self.defect.plan = plan;
    }

    pub(crate) fn begin(&mut self, by: String, at: ServerTime) {
        self.defect.touched = true;
        self.defect.begun = Some((by, at));
    }

    pub(crate) fn close_without(&mut self, by: String, at: ServerTime, note: String) {
        self.defect.touched = true;
        self.defect.closed_without = Some((by, at, note));
    }

    pub(crate) fn say(&mut self, said: Said) {
        self.defect.touched = true;
        self.defect.said = Some(said);
    }

    pub(crate) fn contact(&mut self, contact: Contact) {
        self.defect.touched = true;
        self.defect.contacts.push(contact);
    }

    pub(crate) fn keep_promise(&mut self, number: u32, by: String, at: ServerTime) -> bool {
        let mut contacts = self.defect.contacts.iter_mut();
        let contact = contacts.find(|contact| contact.number == number);
        contact
            .map(|contact| contact.kept = Some((by, at)))
            .is_some()
    }

    /// It came back: its finding is history, and it is as it was when it was opened.
    pub(crate) fn reopen(&mut self, at: ServerTime, seen_at: Option<EventTime>) {
        self.fresh_from = self.done_with_at();
        let reported = Reported::both(self.unfound.take(), self.reported.take());
        let defect = &mut self.defect;
        if let Some(finding) = defect.finding.take() {
            defect.earlier_findings.push(finding);
            self.earlier.push(Earlier {
                reported,
                came_back_at: seen_at,
            });
        } else {
            self.unfound = reported;
        }
        defect.closed_without = None;
        defect.plan = None;
        defect.begun = None;
        defect.said = None;
        defect.taken = None;
        defect.reopened_at = Some(at);
    }

    pub(crate) fn leave(&mut self, alert: wheeltap_model::AlertId) {
        self.defect.alerts.retain(|of| *of != alert);
    }

    pub(crate) fn merge_into(&mut self, into: DefectId) {
        self.defect.touched = true;
        self.defect.merged_into = Some(into);
    }

    /// Another one goes into this one, with what people reported and said about it and what was found before.
    pub(crate) fn take_over(&mut self, other: &Self) {
        self.fresh_from = self.fresh_with(other);
        self.take_history_of(other);
        self.defect.touched = true;
        if self.defect.taken.is_none() && self.reported.is_none() {
            // What only alerts say of this one waits by them; of that one somebody has taken the reports on.
            self.defect.taken.clone_from(&other.defect.taken);
        }
        self.reported = Reported::both(self.reported, other.reported);
        self.unfound = Reported::both(self.unfound, other.unfound);
        for contact in &other.defect.contacts {
            let known = u32::try_from(self.defect.contacts.len()).unwrap_or(u32::MAX);
            self.defect.contacts.push(Contact {
                number: known.saturating_add(1),
                ..contact.clone()
            });
        }
        let defect = &mut self.defect;
        defect.reports.extend(other.defect.reports.iter().cloned());
        defect.reports.sort_by_key(|report| report.at);
        defect.said = defect.said.take().or_else(|| other.defect.said.clone());
        defect.plan = defect.plan.take().or_else(|| other.defect.plan.clone());
        defect.begun = defect.begun.take().or_else(|| other.defect.begun.clone());
    }

    /// From when on signs count of two that are one now: since the first of them was there, as it is now. What
    /// was there before a repair stays behind it.
    fn fresh_with(&self, other: &Self) -> Option<EventTime> {
        let since = |kept: &Self| kept.fresh_from.unwrap_or(kept.defect.first_sign_at);
        let came_back = self.fresh_from.is_some() || other.fresh_from.is_some();
        came_back.then(|| since(self).min(since(other)))
    }

    /// The findings of both, in the order of the repairs, each with what else is known of it.
    fn take_history_of(&mut self, other: &Self) {
        let of = |kept: &Self| {
            let findings = kept.defect.earlier_findings.iter().cloned();
            findings
                .zip(kept.earlier.iter().copied())
                .collect::<Vec<_>>()
        };
        let mut both = of(self);
        both.extend(of(other));
        both.sort_by_key(|(finding, _)| finding.repaired_at);
        (self.defect.earlier_findings, self.earlier) = both.into_iter().unzip();
        if !self.defect.earlier_findings.is_empty() {
            // The first time of one that came back is not worked out again from its alerts.
            self.defect.first_sign_at = self.defect.first_sign_at.min(other.defect.first_sign_at);
        }
    }

    /// Whether somebody at the desk has still to take it on.
    pub fn awaits_answer<'a>(&self, alerts: impl IntoIterator<Item = &'a KeptAlert>) -> bool {
        if !self.is_open() {
            return false;
        }
        let mut answered = self.defect.taken.is_some();
        for alert in alerts {
            if alert.awaits_answer() {
                return true;
            }
            // An answer from before a repair that did not hold is none to what came back.
            let since = self.defect.reopened_at;
            answered |= alert
                .acknowledged_at()
                .is_some_and(|at| since.is_none_or(|since| at >= since));
        }
        self.reported.is_some() && !answered
    }

    pub(crate) fn join(&mut self, alert: wheeltap_model::AlertId) {
        if !self.defect.alerts.contains(&alert) {
            self.defect.alerts.push(alert);
        }
    }

    pub(crate) fn touch(&mut self) {
        self.defect.touched = true;
    }

    /// Closes it; a correction stands in place of the finding that was given last.
    pub(crate) fn find(&mut self, finding: Finding, corrects: bool) {
        self.defect.touched = true;
        let came_back_since = corrects && self.defect.finding.is_none();
        match self.defect.earlier_findings.last_mut() {
            Some(last) if came_back_since => {
                if self.fresh_from == Some(last.repaired_at) {
                    self.fresh_from = Some(finding.repaired_at);
                }
                *last = finding;
            }
            _ => self.defect.finding = Some(finding),
        }
    }

    /// It keeps the words that it was opened with; one that came back takes those of the first report since, as
    /// the old ones are about what was repaired. All reports stay with it.
    pub(crate) fn report(&mut self, report: DefectReport, respond_within_ms: i64) {
        self.defect.touched = true;
        if self.fresh_from.is_some() && self.reported.is_none() {
            report.title.clone_into(&mut self.defect.title);
        }
        let said = Reported {
            priority: report.priority,
            first_sign_at: report.first_sign_at,
            due_at: report.at.plus_ms(respond_within_ms),
            on_the_road: report.origin == DefectOrigin::RoadFailure,
        };
        self.reported = Reported::both(self.reported, Some(said));
        self.defect.reports.push(report);
    }

    /// Works out what follows from the alerts. Returns what changed; the revision is counted up in
    /// any case, as one record changed something of it.
    ///
    /// Withdrawn alerts count only while all are withdrawn, and of one that came back those since its
    /// repair and those that still stand. The answer is due the shortest time to respond after the last
    /// announcement of an alert, or after the end of what mutes it; until one is announced, after the opening.
    pub(crate) fn derive(&mut self, alerts: &[&KeptAlert]) -> DefectChangeKind {
        let fresh_from = self.fresh_from;
        let fresh: Vec<&&KeptAlert> = alerts
            .iter()
            .filter(|alert| {
                let stands = alert.condition() == Condition::Standing;
                fresh_from.is_none_or(|from| stands || alert.raised_at() >= from)
            })
            .collect();
        let basis: Vec<&&KeptAlert> = fresh
            .iter()
            .copied()
            .filter(|alert| alert.condition() != Condition::Withdrawn)
            .collect();
        let defect = &mut self.defect;
        let before = defect.status;
        // Without a report the alerts are all there is, so something must be shown of them even
        // when each is withdrawn.
        let counted: Vec<&&KeptAlert> = if basis.is_empty() && self.reported.is_none() {
            fresh.clone()
        } else {
            basis.clone()
        };
        let priorities = counted.iter().map(|alert| alert.rule().facts.priority);
        let reported = self.reported;
        if let Some(priority) = priorities.chain(reported.map(|said| said.priority)).max() {
            defect.priority = priority;
        }
        let signs = counted.iter().map(|alert| alert.raised_at());
        if let Some(sign) = signs.chain(reported.map(|said| said.first_sign_at)).min() {
            defect.first_sign_at = if fresh_from.is_some() {
                sign.min(defect.first_sign_at)
            } else {
                sign
            };
        }
        let told = counted.iter().filter_map(|alert| due_of(alert)).min();
        let untold = || {
            let within = counted.iter().map(|alert| within_ms(alert)).min()?;
            Some(defect.opened_at.plus_ms(within))
        };
        let due = told.or_else(untold);
        if let Some(due) = due
            .into_iter()
            .chain(reported.map(|said| said.due_at))
            .min()
        {
            defect.due_at = due;
        }
        let baseless = basis.is_empty() && !fresh.is_empty() && reported.is_none();
        defect.basis_withdrawn = baseless && defect.touched;
        defect.status = if defect.merged_into.is_some() {
            DefectStatus::Merged
        } else if defect.finding.is_some() {
            DefectStatus::Closed
        } else if defect.closed_without.is_some() {
            DefectStatus::FindingOwed
        } else if baseless && !defect.touched {
            DefectStatus::Void
        } else if defect.begun.is_some() {
            DefectStatus::InWork
        } else if defect.plan.is_some() {
            DefectStatus::Planned
        } else {
            DefectStatus::Suspected
        };
        defect.revision += 1;
        match (before.is_open(), defect.status) {
            (false, status) if status.is_open() => DefectChangeKind::Opened,
            (true, DefectStatus::Void) => DefectChangeKind::Voided,
            (true, status) if !status.is_open() => DefectChangeKind::Closed,
            (false, DefectStatus::Closed) if before != DefectStatus::Closed => {
                DefectChangeKind::Closed
            }
            _ => DefectChangeKind::Changed,
        }
    }
}

fn within_ms(alert: &KeptAlert) -> i64 {
    alert.rule().facts.respond_within_ms
}

/// When the answer to an alert is due; `None` while nobody was told of it and nothing says when it will
/// be.
fn due_of(alert: &KeptAlert) -> Option<ServerTime> {
    let muted_until = match alert.mute() {
        Some(mute) if alert.is_muted() => mute.until,
        _ => None,
    };
    let from = alert.told_at().max(muted_until)?;
    Some(from.plus_ms(within_ms(alert)))
}

/// Which defects are asked for; `None` does not filter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DefectQuery {
    /// Of this unit.
    pub unit: Option<UnitId>,
    /// Where it stands.
    pub status: Option<DefectStatus>,
    /// At least this priority.
    pub least_priority: Option<Priority>,
    /// Of this component.
    pub component: Option<String>,
    /// Only those that somebody has still to do something about.
    pub open: bool,
}

impl DefectQuery {
    /// Whether a defect belongs into a list.
    pub fn lists(&self, defect: &Defect) -> bool {
        self.watches(defect)
            && self.status.is_none_or(|wanted| wanted == defect.status)
            && (!self.open || defect.status.is_open())
    }

    /// Whether changes of a defect belong into a feed: as for lists, but wherever it stands, since
    /// a reader must learn that a defect is no longer what it asked for.
    pub fn watches(&self, defect: &Defect) -> bool {
        self.unit.as_ref().is_none_or(|unit| *unit == defect.unit)
            && self
                .component
                .as_ref()
                .is_none_or(|wanted| component::is_same(wanted, &defect.component))
            && self
                .least_priority
                .is_none_or(|least| defect.priority >= least)
    }
}
