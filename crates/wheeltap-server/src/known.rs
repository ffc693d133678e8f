//! Names in requests that must be of something there is: a list about a mistyped name would be empty, and
//! empty reads as "nothing is wrong".

use crate::{Shared, rules, status};
use tonic::Status;
use wheeltap_followup::{Book, Refusal, is_same_component};
use wheeltap_model::{AlertId, ClassName, DefectId, PointName, RuleName, UnitId};
use wheeltap_proto::convert;

/// A unit of the fleet.
pub fn unit(shared: &Shared, unit: &UnitId) -> Result<(), Status> {
    if shared.fleet.get(unit).is_some() {
        return Ok(());
    }
    let why = format!("the fleet has no unit {unit}");
    Err(status::not_found("UNKNOWN_UNIT", why))
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
            "the catalogue has no class {class}; there are {}",
            names.join(", ")
        ),
    };
    Err(status::not_found("UNKNOWN_CLASS", why))
}

/// A rule that was lodged, in whatever stage.
pub fn rule(book: &Book, rule: &RuleName) -> Result<(), Status> {
    if book.rule_versions(rule).next().is_some() {
        return Ok(());
    }
    Err(rules::unknown(&convert::rule_name(rule)))
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
            "there is no service point {point}; there are {}",
            names.join(", ")
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

/// A system or component that a rule or a defect names.
fn has_named(book: &Book, name: impl Fn(&str, &str) -> bool) -> bool {
    let of_rules = book
        .rule_names()
        .flat_map(|rule| book.rule_versions(rule))
        .map(|version| (&version.facts.system, &version.facts.component));
    let of_defects = book.all_defects().map(|kept| {
        let defect = kept.defect();
        (&defect.system, &defect.component)
    });
    of_rules
        .chain(of_defects)
        .any(|(system, component)| name(system, component))
}

/// What reports put sensors' faults under, beside what rules and defects name.
const SENSORS: &str = "sensors and wiring";
const SENSOR_OF: &str = "sensor or wiring of ";

/// The system and the component that failures are looked for under, empty for any: some rule or defect
/// names them, or "no failure" would be said of nothing.
pub fn parts_of_units(book: &Book, system: &str, component: &str) -> Result<(), Status> {
    let no = |reason, what: &str, name: &str| {
        let why = format!("no rule and no defect names a {what} \"{name}\"");
        Err(status::not_found(reason, why))
    };
    let component = component.strip_prefix(SENSOR_OF).unwrap_or(component);
    if !system.is_empty() && system != SENSORS && !has_named(book, |of, _| of == system) {
        return no("UNKNOWN_SYSTEM", "system", system);
    }
    if !component.is_empty() && !has_named(book, |_, of| is_same_component(of, component)) {
        return no("UNKNOWN_COMPONENT", "component", component);
    }
    Ok(())
}
