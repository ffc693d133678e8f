//! Who did what, in words: what a ledger record says to a reader.

use crate::{Act, Book, LedgerRecord};
use wheeltap_model::{
    AlertId, DefectId, EventTime, FindingKind, MuteKind, RuleName, RuleStage, UnitId,
};

/// What a record is about, as far as it is about one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Subject {
    /// The unit.
    pub unit: Option<UnitId>,
    /// The alert.
    pub alert: Option<AlertId>,
    /// The defect.
    pub defect: Option<DefectId>,
    /// The other defect of a split or a merge.
    pub other_defect: Option<DefectId>,
    /// The rule.
    pub rule: Option<RuleName>,
}

/// A record in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AuditLine {
    /// Such as `took defect 3 on`.
    pub what: String,
    /// The reason or note that was written with it; may be empty.
    pub why: String,
    /// What it is about.
    pub about: Subject,
}

/// RFC 3339 to the second.
fn second(unix_ms: i64) -> EventTime {
    EventTime::from_unix_ms(unix_ms.div_euclid(1_000).saturating_mul(1_000))
}

/// A record of the ledger in words; the book says of which unit and rule its alerts and defects are.
#[expect(
    clippy::too_many_lines,
    reason = "one short arm an act reads best in one place"
)]
pub fn audit(record: &LedgerRecord, book: &Book) -> AuditLine {
    let of_rule = |rule: &RuleName| Subject {
        rule: Some(rule.clone()),
        ..Subject::default()
    };
    let of_alert = |id: AlertId| {
        let alert = book.alert(id);
        Subject {
            unit: alert.map(|alert| alert.unit().clone()),
            alert: Some(id),
            defect: alert.map(|alert| alert.defect()).filter(|id| id.0 != 0),
            rule: alert.map(|alert| alert.rule().reference.name.clone()),
            ..Subject::default()
        }
    };
    let of_defect = |id: DefectId| Subject {
        unit: book.defect(id).map(|kept| kept.defect().unit.clone()),
        defect: Some(id),
        ..Subject::default()
    };
    let of_defects = |id: DefectId, other: DefectId| Subject {
        other_defect: Some(other),
        ..of_defect(id)
    };
    let line = |what: String, why: &str, about: Subject| AuditLine {
        what,
        why: why.to_owned(),
        about,
    };
    match &record.act {
        Act::RuleLodged { rule, .. } => line(
            format!("lodged rule {} as {}", rule.name, rule.version),
            "",
            of_rule(&rule.name),
        ),
        Act::RuleCases { rule, .. } => line(
            format!("gave cases to rule {} {}", rule.name, rule.version),
            "",
            of_rule(&rule.name),
        ),
        Act::RuleForecast { rule, .. } => line(
            format!("tried rule {} {} on history", rule.name, rule.version),
            "",
            of_rule(&rule.name),
        ),
        Act::RuleStaged {
            rule,
            stage,
            reason,
            without_trial,
            ..
        } => {
            let to = match stage {
                RuleStage::Draft => "a draft",
                RuleStage::Trial => "on trial",
                RuleStage::Live if *without_trial => "live without a trial",
                RuleStage::Live => "live",
                RuleStage::Retired => "retired",
            };
            let what = format!("made rule {} {} {to}", rule.name, rule.version);
            line(what, reason, of_rule(&rule.name))
        }
        Act::ClassBaselineFrozen { baseline } => line(
            format!("froze {} of a class", baseline.of),
            "",
            Subject::default(),
        ),
        Act::AlertRaised { id, announced, .. } => {
            let told = if *announced { "" } else { ", told nobody" };
            line(format!("raised alert {}{told}", id.0), "", of_alert(*id))
        }
        Act::AlertEnded { id, .. } => line(format!("ended alert {}", id.0), "", of_alert(*id)),
        Act::AlertRevised { id, .. } => line(format!("revised alert {}", id.0), "", of_alert(*id)),
        Act::AlertWithdrawn { id, .. } => {
            let what = format!("withdrew alert {}", id.0);
            line(what, "later data", of_alert(*id))
        }
        Act::AlertReinstated { id, .. } => {
            let what = format!("reinstated alert {}", id.0);
            line(what, "later data", of_alert(*id))
        }
        Act::AlertAcknowledged { id, note, .. } => {
            line(format!("took alert {} on", id.0), note, of_alert(*id))
        }
        Act::AlertGivenBack { id, note, .. } => {
            line(format!("gave alert {} back", id.0), note, of_alert(*id))
        }
        Act::AlertUnsuppressed { id, .. } => line(
            format!("no longer suppressed alert {} by design", id.0),
            "",
            of_alert(*id),
        ),
        Act::AlertAnnounced { id } => line(format!("told of alert {}", id.0), "", of_alert(*id)),
        Act::AlertToldAgain { id } => line(
            format!("told of alert {} once more", id.0),
            "",
            of_alert(*id),
        ),
        Act::AlertToldWith { id, with } => line(
            format!("told of alert {} with alert {}", id.0, with.0),
            "",
            of_alert(*id),
        ),
        Act::AlertSettled { id } => line(format!("settled alert {}", id.0), "", of_alert(*id)),
        Act::AlertMadeLive { id, .. } => {
            let what = format!("made alert {} one for the desk", id.0);
            line(what, "its rule is live", of_alert(*id))
        }
        Act::DefectOpened {
            id, title, origin, ..
        } => {
            let origin = format!("{origin:?}");
            let why = if origin == "Alert" {
                ""
            } else {
                title.as_str()
            };
            line(format!("opened defect {}", id.0), why, of_defect(*id))
        }
        Act::DefectReported { id, title, .. } => line(
            format!("reported defect {} too", id.0),
            title,
            of_defect(*id),
        ),
        Act::DefectReopened { id, .. } => {
            let what = format!("opened defect {} again", id.0);
            line(what, "it came back", of_defect(*id))
        }
        Act::DefectTakenOn { id, note, .. } => {
            line(format!("took defect {} on", id.0), note, of_defect(*id))
        }
        Act::DefectPlanned { id, plan, .. } => match plan {
            Some(plan) => {
                let at = plan
                    .at
                    .map_or_else(String::new, |at| format!(" for {}", second(at.unix_ms())));
                let what = format!("planned defect {} at {}{at}", id.0, plan.service_point);
                line(what, &plan.note, of_defect(*id))
            }
            None => line(
                format!("took the plan of defect {} back", id.0),
                "",
                of_defect(*id),
            ),
        },
        Act::WorkBegun { id, .. } => {
            line(format!("began work on defect {}", id.0), "", of_defect(*id))
        }
        Act::ClosedWithoutFinding { id, note, .. } => {
            let what = format!("closed defect {} without a finding", id.0);
            line(what, note, of_defect(*id))
        }
        Act::FindingRecorded {
            id,
            kind,
            note,
            work,
            corrects,
            ..
        } => {
            let found = match kind {
                FindingKind::AsCalled => "as called",
                FindingKind::AnotherFault => "another fault",
                FindingKind::SensorOrWiring => "sensor or wiring",
                FindingKind::NoFaultFound => "no fault found",
                FindingKind::CouldNotTest => "could not test",
                FindingKind::NotLookedAt => "not looked at",
            };
            let did = if *corrects { "corrected" } else { "closed" };
            let what = format!("{did} defect {}: {found}", id.0);
            let why = if note.is_empty() { &work.cause } else { note };
            line(what, why, of_defect(*id))
        }
        Act::DefectSplit { id, new, note, .. } => {
            let what = format!("split defect {} off defect {}", new.0, id.0);
            line(what, note, of_defects(*id, *new))
        }
        Act::DefectMerged { id, into, note, .. } => {
            let what = format!("merged defect {} into defect {}", id.0, into.0);
            line(what, note, of_defects(*id, *into))
        }
        Act::DispositionSaid {
            id,
            disposition,
            how,
            ..
        } => {
            let said = disposition.words();
            line(
                format!("said of defect {}: {said}", id.0),
                how,
                of_defect(*id),
            )
        }
        Act::ContactLogged {
            id,
            told,
            answer,
            promise,
            ..
        } => {
            let why = match (answer.as_str(), promise.as_str()) {
                ("", promise) => promise.to_owned(),
                (answer, "") => answer.to_owned(),
                (answer, promise) => format!("{answer}; promised: {promise}"),
            };
            let what = format!("told {told} of defect {}", id.0);
            line(what, &why, of_defect(*id))
        }
        Act::PromiseKept { id, contact, .. } => {
            let what = format!("saw the promise of call {contact} kept, defect {}", id.0);
            line(what, "", of_defect(*id))
        }
        Act::Muted {
            id,
            kind,
            scope,
            until,
            reason,
            ..
        } => {
            let done = match kind {
                MuteKind::Shelved => "shelved",
                MuteKind::OutOfService => "took out of service",
            };
            let rule = scope.rule.as_ref().map_or("all rules", RuleName::as_str);
            let part = scope.part.as_ref();
            let part = part.map_or_else(String::new, |part| format!(", {part}"));
            let until = until.map_or_else(String::new, |until| {
                format!(" until {}", second(until.unix_ms()))
            });
            let unit = &scope.unit;
            let what = format!("{done} {rule} on {unit}{part}{until} (mute {})", id.0);
            let about = Subject {
                unit: Some(unit.clone()),
                rule: scope.rule.clone(),
                ..Subject::default()
            };
            line(what, reason, about)
        }
        Act::MuteEnded {
            id, lifted, note, ..
        } => {
            let mute = book.mute(*id);
            let about = Subject {
                unit: mute.map(|mute| mute.scope.unit.clone()),
                rule: mute.and_then(|mute| mute.scope.rule.clone()),
                ..Subject::default()
            };
            let what = if *lifted {
                format!("lifted mute {}", id.0)
            } else {
                format!("ended mute {}", id.0)
            };
            let why = if *lifted { note } else { "its time was over" };
            line(what, why, about)
        }
        Act::HandedOver { from, to, note, .. } => line(
            format!("handed the desk over from {from} to {to}"),
            note,
            Subject::default(),
        ),
    }
}
