//! What to know before anyone touches a unit.

use super::{InspectionLine, Seen, TaskLine};
use wheeltap_model::UnitState;

/// One caution.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// In a sentence or two.
    pub text: String,
    /// It is about this unit's present state; the others hold for every unit.
    pub is_of_this_unit: bool,
}

pub(super) fn cautions(
    seen: &Seen<'_>,
    tasks: &[TaskLine],
    inspections: &[InspectionLine],
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut add = |text: String, is_of_this_unit: bool| {
        cautions.push(Caution {
            text,
            is_of_this_unit,
        });
    };
    add(
        "Before anyone is on, under or between: blue signal up, unit locked out (engine servicing tracks: \
         49 CFR 218.29). Local rules and licensed practice come first."
            .to_owned(),
        false,
    );
    let crankcase = seen.defects.iter().any(|seen| {
        let component = seen.defect.component.to_ascii_lowercase();
        !seen.finding_owed && component.contains("crankcase")
    });
    let state = seen.states.at(seen.as_of);
    let tripped = seen.tripped_at.is_some()
        || state.is_some_and(|state| state.value == UnitState::StoppedTrip);
    if crankcase {
        add(
            "Crankcase pressure was called: do not restart the engine, do not open covers, keep people clear \
             until a qualified person decides what comes next."
                .to_owned(),
            true,
        );
    } else if tripped {
        let since = seen
            .tripped_at
            .map_or_else(String::new, |at| format!(" at {at}"));
        add(
            format!(
                "The engine stopped by a trip{since}, and which one is not known here. Until it is known that \
                 it was not the crankcase's: do not restart, do not open covers."
            ),
            true,
        );
    }
    match state.map(|state| state.value) {
        Some(UnitState::StoppedAuto) => add(
            "The automatic stop has stopped this engine: it can crank at any moment.".to_owned(),
            true,
        ),
        _ => add(
            "An engine that stands may have been stopped automatically: it can crank at any moment."
                .to_owned(),
            false,
        ),
    }
    let overdue: Vec<&str> = inspections
        .iter()
        .filter(|line| line.is_overdue)
        .map(|line| line.title.as_str())
        .collect();
    if !overdue.is_empty() {
        add(
            format!(
                "Overdue: {}. A unit that does not comply moves only as 49 CFR 229.9 and local rules allow, and \
                 whoever is responsible for it says so.",
                overdue.join(", ")
            ),
            true,
        );
    }
    add(
        "Capacitors hold their charge: discharge and prove dead. Air: vent before opening. Coolant and oil: hot \
         and under pressure."
            .to_owned(),
        false,
    );
    for task in tasks {
        if let Some(caution) = &task.caution {
            let text = format!("{}: {caution}", task.title);
            if !cautions.iter().any(|known| known.text == text) {
                cautions.push(Caution {
                    text,
                    is_of_this_unit: true,
                });
            }
        }
    }
    cautions
}
