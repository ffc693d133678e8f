//! What a locomotive is made of, and what ails it.

use crate::weather::whole_seconds;
use wheeltap_model::ClassDef;

/// What a class is, as far as physics needs it.
#[derive(Clone, Debug)]
pub(crate) struct Build {
    /// Which axles are driven, from the front.
    pub(crate) powered: Vec<bool>,
    pub(crate) drivers_kg: f64,
    pub(crate) rated_kw: f64,
    pub(crate) tank_l: f64,
    pub(crate) sand_kg: f64,
    pub(crate) cylinders: usize,
}

/// Cylinders that the catalogue has channels for.
const MOST_CYLINDERS: usize = 16;

impl Build {
    /// A six-axle road unit.
    pub(crate) fn usual() -> Self {
        Self {
            powered: vec![true; 6],
            drivers_kg: 190_000.0,
            rated_kw: 3_000.0,
            tank_l: 16_000.0,
            sand_kg: 1_200.0,
            cylinders: 12,
        }
    }

    /// Takes a class from the catalogue; what it does not say is as in a six-axle road unit.
    pub(crate) fn of(class: &ClassDef) -> Self {
        let usual = Self::usual();
        let powered: Vec<bool> = class.axles.iter().map(|axle| axle.powered).collect();
        Self {
            powered: if powered.is_empty() {
                usual.powered
            } else {
                powered
            },
            drivers_kg: class.weight_on_drivers_kg.unwrap_or(usual.drivers_kg),
            rated_kw: class.rated_power_kw.unwrap_or(usual.rated_kw),
            tank_l: class.fuel_capacity_l.unwrap_or(usual.tank_l),
            sand_kg: class.sand_capacity_kg.unwrap_or(usual.sand_kg),
            cylinders: class
                .limits
                .iter()
                .find(|(name, _)| name == "cylinders")
                .and_then(|(_, count)| usize::try_from(whole_seconds(*count)).ok())
                .map_or(usual.cylinders, |count| count.clamp(1, MOST_CYLINDERS)),
        }
    }
}

/// What failures do to a unit's physics in this second.
#[derive(Clone, Debug)]
pub(crate) struct Ailment {
    /// Shares left of oil cooler, fans, oil pump, sanders, compressor, battery charger.
    pub(crate) oil_cooler: f64,
    pub(crate) fans: f64,
    pub(crate) oil_pump: f64,
    pub(crate) sander: f64,
    pub(crate) compressor: f64,
    pub(crate) charger: f64,
    pub(crate) sander_open: bool,
    /// Share of the coolant lost a second.
    pub(crate) coolant_loss: f64,
    /// kPa added to the crankcase at full load.
    pub(crate) blow_by_kpa: f64,
    /// Share of rated power that can be reached.
    pub(crate) power: f64,
    /// Fuel for the same work, against a sound engine.
    pub(crate) fuel: f64,
    /// Shares left of the battery's voltage while cranking and of the dynamic brake.
    pub(crate) battery: f64,
    pub(crate) dynamic_brake: f64,
    /// The slip control calls no sand.
    pub(crate) calls_no_sand: bool,
    /// Ground relay trips a day of load.
    pub(crate) trips_a_day: f64,
    /// kPa over the intake air filters at full load, more than clean ones.
    pub(crate) filter_kpa: f64,
    /// Share left of each cylinder's heat.
    pub(crate) cylinders: Vec<f64>,
    /// Share of the diameter each wheel set lost.
    pub(crate) worn: Vec<f64>,
    /// Share left of each axle's motor.
    pub(crate) motors: Vec<f64>,
    pub(crate) locked: Vec<bool>,
}

impl Ailment {
    pub(crate) fn none(axles: usize, cylinders: usize) -> Self {
        Self {
            oil_cooler: 1.0,
            fans: 1.0,
            oil_pump: 1.0,
            sander: 1.0,
            compressor: 1.0,
            charger: 1.0,
            sander_open: false,
            coolant_loss: 0.0,
            blow_by_kpa: 0.0,
            power: 1.0,
            fuel: 1.0,
            battery: 1.0,
            dynamic_brake: 1.0,
            calls_no_sand: false,
            trips_a_day: 0.0,
            filter_kpa: 0.0,
            cylinders: vec![1.0; cylinders],
            worn: vec![0.0; axles],
            motors: vec![1.0; axles],
            locked: vec![false; axles],
        }
    }
}
