//! Mutes: shelving, taking out of service, and what is told when they end.

use super::refusal::said;
use super::{Planner, Refusal};
use crate::Act;
use wheeltap_model::{Condition, MuteId, MuteKind, MuteScope, ServerTime};

/// What is to be muted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MuteOrder {
    /// Shelved or out of service.
    pub kind: MuteKind,
    /// What it covers.
    pub scope: MuteScope,
    /// When it ends by itself; a shelf must say so.
    pub until: Option<ServerTime>,
    /// Why.
    pub reason: String,
}

impl Planner<'_> {
    /// Mutes what is in its scope, by wall time. Returns its number.
    ///
    /// # Errors
    /// A `safety` rule, no reason, a shelf without an end or with one that is too far, what is muted so
    /// already.
    pub fn mute(&mut self, order: MuteOrder, request_id: &str) -> Result<MuteId, Refusal> {
        let MuteOrder {
            kind,
            scope,
            until,
            reason,
        } = order;
        let id = self.book.next_mute();
        let act = Act::Muted {
            id,
            kind,
            scope: scope.clone(),
            until,
            reason: reason.clone(),
            request_id: request_id.to_owned(),
        };
        if let Some(made) = self.made_before(&act)? {
            return Ok(MuteId(made));
        }
        said("reason", &reason)?;
        if let Some(rule) = &scope.rule {
            let newest = self.book.rule_versions(rule).last();
            let Some(newest) = newest else {
                return Err(Refusal::BadField {
                    field: "rule",
                    why: format!("{rule} is no rule that was ever lodged"),
                });
            };
            if newest.facts.safety {
                return Err(Refusal::NeverMuted {
                    what: newest.facts.title.clone(),
                });
            }
        }
        let latest = self.now.plus_ms(self.policy.shelve_at_most_ms);
        match (kind, until) {
            (MuteKind::Shelved, None) => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: "is not set: a shelf needs an end".to_owned(),
                });
            }
            (_, Some(until)) if until <= self.now => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: format!("is {until}, which is over; it is {} now", self.now),
                });
            }
            (MuteKind::Shelved, Some(until)) if until > latest => {
                return Err(Refusal::BadField {
                    field: "until_unix_ms",
                    why: format!("is {until}; the latest that this railway allows is {latest}"),
                });
            }
            _ => {}
        }
        let same = self
            .book
            .muting()
            .find(|mute| mute.scope == scope && mute.kind == kind);
        if let Some(same) = same {
            return Err(Refusal::AlreadyMuted {
                id: same.id,
                by: same.by.clone(),
            });
        }
        self.push(act);
        Ok(id)
    }

    /// Lifts a mute before its time. Nothing is written when it has ended.
    ///
    /// # Errors
    /// Unknown mutes, a request id used before.
    pub fn lift(&mut self, id: MuteId, note: &str, request_id: &str) -> Result<(), Refusal> {
        let act = Act::MuteEnded {
            id,
            lifted: true,
            note: note.to_owned(),
            request_id: request_id.to_owned(),
        };
        if self.is_repeat(&act)? {
            return Ok(());
        }
        let mute = self.book.mute(id).ok_or(Refusal::UnknownMute { id })?;
        if mute.ended.is_none() {
            self.push(act);
            self.tell_unmuted(&[id]);
        }
        Ok(())
    }

    /// Ends all mutes whose time is over.
    pub fn lapse(&mut self) {
        let now = self.now;
        let mut over: Vec<MuteId> = self
            .book
            .muting()
            .filter(|mute| mute.until.is_some_and(|until| until <= now))
            .map(|mute| mute.id)
            .collect();
        over.sort_unstable();
        for id in &over {
            self.push(Act::MuteEnded {
                id: *id,
                lifted: false,
                note: String::new(),
                request_id: String::new(),
            });
        }
        self.tell_unmuted(&over);
    }

    /// What stands unmuted once these have ended is told, or told once more: ISA-18.2 / IEC 62682 lead from
    /// shelved back to unacknowledged, not to acknowledged.
    fn tell_unmuted(&mut self, mutes: &[MuteId]) {
        let book = self.book;
        for alert in mutes.iter().flat_map(|id| book.muted_by(*id)) {
            let still = self.book.muting().any(|mute| {
                let rule = &alert.rule().reference.name;
                !mutes.contains(&mute.id) && mute.scope.covers(alert.unit(), rule, alert.part())
            });
            // Of a closed defect nothing is left to be answered.
            let is_open = book
                .defect(alert.defect())
                .is_none_or(|kept| kept.is_open());
            let tells = is_open
                && alert.condition() == Condition::Standing
                && alert.rings()
                && alert.told_with().0 == 0
                && !alert.is_by_design()
                && !alert.rule().facts.safety;
            if still || !tells {
                continue;
            }
            if alert.announced_at().is_some() {
                self.push(Act::AlertToldAgain { id: alert.id() });
            } else {
                self.announce(alert);
            }
        }
    }
}
