//! What a table of a file says of a class.

use super::MOST_AXLES;
use crate::doc::{Problems, Section, as_count, as_number};
use crate::ucum::Ucum;
use wheeltap_model::{Axle, ClassDef, ClassName};

pub(super) fn read_class(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<ClassDef> {
    let name = section.text("name", problems);
    let title = section.text("title", problems);
    let axles = read_axles(section, problems);
    let weight_on_drivers_kg = quantity(section, "weight_on_drivers", "kg", problems);
    let rated_power_kw = quantity(section, "rated_power", "kW", problems);
    let gear_ratio = section.number("gear_ratio", problems);
    let wheel_diameter_mm = quantity(section, "wheel_diameter", "mm", problems);
    let fuel_capacity_l = quantity(section, "fuel_capacity", "L", problems);
    let sand_capacity_kg = quantity(section, "sand_capacity", "kg", problems);
    let oil_capacity_l = quantity(section, "oil_capacity", "L", problems);
    let water_capacity_l = quantity(section, "water_capacity", "L", problems);
    let limits = read_limits(section, problems);
    section.refuse_unknown(problems);
    if let Some(ratio) = gear_ratio.as_ref().filter(|ratio| ratio.value <= 0.0) {
        problems.add(
            &ratio.span,
            "`gear_ratio` is not above zero",
            "give motor turns per axle turn, such as 4.1",
        );
    }
    let Some(name) = name else {
        section.missing("name", "\"Marten\"", problems);
        return None;
    };
    match ClassName::new(name.value) {
        Ok(name) => Some(ClassDef {
            title: title.map_or_else(|| name.to_string(), |title| title.value.to_owned()),
            name,
            axles,
            weight_on_drivers_kg,
            rated_power_kw,
            gear_ratio: gear_ratio.map(|ratio| ratio.value),
            wheel_diameter_mm,
            fuel_capacity_l,
            sand_capacity_kg,
            oil_capacity_l,
            water_capacity_l,
            limits,
        }),
        Err(refusal) => {
            problems.add(
                &name.span,
                format!("\"{}\" is no class name", refusal.text),
                refusal.rule,
            );
            None
        }
    }
}

/// `axles = 6` and, unless all are, `powered = [1, 3, 4, 6]`.
fn read_axles(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<Axle> {
    let count = section.count("axles", MOST_AXLES, problems);
    let powered = section.value("powered");
    let Some(count) = count else {
        if let Some(powered) = powered {
            problems.add(
                &powered.span(),
                "`powered` counts axles, but `axles` does not say how many there are",
                "add axles = 6",
            );
        }
        return Vec::new();
    };
    let n_axles = count.value as usize;
    let Some(powered) = powered else {
        return vec![Axle { powered: true }; n_axles];
    };
    let mut axles = vec![Axle { powered: false }; n_axles];
    let numbers: Option<Vec<usize>> = powered.get_ref().as_array().and_then(|items| {
        items
            .iter()
            .map(|item| {
                let number = as_count(item.get_ref())? as usize;
                (number <= n_axles).then_some(number)
            })
            .collect()
    });
    match numbers {
        Some(numbers) => {
            for number in numbers {
                axles[number - 1].powered = true;
            }
        }
        None => problems.add(
            &powered.span(),
            format!("`powered` is not a list of axle numbers from 1 to {n_axles}"),
            "count axles from the end marked F, such as [1, 3, 4, 6]",
        ),
    }
    axles
}

/// A quantity with its unit, such as `"425000 [lb_av]"`, in `target`.
fn quantity(
    section: &mut Section<'_, '_>,
    key: &'static str,
    target: &str,
    problems: &mut Problems<'_>,
) -> Option<f64> {
    let text = section.text(key, problems)?;
    let converted = Ucum::parse_quantity(text.value).and_then(|(value, unit)| {
        let target_unit = Ucum::parse(target).map_err(|refusal| refusal.to_string())?;
        unit.convert(value, &target_unit)
            .filter(|value| value.is_finite() && *value > 0.0)
            .ok_or_else(|| {
                format!(
                    "\"{}\" is no amount above zero that converts to {target}",
                    text.value
                )
            })
    });
    converted
        .map_err(|what| {
            problems.add(
                &text.span,
                format!("`{key}`: {what}"),
                format!("write a number and a UCUM unit, such as \"100 {target}\""),
            );
        })
        .ok()
}

fn read_limits(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<(String, f64)> {
    let Some(limits) = section.table("limits", "[class.limits]", problems) else {
        return Vec::new();
    };
    let mut read = Vec::new();
    for (key, span, value) in limits.entries() {
        let plain = key
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
        if !plain || key.is_empty() {
            problems.add(
                &span,
                format!("limit \"{key}\" is no lower-case word"),
                "use lower-case letters, digits and underscores, ending in the unit: coolant_hot_cel",
            );
        }
        match as_number(value.get_ref()) {
            Some(number) => read.push((key.to_owned(), number)),
            None => problems.add(
                &value.span(),
                format!("limit `{key}` is not a finite number"),
                "write it like coolant_hot_cel = 98",
            ),
        }
    }
    read
}
