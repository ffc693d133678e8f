//! What a rule says of the unit's consist mates.

/// Units that a consist has besides the unit itself, at most; a train with more is taken for something
/// else, such as a yard, and nobody in it has mates.
pub const MOST_MATES: usize = 15;

/// A tick is judged once every mate was heard after it, or the unit itself so much later, in
/// milliseconds. It decides when a tick is judged, never what is found.
pub const WAIT_FOR_MATES_MS: i64 = 600_000;

/// What is made of the mates' values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OfMates {
    /// Their arithmetic mean.
    Mean,
    /// Their median: the mean of the two middle ones of an even number.
    Median,
    /// The least of them.
    Min,
    /// The greatest of them.
    Max,
    /// How many are known.
    Count,
}

impl OfMates {
    /// What comes of the values that are known; `None` of none, where they are not counted.
    pub fn of(self, values: &[f64]) -> Option<f64> {
        let n_values = values.len() as f64;
        if self == Self::Count {
            return Some(n_values);
        }
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let (first, last) = (*sorted.first()?, *sorted.last()?);
        Some(match self {
            // Added up in order of size, so that it does not hang on who is who.
            Self::Mean => sorted.iter().sum::<f64>() / n_values,
            Self::Median => {
                let (low, high) = (sorted[(sorted.len() - 1) / 2], sorted[sorted.len() / 2]);
                f64::midpoint(low, high)
            }
            Self::Min => first,
            Self::Max | Self::Count => last,
        })
    }
}

/// The reference's text on consist mates.
pub(crate) const REFERENCE: [&str; 24] = [
    "### The mates",
    "",
    "`mates_mean`, `mates_median`, `mates_min`, `mates_max` and `mates_count` ask the unit's consist mates, each for the statistic",
    "inside, over the same window: `mates_median(mean(\"engine.oil.temperature\", \"5 min\"))`. Conditions belong to the statistic and",
    "are looked at on the mate: `mates_mean(mean(\"traction.effort\", \"10 min\", #{ during: at_least(\"engine.notch\", 8) }))`. Any",
    "statistic of one channel will do; those of a healthy stretch, the class or mates will not.",
    "",
    "The mates at tick t are the units that were recorded in the same train at t and *working* at t, without the unit itself and",
    "whatever their class; `#{ same_class: true }` leaves those of other classes out. A mate's value is what the statistic gives on",
    "that mate at t, and known as ever. The input is known when one mate's value is, and unknown without: alone, in no train, in a",
    "train that nobody recorded, or in one of more than 16 units, which is a yard's name rather than a consist. `mates_count` counts",
    "the mates whose value is known, is 0 where the train is known and none is, and tells a rule whether there are enough to go by:",
    "",
    "    oil: mean(\"engine.oil.temperature\", \"10 min\"),",
    "    rest: mates_median(mean(\"engine.oil.temperature\", \"10 min\"), #{ same_class: true }),",
    "    known: mates_count(mean(\"engine.oil.temperature\", \"10 min\"), #{ same_class: true }),",
    "    ..",
    "    fn raise(seen) { seen.known >= 2.0 && seen.oil - seen.rest > 12.0 }",
    "",
    "Mates send at times of their own. A rule that asks them waits for them: a tick is judged once every mate was heard after it, at",
    "the latest when the unit itself was heard more than 10 min after it; what a mate sends later changes what was found, as late data",
    "does. The unit's other rules do not wait, and a `safety` rule may not ask mates. The evidence names each mate with its value.",
    "`wheeltap rules replay` reads files, which know no trains, so there these inputs are unknown; a case names its mates",
    "(FORMATS.md of wheeltap-catalogue).",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_of_values() {
        let all = [4.0, 1.0, 9.0, 2.0];
        let of = |gives: OfMates| gives.of(&all);
        assert_eq!(of(OfMates::Mean), Some(4.0));
        assert_eq!(of(OfMates::Median), Some(3.0));
        assert_eq!(of(OfMates::Min), Some(1.0));
        assert_eq!(of(OfMates::Max), Some(9.0));
        assert_eq!(of(OfMates::Count), Some(4.0));
        assert_eq!(OfMates::Median.of(&all[..3]), Some(4.0));
        for gives in [OfMates::Mean, OfMates::Median, OfMates::Min, OfMates::Max] {
            assert_eq!(gives.of(&[]), None);
        }
        assert_eq!(OfMates::Count.of(&[]), Some(0.0));
    }
}
