//! Air temperature and rain over the day.

use crate::physics::Rail;
use crate::random::Random;

/// A named kind of weather, for healthy runs in all of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Season {
    /// A cold morning, a mild afternoon, showers.
    Spring,
    /// Around -30 degC all day, dry.
    DeepCold,
    /// Up to +40 degC in the afternoon, dry.
    Heat,
    /// Autumn: damp, leaves on the rail wherever the line runs through woods.
    LeafFall,
}

impl Season {
    /// All seasons with the words used in settings.
    pub const ALL: [(Self, &'static str); 4] = [
        (Self::Spring, "spring"),
        (Self::DeepCold, "deep_cold"),
        (Self::Heat, "heat"),
        (Self::LeafFall, "leaf_fall"),
    ];

    /// What the season means in numbers.
    pub fn weather(self) -> Weather {
        match self {
            Self::Spring => Weather {
                mean_cel: 4.0,
                swing_k: 5.5,
                rain_share: 0.15,
                leaves: false,
            },
            Self::DeepCold => Weather {
                mean_cel: -30.0,
                swing_k: 4.0,
                rain_share: 0.0,
                leaves: false,
            },
            Self::Heat => Weather {
                mean_cel: 34.0,
                swing_k: 6.0,
                rain_share: 0.0,
                leaves: false,
            },
            Self::LeafFall => Weather {
                mean_cel: 9.0,
                swing_k: 4.0,
                rain_share: 0.35,
                leaves: true,
            },
        }
    }
}

/// The weather of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Mean air temperature of the day, degC.
    pub mean_cel: f64,
    /// Half of the difference between the warmest and the coldest hour, K.
    pub swing_k: f64,
    /// Share of the time with rain, 0 to 1.
    pub rain_share: f64,
    /// Whether leaves lie on every wooded stretch; otherwise only where the railway's file says
    /// the rail is greasy.
    pub leaves: bool,
}

/// The weather over one line, drawn once a run.
#[derive(Clone, Debug)]
pub(crate) struct Sky {
    weather: Weather,
    phases: [f64; 3],
    showers: Vec<(i64, i64)>,
}

impl Sky {
    pub(crate) fn new(weather: Weather, seed: u64, line: &str, duration_s: i64) -> Self {
        let mut random = Random::named(seed, &format!("sky over {line}"));
        let phases = [random.share(), random.share(), random.share()];
        let mut showers = Vec::new();
        if weather.rain_share > 0.0 {
            let mut at_s = 0;
            while at_s < duration_s {
                let wet_s = random.seconds(1_200, 7_200);
                // Whole seconds, far below 2^53.
                let mean_dry_s = wet_s as f64 * (1.0 / weather.rain_share - 1.0);
                let dry_s = whole_seconds(mean_dry_s * random.between(0.5, 1.5));
                showers.push((at_s + dry_s, at_s + dry_s + wet_s));
                at_s += dry_s + wet_s;
            }
        }
        Self {
            weather,
            phases,
            showers,
        }
    }

    /// Air temperature in the open, degC; coldest about 05:30, warmest about 15:00 to 17:30.
    pub(crate) fn air_cel(&self, second_of_day: i64, at_s: i64) -> f64 {
        let turn = core::f64::consts::TAU;
        let day = second_of_day as f64 / 86_400.0;
        let slow = at_s as f64 / 86_400.0;
        let wander = libm::sin(turn * (slow * 3.3 + self.phases[0]))
            + 0.6 * libm::sin(turn * (slow * 7.1 + self.phases[1]))
            + 0.3 * libm::sin(turn * (slow * 17.0 + self.phases[2]));
        self.weather.mean_cel
            + self.weather.swing_k * (libm::cos(turn * (day - 0.66)) + 0.12 * wander)
    }

    /// What lies on the rail.
    pub(crate) fn rail(&self, at_s: i64, greasy: bool, wooded: bool, in_tunnel: bool) -> Rail {
        if in_tunnel {
            return Rail::Dry;
        }
        if greasy || (wooded && self.weather.leaves) {
            return Rail::Leaves;
        }
        if self
            .showers
            .iter()
            .any(|(from, until)| (*from..*until).contains(&at_s))
        {
            Rail::Wet
        } else {
            Rail::Dry
        }
    }
}

/// Rounds a span to whole seconds; spans here are hours, far inside both types.
pub(crate) fn whole_seconds(span_s: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "clamped to under a thousand years"
    )]
    let whole = span_s.clamp(0.0, 3e10).round() as i64;
    whole
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seasons_reach_the_temperatures_they_promise() {
        for (season, low, high) in [
            (Season::DeepCold, -36.0, -24.0),
            (Season::Heat, 26.0, 42.0),
            (Season::Spring, -4.0, 12.0),
        ] {
            let sky = Sky::new(season.weather(), 3, "Main", 86_400);
            let day: Vec<f64> = (0..86_400).step_by(60).map(|s| sky.air_cel(s, s)).collect();
            let least = day.iter().copied().fold(f64::INFINITY, f64::min);
            let most = day.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            assert!(
                low <= least && most <= high,
                "{season:?}: {least} to {most}"
            );
        }
        let heat = Sky::new(Season::Heat.weather(), 3, "Main", 86_400);
        let most = (0..86_400).map(|s| heat.air_cel(s, s)).fold(0.0, f64::max);
        assert!(most > 38.5, "{most}");
    }

    #[test]
    fn it_rains_about_as_often_as_asked() {
        let days = 50 * 86_400;
        let sky = Sky::new(Season::LeafFall.weather(), 5, "Main", days);
        let wet = (0..days)
            .step_by(60)
            .filter(|at_s| sky.rail(*at_s, false, false, false) == Rail::Wet)
            .count();
        let share = wet as f64 / (days as f64 / 60.0);
        assert!((0.28..0.42).contains(&share), "{share}");
    }
}
