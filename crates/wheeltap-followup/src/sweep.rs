//! What the other values of a rule's parameters would have done: which of them are worth having.

use crate::Forecast;

/// One combination of values, and what the rule would have done with it.
#[derive(Clone, Debug, PartialEq)]
pub struct Tried {
    /// One value a parameter, in the rule's order.
    pub values: Vec<f64>,
    /// What it would have done.
    pub forecast: Forecast,
}

impl Tried {
    /// Share of the known failures that it called, 0 to 1; `None` where none is known.
    pub fn recall(&self) -> Option<f64> {
        self.forecast.score.as_ref().and_then(|score| score.recall)
    }

    fn lead_ms(&self) -> i64 {
        let score = self.forecast.score.as_ref();
        score
            .and_then(|score| score.median_lead_ms)
            .unwrap_or(i64::MIN)
    }

    /// Better in one of recall and load, and worse in neither; of equals the one that calls earlier.
    fn beats(&self, other: &Self) -> bool {
        let (Some(recall), Some(their_recall)) = (self.recall(), other.recall()) else {
            return false;
        };
        let (load, their_load) = (self.forecast.per_day, other.forecast.per_day);
        let is_as_good = recall >= their_recall && load <= their_load;
        let is_better = recall > their_recall || load < their_load;
        is_as_good && (is_better || self.lead_ms() > other.lead_ms())
    }
}

/// The combinations that none beats, the fewest alerts a day first; of those that do quite the same,
/// the first. Empty where no failure is known.
pub fn best(tried: &[Tried]) -> Vec<usize> {
    let is_best = |idx: &usize| {
        let one = &tried[*idx];
        let is_same = |other: &Tried| {
            (other.recall(), other.lead_ms()) == (one.recall(), one.lead_ms())
                && other.forecast.n_alerts == one.forecast.n_alerts
        };
        one.recall().is_some()
            && !tried.iter().any(|other| other.beats(one))
            && !tried[..*idx].iter().any(is_same)
    };
    let mut best: Vec<usize> = (0..tried.len()).filter(is_best).collect();
    let load = |idx: &usize| tried[*idx].forecast.per_day;
    best.sort_by(|a, b| load(a).total_cmp(&load(b)));
    best
}

/// The knee of the best combinations: where one more failure called begins to cost many more alerts.
/// The curve's point that lies farthest above the line from its beginning to its end, both axes scaled
/// to it; of two equal ones that with the greater recall. `None` where no failure is known, and where none
/// is called.
///
/// Source: Satopaa, Albrecht, Irwin, Raghavan, Finding a "Kneedle" in a Haystack (ICDCSW 2011),
/// section III, without smoothing, as points are few and exact.
pub fn knee(tried: &[Tried]) -> Option<usize> {
    let best = best(tried);
    let points: Vec<(f64, f64)> = best
        .iter()
        .filter_map(|idx| Some((tried[*idx].forecast.per_day, tried[*idx].recall()?)))
        .collect();
    if points.iter().all(|(_, recall)| *recall <= 0.0) {
        return None;
    }
    farthest_above(&points).map(|at| best[at])
}

/// The index of the point farthest above the line from the first to the last, of equal ones the last.
fn farthest_above(points: &[(f64, f64)]) -> Option<usize> {
    let (&(x0, y0), &(x1, y1)) = (points.first()?, points.last()?);
    let scale = |value: f64, from: f64, to: f64| {
        if to > from {
            (value - from) / (to - from)
        } else {
            0.0
        }
    };
    let above = |&(x, y): &(f64, f64)| scale(y, y0, y1) - scale(x, x0, x1);
    points
        .iter()
        .enumerate()
        .max_by(|a, b| above(a.1).total_cmp(&above(b.1)))
        .map(|(at, _)| at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Known, Truth, WouldRing, forecast};
    use wheeltap_model::{EventTime, RuleName, UnitId};

    const DAY_MS: i64 = 86_400_000;

    /// Ten units that failed at noon; so many of them called an hour ahead, and so many false alerts
    /// on others.
    fn tried(value: f64, n_called: i64, n_false: i64, ahead_ms: i64) -> Tried {
        let unit = |number: i64| UnitId::new(&format!("ZVR {number}")).expect("a name");
        let rule = RuleName::new("oil").expect("a name");
        let noon = EventTime::from_unix_ms(DAY_MS / 2);
        let truth = Truth {
            failures: (0..10)
                .map(|number| Known {
                    unit: unit(number),
                    rule: None,
                    from: EventTime::from_unix_ms(0),
                    until: noon,
                    failed_at: Some(noon),
                })
                .collect(),
            is_complete: true,
            ..Truth::default()
        };
        let alert = |number: i64| WouldRing {
            unit: unit(number),
            rule: rule.clone(),
            part: None,
            raised_at: noon.plus_ms(-ahead_ms),
            ended_at: Some(noon),
        };
        let alerts: Vec<WouldRing> = (0..n_called).chain(100..100 + n_false).map(alert).collect();
        let until = EventTime::from_unix_ms(DAY_MS);
        Tried {
            values: vec![value],
            forecast: forecast(&alerts, EventTime::from_unix_ms(0), until, 200, &truth),
        }
    }

    // Satopaa et al. 2011, figure 2 (the values from memory): y = 5 - 1 / (x + 0.1) at ten points from
    // 0 to 1 has its knee at the third, x = 0.22.
    #[test]
    fn the_published_curve_has_its_knee() {
        let points: Vec<(f64, f64)> = (0..10)
            .map(|n| f64::from(n) / 9.0)
            .map(|x| (x, 5.0 - 1.0 / (x + 0.1)))
            .collect();
        assert_eq!(farthest_above(&points), Some(2));
    }

    #[test]
    fn what_is_beaten_is_left_out() {
        let all = [
            tried(1.0, 10, 90, 1),
            tried(2.0, 9, 3, 1),
            tried(3.0, 9, 4, 1),
            tried(4.0, 5, 1, 1),
            tried(5.0, 0, 0, 1),
            tried(6.0, 9, 3, 3_600_000),
            tried(7.0, 9, 3, 3_600_000),
        ];
        // 3 rings more than 2 for the same; 6 calls earlier than 2, and 7 does the same as 6.
        assert_eq!(best(&all), [4, 3, 5, 0]);
        assert_eq!(knee(&all), Some(5));
    }

    #[test]
    fn one_that_beats_all_is_the_knee() {
        assert_eq!(knee(&[tried(1.0, 10, 5, 1), tried(2.0, 10, 0, 1)]), Some(1));
        // Nothing lies above the line between two: the one that calls more.
        assert_eq!(knee(&[tried(1.0, 10, 50, 1), tried(2.0, 5, 0, 1)]), Some(0));
    }

    #[test]
    fn what_calls_nothing_has_no_knee() {
        let deaf = [tried(1.0, 0, 5, 1), tried(2.0, 0, 0, 1)];
        assert_eq!(knee(&deaf), None);
    }

    #[test]
    fn without_a_known_failure_there_is_none() {
        let mut blind = tried(1.0, 3, 3, 1);
        blind.forecast.score = None;
        assert_eq!(
            (best(std::slice::from_ref(&blind)), knee(&[blind])),
            (vec![], None)
        );
    }
}
