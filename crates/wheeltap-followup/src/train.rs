//! One alert a train for things that its units share, such as the brake pipe.
//!
//! A rule that says `once_a: "train"` is judged on each unit as ever. Of its alerts that overlap on
//! units of one train the first is told to people; the others are kept, *told with* it, and join its
//! defect. Who was told of what is a fact of the past and is recorded; it is no part of what any
//! order of delivery must give.

use crate::{Act, KeptAlert, Occurrence, Planner, WouldRing};
use std::collections::{BTreeMap, HashMap};
use wheeltap_model::{AlertId, Condition, DefectId, EventTime, RuleName, UnitId};

/// An alert whose leader has ended goes on being told with it for so long, event time: units of one
/// train see one thing end a little apart.
const TOLD_FOR_MS: i64 = 600_000;

const NONE: AlertId = AlertId(0);

/// Which train a unit was in.
pub trait Trains {
    /// The train's symbol; `None` when unknown or in no train.
    fn train_at(&self, unit: &UnitId, at: EventTime) -> Option<String>;
}

/// Nobody knows of any train.
impl Trains for () {
    fn train_at(&self, _: &UnitId, _: EventTime) -> Option<String> {
        None
    }
}

/// What a commit has planned for alerts of rules that ring once a train.
#[derive(Debug, Default)]
pub(crate) struct Told {
    new: Vec<New>,
    /// Announced by this commit.
    announced: Vec<AlertId>,
    /// Told with another by this commit.
    with: HashMap<AlertId, AlertId>,
    /// Ended or withdrawn by this commit.
    gone: Vec<AlertId>,
}

/// An alert that this commit raises.
#[derive(Debug)]
struct New {
    id: AlertId,
    unit: UnitId,
    rule: RuleName,
    raised_at: EventTime,
    ended_at: Option<EventTime>,
    defect: DefectId,
}

/// One side of the question whether two alerts are one train's.
#[derive(Clone, Copy)]
struct Stood<'a> {
    unit: &'a UnitId,
    raised_at: EventTime,
    ended_at: Option<EventTime>,
}

impl<'a> From<&'a KeptAlert> for Stood<'a> {
    fn from(alert: &'a KeptAlert) -> Self {
        Self {
            unit: alert.unit(),
            raised_at: alert.raised_at(),
            ended_at: alert.ended_at(),
        }
    }
}

impl<'a> Planner<'a> {
    /// Whether two units were in one train.
    fn in_one_train(&self, a: &UnitId, b: &UnitId, at: EventTime) -> bool {
        let train = self.trains.train_at(a, at);
        a != b && train.is_some() && train == self.trains.train_at(b, at)
    }

    /// Whether two alerts overlap on units of one train.
    fn shares(&self, a: Stood<'_>, b: Stood<'_>) -> bool {
        let both = a.raised_at.max(b.raised_at);
        let lasts = |of: Stood<'_>| of.ended_at.is_none_or(|ended| ended > both);
        lasts(a) && lasts(b) && self.in_one_train(a.unit, b.unit, both)
    }

    /// Kept alerts of the rule that are one train's with this one.
    fn sharing<'s>(
        &'s self,
        rule: &'s RuleName,
        own: Stood<'s>,
    ) -> impl Iterator<Item = &'a KeptAlert> + 's {
        self.book
            .of_rule(rule)
            .map(AsRef::as_ref)
            .filter(|other| !other.is_trial() && other.condition() != Condition::Withdrawn)
            .filter(|other| !self.told.gone.contains(&other.id()))
            .filter(move |other| self.shares(own, (*other).into()))
    }

    /// Alerts of the rule that this commit raises and that are one train's with this one.
    fn raised_sharing<'s>(
        &'s self,
        rule: &'s RuleName,
        own: Stood<'s>,
    ) -> impl Iterator<Item = &'s New> + 's {
        self.told.new.iter().filter(move |other| {
            let stood = Stood {
                unit: &other.unit,
                raised_at: other.raised_at,
                ended_at: other.ended_at,
            };
            other.rule == *rule && self.shares(own, stood)
        })
    }

    /// The alert that people were told, or are being told, in place of this one; not `except`.
    fn leader(&self, rule: &RuleName, own: Stood<'_>, except: AlertId) -> Option<AlertId> {
        let mut followed = None;
        for other in self.sharing(rule, own) {
            let id = other.id();
            if id == except {
                continue;
            }
            let with = match self.told.with.get(&id) {
                Some(with) => *with,
                None if self.told.announced.contains(&id) => NONE,
                None => other.told_with(),
            };
            if with.0 != 0 {
                let stands = |leader: &&'a std::sync::Arc<KeptAlert>| {
                    leader.condition() != Condition::Withdrawn
                        && leader.id() != except
                        && !self.told.gone.contains(&leader.id())
                };
                followed = followed.or(self.book.alert(with).filter(stands).map(|_| with));
            } else if other.announced_at().is_some()
                || other.late_news
                || self.told.announced.contains(&id)
            {
                return Some(id);
            }
        }
        for other in self.raised_sharing(rule, own) {
            match self.told.with.get(&other.id) {
                Some(with) => followed = followed.or(Some(*with)),
                None if self.told.announced.contains(&other.id) => return Some(other.id),
                None => {}
            }
        }
        followed
    }

    /// The defect that another unit of the train has of the same thing.
    pub(crate) fn train_s_defect(
        &self,
        rule: &RuleName,
        unit: &UnitId,
        occurred: &Occurrence,
    ) -> Option<DefectId> {
        let own = Stood {
            unit,
            raised_at: occurred.raised_at,
            ended_at: occurred.ended_at,
        };
        let kept = self.sharing(rule, own).map(KeptAlert::defect);
        let open = kept.filter(|id| {
            let kept = self.book.defect(*id);
            kept.is_some_and(|kept| {
                kept.is_open() || kept.done_with_after(occurred.raised_at).is_some()
            })
        });
        open.min().or_else(|| {
            let raised = self.raised_sharing(rule, own);
            raised.map(|other| other.defect).min()
        })
    }

    /// Notes a new alert, and tells it with another of its train if there is one. `tells` says whether
    /// people would be told of it or find it among late news; gives whether they still are.
    pub(crate) fn tells_raised(
        &mut self,
        id: AlertId,
        unit: &UnitId,
        occurred: &Occurrence,
        defect: DefectId,
        tells: bool,
    ) -> Option<AlertId> {
        let rule = &occurred.rule.name;
        let own = Stood {
            unit,
            raised_at: occurred.raised_at,
            ended_at: occurred.ended_at,
        };
        let leader = tells.then(|| self.leader(rule, own, NONE)).flatten();
        self.told.new.push(New {
            id,
            unit: unit.clone(),
            rule: rule.clone(),
            raised_at: occurred.raised_at,
            ended_at: occurred.ended_at,
            defect,
        });
        if let Some(leader) = leader {
            self.told.with.insert(id, leader);
        } else if tells {
            self.told.announced.push(id);
        }
        leader
    }

    /// The alert with which one is told that is to be announced; notes it as announced if there is none.
    pub(crate) fn told_instead(&mut self, alert: &KeptAlert) -> Option<AlertId> {
        self.told_instead_of(alert, NONE)
    }

    fn told_instead_of(&mut self, alert: &KeptAlert, except: AlertId) -> Option<AlertId> {
        if !alert.rule().facts.once_a_train {
            return None;
        }
        let leader = self.leader(&alert.rule().reference.name, alert.into(), except);
        if let Some(leader) = leader {
            self.told.with.insert(alert.id(), leader);
        } else {
            self.told.with.remove(&alert.id());
            self.told.announced.push(alert.id());
        }
        leader
    }

    /// Looks whether a standing alert that was told with another still is, with the unit's data at
    /// `watermark`; if not it is told itself, or with another of its train.
    pub fn keep_told(&mut self, alert: &KeptAlert, watermark: EventTime) {
        let with = alert.told_with();
        if with.0 == 0 || alert.condition() != Condition::Standing {
            return;
        }
        let Some(leader) = self.book.alert(with) else {
            return;
        };
        let at = watermark.max(alert.raised_at());
        let is_told = match leader.condition() {
            Condition::Withdrawn => false,
            Condition::Standing => self.in_one_train(alert.unit(), leader.unit(), at),
            Condition::Ended => leader
                .ended_at()
                .is_some_and(|ended| at.ms_since(ended) < TOLD_FOR_MS),
        };
        if !is_told {
            self.hand_over(alert, with);
        }
    }

    fn hand_over(&mut self, alert: &KeptAlert, from: AlertId) {
        // Neither the old leader nor what is told with it stands for this one any more.
        match self.told_instead_of(alert, from) {
            Some(leader) if leader == alert.told_with() => {}
            Some(leader) => self.push(Act::AlertToldWith {
                id: alert.id(),
                with: leader,
            }),
            None => self.push(Act::AlertAnnounced { id: alert.id() }),
        }
    }

    /// An alert is withdrawn: the first raised of those told with it takes over, and the others are told
    /// with that one.
    pub(crate) fn take_over_from(&mut self, withdrawn: &KeptAlert) {
        if !withdrawn.rule().facts.once_a_train {
            return;
        }
        self.told.gone.push(withdrawn.id());
        let mut followers: Vec<&KeptAlert> = self
            .book
            .of_rule(&withdrawn.rule().reference.name)
            .map(AsRef::as_ref)
            .filter(|other| other.told_with() == withdrawn.id())
            .filter(|other| other.condition() == Condition::Standing)
            .collect();
        followers.sort_by_key(|other| (other.raised_at(), other.id()));
        for follower in followers {
            self.hand_over(follower, withdrawn.id());
        }
    }
}

/// The unit whose alert rang for a train, and when that ended.
type Leader = (UnitId, Option<EventTime>);

/// Of a rule that rings once a train, the alerts that would have rung: one that overlaps an earlier one
/// on another unit of its train is told with it.
pub fn once_a_train(mut alerts: Vec<WouldRing>, trains: &dyn Trains) -> Vec<WouldRing> {
    alerts.sort_by(|a, b| (a.raised_at, &a.unit).cmp(&(b.raised_at, &b.unit)));
    let mut standing: BTreeMap<(RuleName, String), Vec<Leader>> = BTreeMap::new();
    alerts.retain(|alert| {
        let at = alert.raised_at;
        let Some(train) = trains.train_at(&alert.unit, at) else {
            return true;
        };
        let leaders = standing
            .entry((alert.rule.clone(), train.clone()))
            .or_default();
        leaders.retain(|(_, ended_at)| ended_at.is_none_or(|ended| ended > at));
        let is_told = leaders.iter().any(|(unit, _)| {
            *unit != alert.unit && trains.train_at(unit, at).as_ref() == Some(&train)
        });
        if !is_told {
            leaders.push((alert.unit.clone(), alert.ended_at));
        }
        !is_told
    });
    alerts
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Units A and B are in train M1, C is in M2, and B leaves for M2 at 100 s.
    struct Two;

    impl Trains for Two {
        fn train_at(&self, unit: &UnitId, at: EventTime) -> Option<String> {
            match unit.as_str() {
                "A" => Some("M1".into()),
                "B" if at.unix_ms() < 100_000 => Some("M1".into()),
                "B" | "C" => Some("M2".into()),
                _ => None,
            }
        }
    }

    fn ring(unit: &str, raised_s: i64, ended_s: Option<i64>) -> WouldRing {
        let at = |s: i64| EventTime::from_unix_ms(s * 1_000);
        WouldRing {
            unit: UnitId::new(unit).unwrap(),
            rule: RuleName::new("pipe").unwrap(),
            part: None,
            raised_at: at(raised_s),
            ended_at: ended_s.map(at),
        }
    }

    fn rung(alerts: Vec<WouldRing>) -> Vec<(String, i64)> {
        let rung = once_a_train(alerts, &Two).into_iter();
        rung.map(|alert| (alert.unit.to_string(), alert.raised_at.unix_ms() / 1_000))
            .collect()
    }

    #[test]
    fn a_forecast_counts_what_a_train_shares_once() {
        let alerts = vec![
            ring("B", 20, Some(50)),
            ring("A", 10, Some(60)),
            ring("C", 20, None),
            // After the first had ended, and on its own after it left.
            ring("A", 70, None),
            ring("B", 80, Some(90)),
            ring("B", 120, None),
            ring("D", 20, None),
        ];
        let expected = [("A", 10), ("C", 20), ("D", 20), ("A", 70)];
        let expected: Vec<_> = expected.map(|(unit, s)| (unit.to_owned(), s)).to_vec();
        assert_eq!(rung(alerts), expected);
    }
}
