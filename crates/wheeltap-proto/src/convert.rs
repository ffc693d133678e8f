//! To and from the model. Model to wire cannot fail; wire to model refuses with [`InvalidField`].
//!
//! Every wire message is taken apart by naming all of its fields, so that a new field stops the
//! build here instead of being lost.

mod names;
mod people;

use crate::v1;
pub use names::{
    alert_etag, alert_from_name, alert_name, channel_from_name, channel_name, class_from_name,
    class_name, defect_etag, defect_from_name, defect_name, handover_name, mute_from_name,
    mute_name, name_tail, point_from_name, point_name, rule_and_version, rule_from_name, rule_name,
    rule_version_name, unit_from_name, unit_name,
};
pub use people::plan_from_wire;
use wheeltap_model::{
    Alert, AlertChange, AlertId, AlertState, ChannelDef, ChannelKind, ClassBaseline, ClassDef,
    Condition, ConsistPosition, ConsistRole, DefectOrigin, DefectStatus, Disposition, Evidence,
    EvidenceItem, Facing, FindingKind, KnownValue, MuteKind, Priority, Quality, Response,
    RuleStage, ServerTime, Side, Suppression, UnitState, WithdrawnReason,
};

/// A field of a request that cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {why}")]
pub struct InvalidField {
    /// The field's path in its request, such as `consist.facing`.
    pub field: String,
    /// What is wrong and what to write.
    pub why: String,
}

impl InvalidField {
    /// A field and what is wrong with it.
    pub fn new(field: impl Into<String>, why: impl Into<String>) -> Self {
        Self {
            field: field.into(),
            why: why.into(),
        }
    }
}

macro_rules! both_ways {
    ($model:ident = $wire:ident { $($in_model:ident = $on_wire:ident),+ $(,)? }, $what:literal,
     $to:ident, $from:ident) => {
        #[doc = concat!("To the wire: ", $what, ".")]
        pub const fn $to(value: $model) -> v1::$wire {
            match value { $($model::$in_model => v1::$wire::$on_wire),+ }
        }

        #[doc = concat!("From the wire: ", $what, "; 0 is `None`.")]
        ///
        /// # Errors
        /// [`InvalidField`] for a number that this version does not know or does not take.
        pub fn $from(field: &str, number: i32) -> Result<Option<$model>, InvalidField> {
            match v1::$wire::try_from(number) {
                $(Ok(v1::$wire::$on_wire) => Ok(Some($model::$in_model)),)+
                Ok(v1::$wire::Unspecified) => Ok(None),
                Err(_) => Err(InvalidField::new(
                    field,
                    format!(concat!("{} is no ", $what, " that this version takes"), number),
                )),
            }
        }
    };
}

both_ways!(Priority = Priority { Low = Low, Medium = Medium, High = High, Urgent = Urgent },
    "priority", priority_to_wire, priority_from_wire);
both_ways!(RuleStage = RuleStage { Draft = Draft, Trial = Trial, Live = Live, Retired = Retired },
    "rule stage", rule_stage_to_wire, rule_stage_from_wire);
both_ways!(Condition = Condition { Standing = Standing, Ended = Ended, Withdrawn = Withdrawn },
    "condition", condition_to_wire, condition_from_wire);
both_ways!(AlertState = AlertState {
        Normal = Normal, Unacknowledged = Unacknowledged, Acknowledged = Acknowledged,
        ReturnedUnacknowledged = ReturnedUnacknowledged, Shelved = Shelved,
        SuppressedByDesign = SuppressedByDesign, OutOfService = OutOfService,
    }, "alert state", alert_state_to_wire, alert_state_from_wire);
both_ways!(MuteKind = MuteKind { Shelved = Shelved, OutOfService = OutOfService },
    "mute kind", mute_kind_to_wire, mute_kind_from_wire);
both_ways!(Disposition = Disposition {
        RunOn = RunOn, Restrict = Restrict, Isolate = Isolate, CutOut = CutOut,
        SwapLead = SwapLead, ArrangePower = ArrangePower, NextServiceStop = NextServiceStop,
        SetOut = SetOut,
    }, "disposition", disposition_to_wire, disposition_from_wire);
both_ways!(DefectStatus = DefectStatus {
        Suspected = Suspected, Planned = Planned, InWork = InWork, Closed = Closed,
        FindingOwed = FindingOwed, Void = Void, Merged = Merged,
    }, "defect status", defect_status_to_wire, defect_status_from_wire);
both_ways!(DefectOrigin = DefectOrigin {
        Alert = Alert, CrewReport = CrewReport, DailyInspection = DailyInspection,
        ShopFind = ShopFind, RoadFailure = RoadFailure,
    }, "defect origin", defect_origin_to_wire, defect_origin_from_wire);
both_ways!(FindingKind = FindingKind {
        AsCalled = AsCalled, AnotherFault = AnotherFault, SensorOrWiring = SensorOrWiring,
        NoFaultFound = NoFaultFound, CouldNotTest = CouldNotTest, NotLookedAt = NotLookedAt,
    }, "finding", finding_kind_to_wire, finding_kind_from_wire);
both_ways!(UnitState = UnitState {
        Unknown = Unknown, Working = Working, Isolated = Isolated, StoppedManual = StoppedManual,
        StoppedAuto = StoppedAuto, StoppedTrip = StoppedTrip, DeadInTow = DeadInTow,
        Stored = Stored, InShop = InShop, OffLine = OffLine,
    }, "unit state", unit_state_to_wire, unit_state_from_wire);
both_ways!(ConsistRole = ConsistRole {
        Unknown = Unknown, Lead = Lead, Trailing = Trailing, Remote = Remote,
    }, "consist role", consist_role_to_wire, consist_role_from_wire);
both_ways!(Facing = Facing { Unknown = Unknown, Forward = Forward, Backward = Backward },
    "facing", facing_to_wire, facing_from_wire);
both_ways!(Side = Side { Above = Above, Below = Below }, "side of a unit", side_to_wire, side_from_wire);
both_ways!(Quality = Quality { Bad = Bad, Uncertain = Uncertain, Good = Good, Conflict = Conflict },
    "quality", quality_to_wire, quality_from_wire);

/// Qualities as the contract packs them: one byte each of the wire number.
pub fn qualities_to_wire(qualities: &[Quality]) -> Vec<u8> {
    qualities
        .iter()
        .map(|quality| match quality {
            Quality::Bad => 1,
            Quality::Uncertain => 2,
            Quality::Good => 3,
            Quality::Conflict => 4,
        })
        .collect()
}

/// Qualities from one byte each; an empty slice stays empty (all good).
///
/// # Errors
/// [`InvalidField`] naming the place of a byte that is none.
pub fn qualities_from_wire(field: &str, bytes: &[u8]) -> Result<Vec<Quality>, InvalidField> {
    bytes
        .iter()
        .enumerate()
        .map(|(idx, byte)| {
            quality_from_wire(field, i32::from(*byte))?
                .ok_or_else(|| InvalidField::new(format!("{field}[{idx}]"), "is 0"))
        })
        .collect()
}

/// What changed, as the watch says it.
pub const fn alert_change_to_wire(change: AlertChange) -> v1::alert_change::Kind {
    use v1::alert_change::Kind;
    match change {
        AlertChange::Raised => Kind::Raised,
        AlertChange::Ended => Kind::Ended,
        AlertChange::Revised => Kind::Revised,
        AlertChange::Withdrawn => Kind::Withdrawn,
        AlertChange::Reinstated => Kind::Reinstated,
        AlertChange::Acknowledged => Kind::Acknowledged,
        AlertChange::GivenBack => Kind::GivenBack,
        AlertChange::Suppression => Kind::Suppression,
        AlertChange::Announced => Kind::Announced,
        AlertChange::ToldWith => Kind::ToldWith,
    }
}

/// What a class does; `frozen_at` where it stands in the ledger.
pub fn class_baseline_to_wire(
    baseline: &ClassBaseline,
    frozen_at: Option<ServerTime>,
) -> v1::ClassBaseline {
    let ClassBaseline {
        class,
        of,
        ucum,
        from,
        fitted_from,
        fitted_to,
        median,
        spread,
        n_units,
        n_windows,
    } = baseline;
    v1::ClassBaseline {
        class: class.as_ref().map(class_name).unwrap_or_default(),
        of: of.clone(),
        ucum: ucum.clone(),
        median: Some(*median),
        spread: Some(*spread),
        n_units: *n_units,
        n_windows: *n_windows,
        from_unix_ms: from.unix_ms(),
        fitted_from_unix_ms: fitted_from.unix_ms(),
        fitted_to_unix_ms: fitted_to.unix_ms(),
        frozen_unix_ms: frozen_at.map_or(0, ServerTime::unix_ms),
    }
}

/// A wire enum's word as people write it: `PRIORITY_HIGH` becomes `high`, `UNIT_STATE_IN_SHOP`
/// becomes `in_shop`; unset is `unknown`.
pub fn enum_word(wire_name: &str, prefix: &str) -> String {
    match wire_name.strip_prefix(prefix) {
        None | Some("UNSPECIFIED") => "unknown".to_owned(),
        Some(word) => word.to_lowercase(),
    }
}

/// The inputs of evidence off the wire; none where it is unset.
pub fn evidence_inputs(evidence: Option<&v1::Evidence>) -> Vec<EvidenceItem> {
    let inputs = evidence.map_or(&[][..], |evidence| &evidence.inputs);
    inputs.iter().map(EvidenceItem::from).collect()
}

impl From<&v1::EvidenceInput> for EvidenceItem {
    fn from(input: &v1::EvidenceInput) -> Self {
        let v1::EvidenceInput {
            input,
            of,
            ucum,
            value,
        } = input;
        Self {
            input: input.clone(),
            of: of.clone(),
            ucum: ucum.clone(),
            value: match value {
                Some(v1::evidence_input::Value::Number(number)) => KnownValue::Number(*number),
                Some(v1::evidence_input::Value::Flag(flag)) => KnownValue::Flag(*flag),
                None => KnownValue::Unknown(()),
            },
        }
    }
}

impl From<&EvidenceItem> for v1::EvidenceInput {
    fn from(item: &EvidenceItem) -> Self {
        use v1::evidence_input::Value;
        let EvidenceItem {
            input,
            of,
            ucum,
            value,
        } = item;
        Self {
            input: input.clone(),
            of: of.clone(),
            ucum: ucum.clone(),
            value: match value {
                KnownValue::Number(number) => Some(Value::Number(*number)),
                KnownValue::Flag(flag) => Some(Value::Flag(*flag)),
                KnownValue::Unknown(()) => None,
            },
        }
    }
}

impl From<&Evidence> for v1::Evidence {
    fn from(evidence: &Evidence) -> Self {
        let Evidence { at, since, inputs } = evidence;
        Self {
            at_unix_ms: at.unix_ms(),
            since_unix_ms: since.unix_ms(),
            inputs: inputs.iter().map(Into::into).collect(),
        }
    }
}

impl From<&Alert> for v1::Alert {
    fn from(alert: &Alert) -> Self {
        let Alert {
            id,
            rule,
            title,
            priority,
            safety,
            trial,
            unit,
            part,
            raised_at,
            ended_at,
            ended_because,
            announced_at,
            late_news,
            told_with,
            settled,
            evidence,
            end_evidence,
            withdrawn,
            response,
            suppression,
            told_again_at,
            passed_muted: _,
            defect,
            revision,
            response_revision: _,
        } = alert;
        Self {
            name: alert_name(*id),
            rule: rule_version_name(rule),
            title: title.clone(),
            priority: priority_to_wire(*priority).into(),
            safety: *safety,
            trial: *trial,
            unit: unit_name(unit),
            part: part.as_ref().map(ToString::to_string).unwrap_or_default(),
            condition: condition_to_wire(alert.condition()).into(),
            raised_unix_ms: raised_at.unix_ms(),
            ended_unix_ms: ended_at.map(wheeltap_model::EventTime::unix_ms),
            ended_because: ended_because.clone(),
            announced_unix_ms: announced_at.map(wheeltap_model::ServerTime::unix_ms),
            late_news: *late_news,
            told_with: match told_with {
                AlertId(0) => String::new(),
                with => alert_name(*with),
            },
            settled: *settled,
            evidence: Some(evidence.into()),
            end_evidence: end_evidence.as_ref().map(Into::into),
            withdrawn_because: match withdrawn {
                None => String::new(),
                Some(WithdrawnReason::LateData) => "late_data".to_owned(),
                Some(WithdrawnReason::MergedInto(id)) => format!("merged_into {}", alert_name(*id)),
            },
            acknowledgement: match response {
                Response::None => None,
                Response::Acknowledged { by, at, note } => Some(v1::alert::Acknowledgement {
                    by: by.clone(),
                    at_unix_ms: at.unix_ms(),
                    note: note.clone(),
                }),
            },
            suppressed_by_design: *suppression == Suppression::ByDesign,
            defect: if defect.0 == 0 {
                String::new()
            } else {
                defect_name(*defect)
            },
            etag: alert_etag(alert),
            revision: *revision,
            state: alert_state_to_wire(alert.state()).into(),
            // Whether its rule calls the desk is not part of an alert; the service knows it.
            awaits_answer: false,
            mute: match suppression {
                Suppression::Muted(mute) => mute_name(mute.id),
                Suppression::None | Suppression::ByDesign => String::new(),
            },
            told_again_unix_ms: told_again_at.map(ServerTime::unix_ms),
        }
    }
}

impl From<&ConsistPosition> for v1::ConsistPosition {
    fn from(position: &ConsistPosition) -> Self {
        let ConsistPosition {
            train,
            order,
            facing,
            role,
        } = position;
        Self {
            train: train.clone().unwrap_or_default(),
            order: *order,
            facing: facing_to_wire(*facing).into(),
            role: consist_role_to_wire(*role).into(),
        }
    }
}

impl TryFrom<v1::ConsistPosition> for ConsistPosition {
    type Error = InvalidField;

    /// Unset facing and role are *unknown*. Field names count from the message `consist`.
    fn try_from(position: v1::ConsistPosition) -> Result<Self, InvalidField> {
        let v1::ConsistPosition {
            train,
            order,
            facing,
            role,
        } = position;
        if train.len() > 64 {
            return Err(InvalidField::new(
                "consist.train",
                "is longer than 64 bytes",
            ));
        }
        if order > 1_000 {
            return Err(InvalidField::new(
                "consist.order",
                "is over 1,000; write 0 when it is unknown",
            ));
        }
        Ok(Self {
            train: (!train.is_empty()).then_some(train),
            order,
            facing: facing_from_wire("consist.facing", facing)?.unwrap_or_default(),
            role: consist_role_from_wire("consist.role", role)?.unwrap_or_default(),
        })
    }
}

impl From<&ClassDef> for v1::UnitClass {
    fn from(class: &ClassDef) -> Self {
        let ClassDef {
            name,
            title,
            axles,
            weight_on_drivers_kg,
            rated_power_kw,
            gear_ratio,
            wheel_diameter_mm,
            fuel_capacity_l,
            sand_capacity_kg,
            oil_capacity_l,
            water_capacity_l,
            limits,
        } = class;
        Self {
            name: class_name(name),
            title: title.clone(),
            axles_powered: axles.iter().map(|axle| axle.powered).collect(),
            weight_on_drivers_kg: *weight_on_drivers_kg,
            rated_power_kw: *rated_power_kw,
            gear_ratio: *gear_ratio,
            wheel_diameter_mm: *wheel_diameter_mm,
            fuel_capacity_l: *fuel_capacity_l,
            sand_capacity_kg: *sand_capacity_kg,
            oil_capacity_l: *oil_capacity_l,
            water_capacity_l: *water_capacity_l,
            limits: limits.iter().cloned().collect(),
        }
    }
}

impl From<&ChannelDef> for v1::Channel {
    fn from(channel: &ChannelDef) -> Self {
        use v1::channel::Kind;
        let ChannelDef {
            name,
            title,
            kind,
            ucum,
            range: (least, greatest),
            resolution,
            silent_ms,
        } = channel;
        Self {
            name: channel_name(name),
            title: title.clone(),
            kind: Some(match kind {
                ChannelKind::Sampled { interval_ms } => Kind::Sampled(v1::Sampled {
                    interval_ms: *interval_ms,
                }),
                ChannelKind::Held { hold_ms } => Kind::Held(v1::Held { hold_ms: *hold_ms }),
                ChannelKind::Event { fields } => Kind::Event(v1::EventKind {
                    fields: fields
                        .iter()
                        .map(|(name, ucum)| v1::EventFieldDef {
                            name: name.clone(),
                            ucum: ucum.clone(),
                        })
                        .collect(),
                }),
            }),
            ucum: ucum.clone(),
            least: *least,
            greatest: *greatest,
            resolution_num: resolution.num,
            resolution_den: resolution.den,
            silent_ms: *silent_ms,
            derivation: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_survives_the_way_there_and_back() {
        for (state, _) in UnitState::ALL {
            let wire = unit_state_to_wire(state).into();
            assert_eq!(unit_state_from_wire("state", wire), Ok(Some(state)));
        }
        for number in 0..4 {
            let quality = Quality::from_u8(number).unwrap();
            let bytes = qualities_to_wire(&[quality]);
            assert_eq!(i32::from(bytes[0]), i32::from(quality_to_wire(quality)));
            assert_eq!(qualities_from_wire("q", &bytes), Ok(vec![quality]));
        }
        for priority in [
            Priority::Low,
            Priority::Medium,
            Priority::High,
            Priority::Urgent,
        ] {
            let wire = priority_to_wire(priority).into();
            assert_eq!(priority_from_wire("priority", wire), Ok(Some(priority)));
        }
        assert_eq!(priority_from_wire("priority", 0), Ok(None));
        let refusal = priority_from_wire("least_priority", 99).unwrap_err();
        assert_eq!(refusal.field, "least_priority");
        assert!(refusal.why.contains("99"), "{refusal}");
        assert!(
            qualities_from_wire("q", &[3, 0])
                .unwrap_err()
                .field
                .contains("[1]")
        );
    }

    #[test]
    fn a_consist_survives_and_bad_ones_name_their_field() {
        let position = ConsistPosition {
            train: Some("Q 31".to_owned()),
            order: 2,
            facing: Facing::Backward,
            role: ConsistRole::Trailing,
        };
        let wire = v1::ConsistPosition::from(&position);
        assert_eq!(ConsistPosition::try_from(wire.clone()), Ok(position));
        assert_eq!(
            ConsistPosition::try_from(v1::ConsistPosition::default()),
            Ok(ConsistPosition::default())
        );
        let bad = v1::ConsistPosition { facing: 9, ..wire };
        assert_eq!(
            ConsistPosition::try_from(bad).unwrap_err().field,
            "consist.facing"
        );
    }
}
