//! Defects: what follows from their alerts and from what people did.

use crate::KeptAlert;
use wheeltap_model::{
    Condition, Defect, DefectId, DefectOrigin, DefectStatus, EventTime, Finding, Priority,
    ServerTime, UnitId,
};

/// What the latest change of a defect was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DefectChangeKind {
    /// New, or suspected again after having been void.
    Opened,
    /// Anything else.
    Changed,
    /// A finding closed it.
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
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Reported {
    priority: Priority,
    first_sign_at: EventTime,
    due_at: ServerTime,
}

impl KeptDefect {
    pub(crate) fn new(defect: Defect, respond_within_ms: i64) -> Self {
        let reported = (defect.origin != DefectOrigin::Alert).then(|| Reported {
            priority: defect.priority,
            first_sign_at: defect.first_sign_at,
            due_at: defect.opened_at.plus_ms(respond_within_ms),
        });
        Self { defect, reported }
    }

    /// The defect in full.
    pub const fn defect(&self) -> &Defect {
        &self.defect
    }

    /// Its number.
    pub const fn id(&self) -> DefectId {
        self.defect.id
    }

    /// Quoted, as RFC 9110 has it; changes with the defect.
    pub fn etag(&self) -> String {
        format!("\"{}-{}\"", self.defect.id.0, self.defect.revision)
    }

    /// Not closed and not void.
    pub fn is_open(&self) -> bool {
        self.defect.status == DefectStatus::Suspected
    }

    pub(crate) fn join(&mut self, alert: wheeltap_model::AlertId) {
        if !self.defect.alerts.contains(&alert) {
            self.defect.alerts.push(alert);
        }
    }

    pub(crate) fn touch(&mut self) {
        self.defect.touched = true;
    }

    pub(crate) fn close(&mut self, finding: Finding) {
        self.defect.touched = true;
        self.defect.finding = Some(finding);
    }

    pub(crate) fn report(
        &mut self,
        at: ServerTime,
        priority: Priority,
        first_sign_at: EventTime,
        respond_within_ms: i64,
    ) {
        self.defect.touched = true;
        let due_at = at.plus_ms(respond_within_ms);
        let before = self.reported;
        self.reported = Some(Reported {
            priority: before.map_or(priority, |before| before.priority.max(priority)),
            first_sign_at: before.map_or(first_sign_at, |before| {
                before.first_sign_at.min(first_sign_at)
            }),
            due_at: before.map_or(due_at, |before| before.due_at.min(due_at)),
        });
    }

    /// Works out what follows from the alerts. Returns what changed; the revision is counted up in
    /// any case, as one record changed something of it.
    ///
    /// Withdrawn alerts count only while all are withdrawn. The answer is due the shortest time to
    /// respond after the first announcement; until one is announced, after the opening.
    pub(crate) fn derive(&mut self, alerts: &[&KeptAlert]) -> DefectChangeKind {
        let basis: Vec<&&KeptAlert> = alerts
            .iter()
            .filter(|alert| alert.condition() != Condition::Withdrawn)
            .collect();
        let defect = &mut self.defect;
        let before = defect.status;
        // Without a report the alerts are all there is, so something must be shown of them even
        // when each is withdrawn.
        let counted: Vec<&&KeptAlert> = if basis.is_empty() && self.reported.is_none() {
            alerts.iter().collect()
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
            defect.first_sign_at = sign;
        }
        let told = counted
            .iter()
            .filter_map(|alert| alert.announced_at())
            .min();
        let within = counted
            .iter()
            .map(|alert| alert.rule().facts.respond_within_ms)
            .min();
        let due = within.map(|within| told.unwrap_or(defect.opened_at).plus_ms(within));
        if let Some(due) = due
            .into_iter()
            .chain(reported.map(|said| said.due_at))
            .min()
        {
            defect.due_at = due;
        }
        let baseless = basis.is_empty() && !alerts.is_empty() && reported.is_none();
        defect.basis_withdrawn = baseless && defect.touched;
        defect.status = if defect.finding.is_some() {
            DefectStatus::Closed
        } else if baseless && !defect.touched {
            DefectStatus::Void
        } else {
            DefectStatus::Suspected
        };
        defect.revision += 1;
        match (before, defect.status) {
            (DefectStatus::Void, DefectStatus::Suspected) => DefectChangeKind::Opened,
            (DefectStatus::Suspected | DefectStatus::Void, DefectStatus::Closed) => {
                DefectChangeKind::Closed
            }
            (DefectStatus::Suspected, DefectStatus::Void) => DefectChangeKind::Voided,
            _ => DefectChangeKind::Changed,
        }
    }
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
}

impl DefectQuery {
    /// Whether a defect belongs into a list.
    pub fn lists(&self, defect: &Defect) -> bool {
        self.watches(defect) && self.status.is_none_or(|wanted| wanted == defect.status)
    }

    /// Whether changes of a defect belong into a feed: as for lists, but wherever it stands, since
    /// a reader must learn that a defect is no longer what it asked for.
    pub fn watches(&self, defect: &Defect) -> bool {
        self.unit.as_ref().is_none_or(|unit| *unit == defect.unit)
            && self
                .component
                .as_ref()
                .is_none_or(|component| *component == defect.component)
            && self
                .least_priority
                .is_none_or(|least| defect.priority >= least)
    }
}
