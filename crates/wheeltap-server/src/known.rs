//! Names in requests that must be of something there is: a list about a mistyped name would be empty, and
//! empty reads as "nothing is wrong".

use crate::near::meant;
use crate::{Shared, UnitRecord, status};
use std::sync::Arc;
use tonic::Status;
use wheeltap_followup::reports::{NO_SYSTEM, SENSOR, SENSORS};
use wheeltap_followup::{Book, Refusal, RuleVersion, is_same_component};
use wheeltap_model::{AlertId, ClassName, DefectId, PointName, RuleName, RuleRef, UnitId};
use wheeltap_proto::convert::{self, InvalidField};

/// A unit of the fleet.
pub fn unit(shared: &Shared, unit: &UnitId) -> Result<Arc<UnitRecord>, Status> {
    let found = shared.fleet.get(unit);
    found.ok_or_else(|| status::not_found("UNKNOWN_UNIT", no_unit(shared, unit)))
}

/// What to say of a unit that the fleet has not.
pub fn no_unit(shared: &Shared, unit: &UnitId) -> String {
    let fleet = shared.fleet.all();
    let names = fleet.iter().map(|record| record.unit.id.as_str());
    format!(
        "the fleet has no unit {unit}{}",
        meant(unit.as_str(), names)
    )
}

/// A class of the catalogue.
pub fn class(shared: &Shared, class: &ClassName) -> Result<(), Status> {
    if shared.catalogue.class(class).is_some() {
        return Ok(());
    }
    let names: Vec<&str> = shared
        .catalogue
        .classes()
        .map(|class| class.name.as_str())
        .collect();
    let why = match names.as_slice() {
        [] => format!("the catalogue has no class {class}, nor any other"),
        names => format!(
            "the catalogue has no class {class}{}",
            meant_or_all(class.as_str(), names)
        ),
    };
    Err(status::not_found("UNKNOWN_CLASS", why))
}

/// `; did you mean a?`, or all names where none is near: of what there are few.
fn meant_or_all(word: &str, names: &[&str]) -> String {
    match meant(word, names.iter().copied()) {
        none if none.is_empty() => format!("; there are {}", names.join(", ")),
        meant => meant,
    }
}

/// Reads `rules/{rule}` or `rules/{rule}/versions/{version}`; what is no name at all may be near one.
pub fn rule_from_name(
    book: &Book,
    field: &str,
    text: &str,
) -> Result<(RuleName, Option<String>), InvalidField> {
    convert::rule_from_name(field, text).map_err(|mut invalid| {
        let word = text.strip_prefix("rules/").unwrap_or(text);
        invalid.why += &meant(word, book.rule_names().map(RuleName::as_str));
        invalid
    })
}

/// A rule that was lodged, in whatever stage.
pub fn rule(book: &Book, rule: &RuleName) -> Result<(), Status> {
    if book.rule_versions(rule).next().is_some() {
        return Ok(());
    }
    Err(no_rule(book, rule, None))
}

/// What to say of a rule, or of a version of one, that was never lodged.
pub fn no_rule(book: &Book, rule: &RuleName, version: Option<&str>) -> Status {
    let name = match version {
        Some(version) => format!("{}/versions/{version}", convert::rule_name(rule)),
        None => convert::rule_name(rule),
    };
    let is_known = book.rule_versions(rule).next().is_some();
    let rules = book.rule_names().map(RuleName::as_str);
    let near = match meant(rule.as_str(), rules) {
        _ if is_known => "; list the rules with all versions".to_owned(),
        none if none.is_empty() => "; list the rules".to_owned(),
        near => near,
    };
    status::not_found("UNKNOWN_RULE", format!("there is no {name}{near}"))
}

/// A version of a rule that was lodged.
pub fn version<'a>(book: &'a Book, rule: &RuleRef) -> Result<&'a Arc<RuleVersion>, Status> {
    let found = book.rule_version(rule);
    found.ok_or_else(|| no_rule(book, &rule.name, Some(&rule.version)))
}

/// An alert of the book.
pub fn alert(book: &Book, id: AlertId) -> Result<(), Status> {
    if book.alert(id).is_some() {
        return Ok(());
    }
    Err(status::refusal(&Refusal::UnknownAlert { id }))
}

/// A defect of the book.
pub fn defect(book: &Book, id: DefectId) -> Result<(), Status> {
    if book.defect(id).is_some() {
        return Ok(());
    }
    Err(status::refusal(&Refusal::UnknownDefect { id }))
}

/// What to say of a service point that no work file describes.
pub fn no_point(shared: &Shared, point: &str) -> String {
    let points = &shared.work.points;
    let names: Vec<&str> = points.iter().map(|point| point.name.as_str()).collect();
    match names.as_slice() {
        [] => {
            format!("there is no service point {point}: no work file of the settings describes any")
        }
        names => format!(
            "there is no service point {point}{}",
            meant_or_all(point, names)
        ),
    }
}

/// A service point of the work files.
pub fn point(shared: &Shared, point: &PointName) -> Result<(), Status> {
    if shared.work.point(point).is_some() {
        return Ok(());
    }
    let why = no_point(shared, point.as_str());
    Err(status::not_found("UNKNOWN_POINT", why))
}

/// Systems and components that rules and defects name.
fn named(book: &Book) -> impl Iterator<Item = (&str, &str)> {
    let of_rules = book
        .rule_names()
        .flat_map(|rule| book.rule_versions(rule))
        .map(|version| {
            let facts = &version.facts;
            (facts.system.as_str(), facts.component.as_str())
        });
    let of_defects = book.all_defects().map(|kept| {
        let defect = kept.defect();
        (defect.system.as_str(), defect.component.as_str())
    });
    of_rules.chain(of_defects)
}

/// Systems that reports put faults under, beside what rules and defects name.
const GROUPS: [&str; 2] = [SENSORS, NO_SYSTEM];

/// The system and the component that failures are looked for under, empty for any: some rule or defect
/// names them, or "no failure" would be said of nothing.
pub fn parts_of_units(book: &Book, system: &str, component: &str) -> Result<(), Status> {
    let no = |reason, what: &str, name: &str, near: String| {
        let why = format!("no rule and no defect names a {what} \"{name}\"{near}");
        Err(status::not_found(reason, why))
    };
    let systems = || named(book).map(|(system, _)| system);
    let components = || named(book).map(|(_, component)| component);
    if !system.is_empty() && !GROUPS.contains(&system) && !systems().any(|of| of == system) {
        let near = meant(system, systems());
        return no("UNKNOWN_SYSTEM", "system", system, near);
    }
    let is_named = |name: &str| components().any(|of| is_same_component(of, name));
    let is_sensor = || component.strip_suffix(SENSOR).is_some_and(is_named);
    if !component.is_empty() && !is_named(component) && !is_sensor() {
        let near = meant(component, components());
        return no("UNKNOWN_COMPONENT", "component", component, near);
    }
    Ok(())
}
