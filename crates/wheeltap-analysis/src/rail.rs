//! Where wheels slip: what is the rail's doing, and what the unit's own.
//!
//! Three or more units that slip at one place say that the rail is slippery there (leaves, grease, a grade in
//! the wet); a unit that slips where others hold says something of itself. Common practice, no source. Units of
//! one train slip together on a grade that is hard for that train: only another train bears them out.

use std::collections::BTreeMap;

/// One slip and where it was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlipAt {
    /// Which unit: any number that tells units apart.
    pub unit: usize,
    /// Which train: any number that tells trains apart, also from a unit that runs alone.
    pub train: usize,
    /// Number of the line; `None` where it is not known. Slips of which it is not known are one line's.
    pub line: Option<u32>,
    /// Mile on the line; slips whose mile is not finite are left out.
    pub mile: f64,
}

/// What makes a place of slips.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceTerms {
    /// Longest stretch that is one place, miles.
    pub most_miles: f64,
    /// Units that slipped there, at least; 1 where it says 0.
    pub least_units: usize,
    /// Trains that they were in, at least.
    pub least_trains: usize,
}

/// A stretch of rail at which several units slipped.
#[derive(Clone, Debug, PartialEq)]
pub struct SlipperyStretch {
    /// Number of the line, where known.
    pub line: Option<u32>,
    /// First and last mile at which a wheel slipped.
    pub miles: (f64, f64),
    /// The slips, by their place in the list that was given, in ascending order.
    pub slips: Vec<usize>,
    /// How many trains, units and slips they were: what a stretch is ranked by.
    pub n: Witnesses,
}

/// How many slipped somewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Witnesses {
    /// Trains, a unit that runs alone being one.
    pub trains: usize,
    /// Units.
    pub units: usize,
    /// Slips.
    pub slips: usize,
}

impl Witnesses {
    const fn are_enough(self, terms: PlaceTerms) -> bool {
        self.slips > 0 && self.units >= terms.least_units && self.trains >= terms.least_trains
    }
}

/// The stretches at which enough units slipped, most trains first, then most units, then most slips, then by
/// line and mile. Each slip belongs to one at most: the fullest stretch is taken first, and what is left is
/// looked at again.
///
/// Costs n log n for n slips, and n more for each stretch found on the same line.
pub fn slippery_stretches(slips: &[SlipAt], terms: PlaceTerms) -> Vec<SlipperyStretch> {
    let mut lines: BTreeMap<Option<u32>, Vec<usize>> = BTreeMap::new();
    for (idx, slip) in slips.iter().enumerate() {
        if slip.mile.is_finite() {
            lines.entry(slip.line).or_default().push(idx);
        }
    }
    let mut found = Vec::new();
    for (line, mut left) in lines {
        left.sort_by(|a, b| slips[*a].mile.total_cmp(&slips[*b].mile).then(a.cmp(b)));
        while let Some((from, n)) = fullest(slips, &left, terms) {
            let mut taken: Vec<usize> = left.drain(from..from + n.slips).collect();
            let miles = (slips[taken[0]].mile, slips[taken[taken.len() - 1]].mile);
            taken.sort_unstable();
            found.push(SlipperyStretch {
                line,
                miles,
                slips: taken,
                n,
            });
        }
    }
    // Stable: of equal ones the lower line and, as found, the lower mile come first.
    found.sort_by(|a, b| {
        b.n.cmp(&a.n)
            .then(a.line.cmp(&b.line))
            .then(a.miles.0.total_cmp(&b.miles.0))
    });
    found
}

/// How many slips each number has in a window.
#[derive(Default)]
struct Counts(BTreeMap<usize, usize>);

impl Counts {
    fn enters(&mut self, number: usize) {
        *self.0.entry(number).or_default() += 1;
    }

    fn leaves(&mut self, number: usize) {
        if let Some(n) = self.0.get_mut(&number) {
            *n -= 1;
            if *n == 0 {
                self.0.remove(&number);
            }
        }
    }
}

/// Of slips by mile, the fullest run of enough within the longest stretch, the one with the lowest mile of
/// equal ones: where it begins, and what it holds.
fn fullest(slips: &[SlipAt], by_mile: &[usize], terms: PlaceTerms) -> Option<(usize, Witnesses)> {
    let (mut trains, mut units) = (Counts::default(), Counts::default());
    let mut from = 0;
    let mut best: Option<(usize, Witnesses)> = None;
    for (idx, slip) in by_mile.iter().map(|slip| &slips[*slip]).enumerate() {
        trains.enters(slip.train);
        units.enters(slip.unit);
        while slip.mile - slips[by_mile[from]].mile > terms.most_miles {
            let gone = &slips[by_mile[from]];
            trains.leaves(gone.train);
            units.leaves(gone.unit);
            from += 1;
        }
        let n = Witnesses {
            trains: trains.0.len(),
            units: units.0.len(),
            slips: idx + 1 - from,
        };
        if n.are_enough(terms) && best.is_none_or(|(_, best)| n > best) {
            best = Some((from, n));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const TERMS: PlaceTerms = PlaceTerms {
        most_miles: 1.0,
        least_units: 3,
        least_trains: 2,
    };

    /// Of a unit that runs alone.
    fn at(unit: usize, line: u32, mile: f64) -> SlipAt {
        SlipAt {
            unit,
            train: unit,
            line: Some(line),
            mile,
        }
    }

    #[test]
    fn three_units_at_one_place_are_the_rail_and_one_that_slips_everywhere_is_not() {
        let mut slips = vec![
            at(1, 1, 88.1),
            at(2, 1, 88.4),
            at(2, 1, 88.4),
            at(3, 1, 89.0),
            // The same mile of another line, and too far on.
            at(4, 2, 88.3),
            at(5, 1, 89.2),
        ];
        // Slips wherever it is.
        slips.extend((0..20).map(|idx| at(9, 1, f64::from(idx) * 8.0)));
        let found = slippery_stretches(&slips, TERMS);
        assert_eq!(found.len(), 1, "{found:?}");
        // With the unit that slips everywhere, mile 88.0 to 89.0: four units.
        let expected = Witnesses {
            trains: 4,
            units: 4,
            slips: 5,
        };
        assert_eq!(found[0].n, expected);
        assert_eq!(found[0].miles, (88.0, 89.0));
        assert_eq!(found[0].slips, [0, 1, 2, 3, 17]);
        let five = PlaceTerms {
            least_units: 5,
            ..TERMS
        };
        assert!(slippery_stretches(&slips, five).is_empty());
        assert!(slippery_stretches(&[], TERMS).is_empty());
    }

    #[test]
    fn one_train_s_units_alone_are_no_place() {
        let of_train = |unit: usize, train: usize| SlipAt {
            train,
            ..at(unit, 1, 12.0)
        };
        let mut slips = vec![of_train(1, 7), of_train(2, 7), of_train(3, 7)];
        assert!(slippery_stretches(&slips, TERMS).is_empty());
        slips.push(of_train(4, 8));
        assert_eq!(slippery_stretches(&slips, TERMS).len(), 1);
    }

    #[test]
    fn a_slip_of_which_the_mile_is_unknown_counts_nowhere() {
        let slips = [at(1, 1, f64::NAN), at(2, 1, f64::NAN), at(3, 1, 5.0)];
        let any = PlaceTerms {
            most_miles: 1.0,
            least_units: 0,
            least_trains: 0,
        };
        let found = slippery_stretches(&slips, any);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].slips, [2]);
    }

    /// The slow, obvious way: every run that begins at a slip, counted anew.
    fn slowly(slips: &[SlipAt], terms: PlaceTerms) -> Vec<SlipperyStretch> {
        let mut left: BTreeSet<usize> = (0..slips.len()).collect();
        let mut found = Vec::new();
        loop {
            let mut best: Option<SlipperyStretch> = None;
            for first in &left {
                let of: Vec<usize> = left
                    .iter()
                    .copied()
                    .filter(|other| {
                        let off = slips[*other].mile - slips[*first].mile;
                        slips[*other].line == slips[*first].line
                            && (0.0..=terms.most_miles).contains(&off)
                    })
                    .collect();
                let distinct = |of: &[usize], what: fn(&SlipAt) -> usize| {
                    let all: BTreeSet<usize> = of.iter().map(|idx| what(&slips[*idx])).collect();
                    all.len()
                };
                let n = Witnesses {
                    trains: distinct(&of, |slip| slip.train),
                    units: distinct(&of, |slip| slip.unit),
                    slips: of.len(),
                };
                let last = of.iter().map(|slip| slips[*slip].mile);
                let this = SlipperyStretch {
                    line: slips[*first].line,
                    miles: (slips[*first].mile, last.fold(f64::NEG_INFINITY, f64::max)),
                    slips: of,
                    n,
                };
                let is_better = best.as_ref().is_none_or(|best| {
                    this.n > best.n
                        || this.n == best.n && (this.line, this.miles.0) < (best.line, best.miles.0)
                });
                if this.n.are_enough(terms) && is_better {
                    best = Some(this);
                }
            }
            let Some(best) = best else {
                return found;
            };
            left.retain(|slip| !best.slips.contains(slip));
            found.push(best);
        }
    }

    #[test]
    fn equals_the_slow_way_on_drawn_slips() {
        // A small generator of its own: this crate draws nothing.
        let mut state = 0x9e37_79b9_7f4a_7c15_u64;
        let mut draw = |below: usize| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            usize::try_from(state >> 33).unwrap() % below
        };
        let mut n_found = 0;
        for _ in 0..200 {
            let n = draw(60);
            let slips: Vec<SlipAt> = (0..n)
                .map(|_| SlipAt {
                    unit: draw(6),
                    train: draw(4),
                    line: [None, Some(1), Some(2)][draw(3)],
                    mile: draw(40) as f64 / 4.0,
                })
                .collect();
            let terms = PlaceTerms {
                most_miles: 1.5,
                least_units: draw(5),
                least_trains: draw(4),
            };
            let found = slippery_stretches(&slips, terms);
            assert_eq!(found, slowly(&slips, terms), "{terms:?} {slips:?}");
            n_found += found.len();
        }
        assert!(n_found > 200, "{n_found}");
    }
}
