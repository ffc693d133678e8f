//! Mutes and handovers.

use super::{Applied, Book, index};
use crate::{Act, KeptAlert};
use std::sync::Arc;
use wheeltap_model::{
    AlertChange, AlertId, Condition, Handover, HandoverId, Mute, MuteEnd, MuteId, Part, RuleName,
    ServerTime, UnitId,
};

impl Book {
    pub(super) fn take_desk(&mut self, at: ServerTime, by: &str, act: &Act) -> Applied {
        match act {
            Act::Muted {
                id,
                kind,
                scope,
                until,
                reason,
                request_id: _,
            } => {
                if *id != self.next_mute() {
                    return Err(format!("mute {} is not the next", id.0));
                }
                let mute = Mute {
                    id: *id,
                    kind: *kind,
                    scope: scope.clone(),
                    reason: reason.clone(),
                    by: by.to_owned(),
                    begun_at: at,
                    until: *until,
                    ended: None,
                };
                self.mutes.push(Arc::new(mute));
                let muting = self.muting.entry(scope.unit.clone()).or_default();
                muting.insert(*id);
                // What is over and answered, or was taken back, needs no muting any more.
                let covered: Vec<AlertId> = self
                    .known(&scope.unit, None)
                    .filter(|alert| {
                        scope.covers(alert.unit(), &alert.rule().reference.name, alert.part())
                            && (alert.condition() == Condition::Standing || alert.awaits_answer())
                    })
                    .map(|alert| alert.id())
                    .collect();
                self.mute_all(at, covered)
            }
            Act::MuteEnded {
                id,
                lifted,
                note,
                request_id: _,
            } => {
                let mute = self
                    .mutes
                    .get_mut(index(id.0))
                    .ok_or_else(|| format!("there is no mute {}", id.0))?;
                let mute = Arc::make_mut(mute);
                mute.ended = Some(MuteEnd {
                    at,
                    lifted_by: lifted.then(|| by.to_owned()),
                    note: note.clone(),
                });
                let unit = mute.scope.unit.clone();
                if let Some(muting) = self.muting.get_mut(&unit) {
                    muting.remove(id);
                    if muting.is_empty() {
                        self.muting.remove(&unit);
                    }
                }
                let covered = self.muted_by(*id).map(|alert| alert.id()).collect();
                self.mute_all(at, covered)
            }
            Act::HandedOver {
                id,
                from,
                to,
                note,
                request_id: _,
            } => {
                if *id != self.next_handover() {
                    return Err(format!("handover {} is not the next", id.0));
                }
                self.handovers.push(Handover {
                    id: *id,
                    from: from.clone(),
                    to: to.clone(),
                    note: note.clone(),
                    at,
                });
                Ok(Vec::new())
            }
            other => Err(format!("{other:?} is no act of the desk")),
        }
    }

    /// Looks again what mutes these alerts; tells of those for which it changed.
    fn mute_all(&mut self, at: ServerTime, alerts: Vec<AlertId>) -> Applied {
        let mut notices = Vec::new();
        for id in alerts {
            let before = self.alerts[index(id.0)].mute().map(|mute| mute.id);
            self.mute_again(id)?;
            if self.alerts[index(id.0)].mute().map(|mute| mute.id) != before {
                notices.extend(self.alert_notices(at, id, AlertChange::Suppression)?);
            }
        }
        Ok(notices)
    }

    pub(super) fn mute_again(&mut self, id: AlertId) -> Result<(), String> {
        let alert = self
            .alert(id)
            .ok_or_else(|| format!("there is no alert {}", id.0))?;
        let rule = &alert.rule().reference.name;
        let mute = self.mute_over(alert.unit(), rule, alert.part());
        self.change_alert(id, |alert| alert.set_mute(mute))
    }

    /// What covers alerts of this rule and part now: what is out of service before what is shelved, then
    /// the older one.
    pub fn mute_over(
        &self,
        unit: &UnitId,
        rule: &RuleName,
        part: Option<&Part>,
    ) -> Option<Arc<Mute>> {
        let muting = self.muting.get(unit)?.iter();
        muting
            .filter_map(|id| self.mute(*id))
            .filter(|mute| mute.scope.covers(unit, rule, part))
            .max_by_key(|mute| (mute.kind, std::cmp::Reverse(mute.id)))
            .map(Arc::clone)
    }

    /// One mute.
    pub fn mute(&self, id: MuteId) -> Option<&Arc<Mute>> {
        self.mutes.get(index(id.0))
    }

    /// All mutes, ended ones too, newest first.
    pub fn mutes(&self) -> impl Iterator<Item = &Arc<Mute>> {
        self.mutes.iter().rev()
    }

    /// Mutes that have not ended.
    pub fn muting(&self) -> impl Iterator<Item = &Arc<Mute>> {
        let ids = self.muting.values().flatten();
        ids.filter_map(|id| self.mute(*id))
    }

    /// Alerts that this mute covers, by number.
    pub(crate) fn muted_by(&self, id: MuteId) -> impl Iterator<Item = &Arc<KeptAlert>> {
        let unit = self.mute(id).map(|mute| &mute.scope.unit);
        let all = unit.into_iter().flat_map(|unit| self.known(unit, None));
        all.filter(move |alert| alert.mute().is_some_and(|mute| mute.id == id))
    }

    /// The number the next mute will get.
    pub fn next_mute(&self) -> MuteId {
        MuteId(self.mutes.len() as u64 + 1)
    }

    /// All handovers, oldest first.
    pub fn handovers(&self) -> &[Handover] {
        &self.handovers
    }

    /// The number the next handover will get.
    pub fn next_handover(&self) -> HandoverId {
        HandoverId(self.handovers.len() as u64 + 1)
    }
}
