//! What a rule says of the other units of the unit's class.

use crate::{Condition, Read, Statistic, conditions};
use wheeltap_model::format_span;

/// A window whose mean is compared with what the class does, over like load when it has conditions.
#[derive(Clone, Debug, PartialEq)]
pub struct ClassWindow {
    /// Channel name; may hold `{axle}`.
    pub channel: String,
    /// Window length in milliseconds, a multiple of `pane_ms`.
    pub window_ms: i64,
    /// Pane length in milliseconds; see [`crate::pane_ms`].
    pub pane_ms: i64,
    /// Share of the window that must be seen, as in [`Read::Window`].
    pub min_share: f64,
    /// What must hold at an instant for it to count; all of them.
    pub during: Vec<Condition>,
}

impl ClassWindow {
    /// The unit's own window.
    pub fn own(&self) -> Read {
        let Self {
            channel,
            window_ms,
            pane_ms,
            min_share,
            during,
        } = self.clone();
        Read::Window {
            channel,
            statistic: Statistic::Mean,
            window_ms,
            pane_ms,
            min_share,
            during,
        }
    }

    /// What a baseline is of, for part `part_no`: channel, window, share and conditions. Rules that
    /// ask for the same share a baseline, whatever their ticks.
    pub fn of(&self, part_no: Option<u32>) -> String {
        let mut words = vec![self.channel.clone(), format_span(self.window_ms)];
        words.push(format!("share {}", self.min_share));
        words.extend(conditions::words(&self.during));
        let text = format!("mean({})", words.join(", "));
        match part_no {
            Some(number) => text.replace("{axle}", &number.to_string()),
            None => text,
        }
    }
}

/// What is read of a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OfClass {
    /// The window's mean less the class's median, over the class's spread.
    Score,
    /// The class's median.
    Median,
    /// The class's spread, 1.4826 times a median absolute deviation.
    Spread,
}

/// The reference's text on class baselines.
pub(crate) const REFERENCE: [&str; 28] = [
    "### The class",
    "",
    "`class_score`, `class_median` and `class_spread` measure a unit by the units of its class, over like load when the window has",
    "conditions: `class_score(\"engine.oil.temperature\", \"5 min\", #{ during: at_least(\"engine.notch\", 6) })`. A class baseline is",
    "fitted from stored data of the class's units over one stretch, recorded with the instant from which it is in force, and never",
    "made again; a tick uses the newest that is in force, and before the first one the input is unknown.",
    "",
    "Each unit gives the means of its windows side by side over the stretch, at most about 1,000 of them, evenly apart. With m(u) the",
    "median of unit u's means, the class's median M is the median of all m(u); with d(u) the median of the distances of unit u's",
    "means from M, the class's spread is 1.4826 times the median of all d(u), and counts as half a step of the channel's resolution",
    "at least. So each unit counts once however long it ran, a bad one does not lead, and the spread holds both what tells units",
    "apart and what load and weather do to one. Where every unit has one window it is the median absolute deviation about the median;",
    "1.4826 makes that of a normal distribution its standard deviation (F. R. Hampel, The influence curve and its role in robust",
    "estimation, 1974). The unit itself is among them.",
    "",
    "A service freezes baselines at a fixed server time (setting `class_baselines`) once enough units have enough windows, and",
    "`wheeltap rules baselines` lists them. Replays and forecasts of a rule whose baseline is not there yet fit it, and say so.",
    "In rule cases nothing is known of a class but the `baseline` that a case gives of an input.",
    "",
    "### Train, place, weather",
    "",
    "`in_state` and `in_role` say what was recorded of the unit and its train, from the instant on for which it was recorded. Where it",
    "is and what the weather is like are channels like all others: `place.line` and `place.mile`, `place.latitude` and",
    "`place.longitude`, `unit.tunnel`, `ambient.temperature`, `ambient.pressure`. So \"not within 10 min of a tunnel\" is",
    "`max(\"unit.tunnel\", \"10 min\") < 0.5`, and a warm day `mean(\"ambient.temperature\", \"30 min\") > 30.0`. What a train shares, such",
    "as its brake pipe, is told once a train by `once_a: \"train\"` in `about()`: of alerts that overlap on units of one train the first is",
    "told, the others are kept, told with it, and join its defect; when it is withdrawn, or ended 10 min ago, or the unit is in",
    "another train, the next is told.",
];
