//! Resource names, as `units/ZVR 4117`, and etags.

use super::InvalidField;
use wheeltap_model::{
    Alert, AlertId, ChannelName, ClassName, Defect, DefectId, HandoverId, InvalidName, MuteId,
    PointName, RuleName, RuleRef, UnitId,
};

fn after<'a>(
    field: &str,
    text: &'a str,
    prefix: &str,
    what: &str,
) -> Result<&'a str, InvalidField> {
    text.strip_prefix(prefix).ok_or_else(|| {
        let shown: String = text.chars().take(80).collect();
        InvalidField::new(
            field,
            format!("\"{shown}\" is not written {prefix}{{{what}}}"),
        )
    })
}

fn named<T>(field: &str, name: Result<T, InvalidName>) -> Result<T, InvalidField> {
    name.map_err(|error| InvalidField::new(field, error.to_string()))
}

/// `units/{unit}`.
pub fn unit_name(unit: &UnitId) -> String {
    format!("units/{unit}")
}

/// Reads `units/{unit}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn unit_from_name(field: &str, text: &str) -> Result<UnitId, InvalidField> {
    named(field, UnitId::new(after(field, text, "units/", "unit")?))
}

/// `classes/{class}`.
pub fn class_name(class: &ClassName) -> String {
    format!("classes/{class}")
}

/// Reads `classes/{class}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn class_from_name(field: &str, text: &str) -> Result<ClassName, InvalidField> {
    named(
        field,
        ClassName::new(after(field, text, "classes/", "class")?),
    )
}

/// `points/{point}`.
pub fn point_name(point: &PointName) -> String {
    format!("points/{point}")
}

/// Reads `points/{point}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn point_from_name(field: &str, text: &str) -> Result<PointName, InvalidField> {
    named(
        field,
        PointName::new(after(field, text, "points/", "point")?),
    )
}

/// `channels/{channel}`.
pub fn channel_name(channel: &ChannelName) -> String {
    format!("channels/{channel}")
}

/// Reads `channels/{channel}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn channel_from_name(field: &str, text: &str) -> Result<ChannelName, InvalidField> {
    named(
        field,
        ChannelName::new(after(field, text, "channels/", "channel")?),
    )
}

/// `rules/{rule}`.
pub fn rule_name(rule: &RuleName) -> String {
    format!("rules/{rule}")
}

/// `rules/{rule}/versions/{version}`.
pub fn rule_version_name(rule: &RuleRef) -> String {
    let RuleRef { name, version } = rule;
    format!("rules/{name}/versions/{version}")
}

/// Reads `rules/{rule}` or `rules/{rule}/versions/{version}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn rule_from_name(field: &str, text: &str) -> Result<(RuleName, Option<String>), InvalidField> {
    let rest = after(field, text, "rules/", "rule")?;
    let (name, version) = match rest.split_once("/versions/") {
        Some((name, version)) => (name, Some(version)),
        None => (rest, None),
    };
    let is_version = |version: &&str| {
        version.len() == 16
            && version
                .bytes()
                .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
    };
    let version = match version {
        Some(version) if !is_version(&version) => {
            return Err(InvalidField::new(
                field,
                "the version is not 16 hexadecimal digits",
            ));
        }
        version => version.map(str::to_owned),
    };
    Ok((named(field, RuleName::new(name))?, version))
}

/// A number from 1 on, in the one way that it is written.
fn number(field: &str, text: &str, prefix: &str) -> Result<u64, InvalidField> {
    let digits = after(field, text, prefix, "number")?;
    let is_canonical = digits.bytes().all(|byte| byte.is_ascii_digit()) && !digits.starts_with('0');
    digits
        .parse()
        .ok()
        .filter(|_| is_canonical)
        .ok_or_else(|| InvalidField::new(field, format!("is not written {prefix}{{number}}")))
}

/// `alerts/{number}`.
pub fn alert_name(alert: AlertId) -> String {
    format!("alerts/{}", alert.0)
}

/// Reads `alerts/{number}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn alert_from_name(field: &str, text: &str) -> Result<AlertId, InvalidField> {
    number(field, text, "alerts/").map(AlertId)
}

/// `defects/{number}`.
pub fn defect_name(defect: DefectId) -> String {
    format!("defects/{}", defect.0)
}

/// Reads `defects/{number}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn defect_from_name(field: &str, text: &str) -> Result<DefectId, InvalidField> {
    number(field, text, "defects/").map(DefectId)
}

/// `mutes/{number}`.
pub fn mute_name(mute: MuteId) -> String {
    format!("mutes/{}", mute.0)
}

/// Reads `mutes/{number}`.
///
/// # Errors
/// [`InvalidField`] for anything else.
pub fn mute_from_name(field: &str, text: &str) -> Result<MuteId, InvalidField> {
    number(field, text, "mutes/").map(MuteId)
}

/// `handovers/{number}`.
pub fn handover_name(handover: HandoverId) -> String {
    format!("handovers/{}", handover.0)
}

/// An etag over what people did to an alert, quoted (RFC 7232).
pub fn alert_etag(alert: &Alert) -> String {
    format!("\"{}-{}\"", alert.id.0, alert.response_revision)
}

/// An etag over a defect, quoted (RFC 7232).
pub fn defect_etag(defect: &Defect) -> String {
    format!("\"{}-{}\"", defect.id.0, defect.revision)
}

/// `17` of `alerts/17`, `ZVR 4117` of `units/ZVR 4117`.
pub fn name_tail(name: &str) -> &str {
    name.split_once('/').map_or(name, |(_, tail)| tail)
}

/// The rule and version of `rules/{rule}/versions/{version}`; the version is empty where the name has
/// none.
pub fn rule_and_version(name: &str) -> (&str, &str) {
    let name = name_tail(name);
    name.split_once("/versions/").unwrap_or((name, ""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resource_names_are_read_and_refused() {
        let unit = UnitId::new("ZVR 4117").unwrap();
        assert_eq!(unit_from_name("name", &unit_name(&unit)), Ok(unit));
        let rule = RuleRef {
            name: RuleName::new("oil-above-coolant").unwrap(),
            version: "0123456789abcdef".to_owned(),
        };
        let (name, version) = rule_from_name("name", &rule_version_name(&rule)).unwrap();
        assert_eq!((name, version), (rule.name.clone(), Some(rule.version)));
        assert_eq!(
            rule_from_name("name", "rules/oil-above-coolant"),
            Ok((rule.name, None))
        );
        assert_eq!(alert_from_name("name", "alerts/17"), Ok(AlertId(17)));
        for bad in [
            "",
            "units/",
            "unit/ZVR 1",
            "units/a/b",
            "alerts/0",
            "alerts/-1",
            "alerts/x",
        ] {
            assert!(unit_from_name("name", bad).is_err(), "{bad}");
            assert!(alert_from_name("name", bad).is_err(), "{bad}");
        }
        for bad in [
            "rules/Oil",
            "rules/oil/versions/",
            "rules/oil/versions/0123456789ABCDEF",
        ] {
            assert!(rule_from_name("name", bad).is_err(), "{bad}");
        }
    }
}
