//! What of a channel tells that its sensor, and not what it measures, is at fault: `[[health]]`.

use crate::Catalogue;
use crate::catalogue::{channel_name, read_span};
use crate::doc::{Problems, Section};
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName};

/// How it shows that a channel's sensor or wiring fails.
///
/// A channel is *silent* after its silent time (`silent` of its `[[channel]]`), in *conflict* when two
/// good values of one instant differ. The rest is as sure as what is said here.
#[derive(Clone, Debug, PartialEq)]
pub struct Health {
    /// Whether silence and conflict make an item for the shop; true by default.
    pub is_watched: bool,
    /// When a value that does not move shows a stuck sensor; `None`: it may stand still.
    pub stuck: Option<Stuck>,
    /// The greatest change in a second that what is measured can make, in the channel's unit; a
    /// greater one is a jump of the sensor. `None`: nothing is impossible.
    pub fastest: Option<f64>,
}

impl Default for Health {
    fn default() -> Self {
        Self {
            is_watched: true,
            stuck: None,
            fastest: None,
        }
    }
}

/// When a value that does not move shows a stuck sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Stuck {
    /// How long it must not have moved by its resolution, in milliseconds.
    pub after_ms: i64,
    /// The channel that must have stayed above a limit, in its unit, all that time: then what is
    /// measured moves. `None`: it moves always.
    pub moves_while: Option<(ChannelName, f64)>,
}

impl Health {
    /// Reads one table; `None` where something was wrong, which then is among the problems.
    pub(crate) fn read(
        section: &mut Section<'_, '_>,
        catalogue: &Catalogue,
        problems: &mut Problems<'_>,
    ) -> Option<(ChannelName, Self)> {
        let before = problems.len();
        let name = read_channel("channel", section, catalogue, problems);
        let is_watched = section.flag("watched", problems);
        let stuck_after = read_span(section, "stuck_after", problems);
        let moves_while = read_channel("moves_while", section, catalogue, problems);
        let above = section.number("above", problems);
        let fastest = section.number("fastest", problems);
        section.refuse_unknown(problems);
        section.missing("channel", "\"engine.oil.temperature\"", problems);
        let has_guard = section.has("moves_while") || section.has("above");
        let is_whole =
            section.has("moves_while") && section.has("above") && section.has("stuck_after");
        if has_guard && !is_whole {
            problems.add(
                &section.span,
                "`moves_while` and `above` go together, and with `stuck_after`",
                "say how long the value may stand still, and the channel and limit above which it moves",
            );
        }
        if let Some(fastest) = fastest.as_ref().filter(|fastest| fastest.value <= 0.0) {
            problems.add(
                &fastest.span,
                "the fastest change is not above zero",
                "write the greatest change in a second, in the channel's unit",
            );
        }
        if problems.len() > before {
            return None;
        }
        let health = Self {
            is_watched: is_watched.is_none_or(|watched| watched.value),
            stuck: stuck_after.map(|after| Stuck {
                after_ms: after.value,
                moves_while: moves_while.zip(above.map(|above| above.value)),
            }),
            fastest: fastest.map(|fastest| fastest.value),
        };
        Some((name?, health))
    }
}

/// A channel that units sample; `None` where there is none, or another, which is a problem.
fn read_channel(
    key: &'static str,
    section: &mut Section<'_, '_>,
    catalogue: &Catalogue,
    problems: &mut Problems<'_>,
) -> Option<ChannelName> {
    let text = section.text(key, problems)?;
    let name = channel_name(text.value, &text.span, problems)?;
    let found = catalogue.channel(&name);
    let is_sampled = |def: &ChannelDef| matches!(def.kind, ChannelKind::Sampled { .. });
    if found.is_none_or(|(_, def)| !is_sampled(def)) || catalogue.derived(&name).is_some() {
        problems.add(
            &text.span,
            format!("{name} is not a channel that units sample"),
            "name one of this catalogue; what is computed, or sent on change, has no sensor that \
             could stand still",
        );
        return None;
    }
    Some(name)
}
