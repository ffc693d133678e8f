//! The roster: units to be created at the start where they are missing.

use crate::settings::SettingsProblem;
use serde::Deserialize;
use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ClassName, EventTime, Unit, UnitId};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Roster {
    #[serde(default)]
    unit: Vec<toml::Spanned<Line>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    id: UnitId,
    /// The id by default.
    road_number: Option<String>,
    class: ClassName,
    /// RFC 3339; 1970 by default, which lets all samples in.
    commissioned: Option<String>,
}

const MEND: &str = "write [[unit]] tables with id, class and, if wanted, road_number and \
                    commissioned = \"2020-01-31T00:00:00Z\"";

/// Reads the units of a roster file.
///
/// # Errors
/// The first problem found, with its place.
pub fn read(path: &Path, catalogue: &Catalogue) -> Result<Vec<Unit>, SettingsProblem> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|error| {
        SettingsProblem::at_start(&file, error.to_string(), "name a readable roster file")
    })?;
    from_toml(&file, &text, catalogue)
}

fn from_toml(file: &str, text: &str, catalogue: &Catalogue) -> Result<Vec<Unit>, SettingsProblem> {
    let roster: Roster = toml::from_str(text)
        .map_err(|error| SettingsProblem::from_toml(file, text, &error, MEND))?;
    let mut units: Vec<Unit> = Vec::with_capacity(roster.unit.len());
    for line in roster.unit {
        let offset = line.span().start;
        let problem =
            |what: String, mend: &str| SettingsProblem::at_offset(file, text, offset, what, mend);
        let line = line.into_inner();
        if catalogue.class(&line.class).is_none() {
            return Err(problem(
                format!(
                    "unit {} is of class {}, which no catalogue file has",
                    line.id, line.class
                ),
                "add the class to a catalogue file, or correct the name",
            ));
        }
        if units.iter().any(|unit| unit.id == line.id) {
            return Err(problem(
                format!("unit {} is listed twice", line.id),
                "remove one of them",
            ));
        }
        let commissioned_ms = match &line.commissioned {
            None => 0,
            Some(text) => wheeltap_model::read_instant(text).ok_or_else(|| {
                problem(
                    format!("unit {} has a commissioned that is no time", line.id),
                    "write it as \"2020-01-31T00:00:00Z\"",
                )
            })?,
        };
        units.push(Unit {
            road_number: line
                .road_number
                .unwrap_or_else(|| line.id.as_str().to_owned()),
            id: line.id,
            class: line.class,
            commissioned: EventTime::from_unix_ms(commissioned_ms),
        });
    }
    Ok(units)
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::{Axle, ClassDef};

    fn catalogue() -> Catalogue {
        let class = ClassDef {
            name: ClassName::new("Marten").unwrap(),
            title: "A class of tests".to_owned(),
            axles: vec![Axle { powered: true }],
            weight_on_drivers_kg: None,
            rated_power_kw: None,
            gear_ratio: None,
            wheel_diameter_mm: None,
            fuel_capacity_l: None,
            sand_capacity_kg: None,
            oil_capacity_l: None,
            water_capacity_l: None,
            limits: Vec::new(),
        };
        Catalogue::from_parts(Vec::new(), vec![class])
    }

    #[test]
    fn a_roster_is_read() {
        let text = "[[unit]]\nid = \"ZVR 4117\"\nclass = \"Marten\"\n\
                    commissioned = \"1996-12-19T16:39:57-08:00\"\n\
                    [[unit]]\nid = \"ZVR 2\"\nclass = \"Marten\"\nroad_number = \"2A\"\n";
        let units = from_toml("units.toml", text, &catalogue()).unwrap();
        // RFC 3339 section 5.8, as in check-values section 9.
        assert_eq!(units[0].commissioned.to_string(), "1996-12-20T00:39:57Z");
        assert_eq!(units[0].road_number, "ZVR 4117");
        assert_eq!(units[1].road_number, "2A");
    }

    #[test]
    fn problems_name_the_place() {
        let check = |text: &str, expected: &str| {
            let problem = from_toml("units.toml", text, &catalogue())
                .unwrap_err()
                .to_string();
            assert!(problem.starts_with(expected), "{problem}");
        };
        check(
            "[[unit]]\nid = \"a/b\"\nclass = \"Marten\"\n",
            "units.toml:2:6: \"a/b\" is no unit id",
        );
        check(
            "\n[[unit]]\nid = \"a\"\nclass = \"Stoat\"\n",
            "units.toml:2:1: unit a is of class Stoat",
        );
        check(
            "[[unit]]\nid = \"a\"\nclass = \"Marten\"\ncolour = 1\n",
            "units.toml:4:1: unknown field",
        );
        check(
            "[[unit]]\nid = \"a\"\nclass = \"Marten\"\ncommissioned = \"yesterday\"\n",
            "units.toml:1:1: unit a has a commissioned",
        );
    }
}
