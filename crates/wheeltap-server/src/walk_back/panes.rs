//! Stored telemetry as means over panes of equal length.

use std::collections::HashMap;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, ChannelName, EventTime, Quality, UnitId};
use wheeltap_store::{Store, StoreError, Tier};

/// Equal, aligned pieces of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Start of the first pane; a whole number of panes since 1970.
    pub from_ms: i64,
    /// Length of a pane; whole minutes.
    pub pane_ms: i64,
    /// How many.
    pub n_panes: usize,
}

impl Grid {
    /// Panes that cover both instants.
    pub fn covering(from: EventTime, until: EventTime, pane_ms: i64) -> Self {
        let from_ms = from.unix_ms().div_euclid(pane_ms) * pane_ms;
        let n_panes = (until.unix_ms() - from_ms).div_euclid(pane_ms) + 1;
        Self {
            from_ms,
            pane_ms,
            n_panes: usize::try_from(n_panes).unwrap_or(0),
        }
    }

    /// Start of a pane.
    pub fn start(&self, pane: usize) -> EventTime {
        let n = i64::try_from(pane).unwrap_or(i64::MAX);
        EventTime::from_unix_ms(self.from_ms + self.pane_ms.saturating_mul(n))
    }

    /// End of the last pane.
    pub fn end(&self) -> EventTime {
        self.start(self.n_panes)
    }

    /// The pane of an instant, if there is one.
    pub fn pane(&self, ms: i64) -> Option<usize> {
        usize::try_from((ms - self.from_ms).div_euclid(self.pane_ms))
            .ok()
            .filter(|pane| *pane < self.n_panes)
    }

    /// How many panes a length is, at least one.
    pub fn n_of(&self, length_ms: i64) -> usize {
        usize::try_from(length_ms.div_euclid(self.pane_ms).max(1)).unwrap_or(1)
    }
}

/// One channel of one unit over the panes; NaN where nothing is known.
#[derive(Clone, Debug)]
pub struct Column {
    /// Mean of the good samples, by time for held channels.
    pub mean: Vec<f64>,
    /// Greatest less least good sample; NaN for held channels.
    pub swing: Vec<f64>,
    /// Share of what the channel promises that was heard, 0 to 1.
    pub heard: Vec<f64>,
}

/// What is stored of one unit over the panes, by channel.
#[derive(Clone, Debug, Default)]
pub struct UnitPanes {
    pub(super) columns: HashMap<ChannelId, Column>,
    pub(super) held: HashMap<ChannelId, Vec<Lasts>>,
    pub(super) events: HashMap<ChannelId, Vec<f64>>,
}

impl UnitPanes {
    /// Nothing good is stored.
    pub fn is_empty(&self) -> bool {
        self.columns.is_empty() && self.events.is_empty()
    }
}

/// All units over the panes, the one in question first.
#[derive(Clone, Debug)]
pub struct Table<'a> {
    /// Channels and classes.
    pub catalogue: &'a Catalogue,
    /// The panes.
    pub grid: Grid,
    /// Each unit.
    pub units: Vec<UnitPanes>,
}

/// Where a unit is read from.
pub struct Reader<'a> {
    /// Stored telemetry.
    pub store: &'a dyn Store,
    /// Channels and classes.
    pub catalogue: &'a Catalogue,
    /// The panes.
    pub grid: Grid,
}

impl Reader<'_> {
    /// Everything of a unit; channels of which nothing good is stored are left out.
    ///
    /// # Errors
    /// A stop of the store.
    pub fn unit(&self, unit: &UnitId) -> Result<UnitPanes, StoreError> {
        let mut panes = UnitPanes::default();
        for (id, def) in self.catalogue.channels() {
            if self.catalogue.derived(&def.name).is_some() {
                continue;
            }
            match def.kind {
                ChannelKind::Sampled { interval_ms } => {
                    if let Some(column) = self.sampled(unit, id, interval_ms)? {
                        panes.columns.insert(id, column);
                    }
                }
                ChannelKind::Held { hold_ms } => {
                    let spans = self.spans(unit, id, hold_ms)?;
                    if !spans.is_empty() {
                        panes.columns.insert(id, self.grid.held(&spans));
                        panes.held.insert(id, spans);
                    }
                }
                ChannelKind::Event { .. } => {
                    if let Some(counts) = self.events(unit, id)? {
                        panes.events.insert(id, counts);
                    }
                }
            }
        }
        Ok(panes)
    }

    fn sampled(
        &self,
        unit: &UnitId,
        id: ChannelId,
        interval_ms: i64,
    ) -> Result<Option<Column>, StoreError> {
        let (from, end) = (self.grid.start(0), self.grid.end());
        let rows = self
            .store
            .rollups(unit, id, Tier::Minute, from, end, usize::MAX)?;
        if rows.iter().all(|row| row.n == 0) {
            return Ok(None);
        }
        let promised = (self.grid.pane_ms as f64 / interval_ms as f64).max(1.0);
        let mut sums = vec![(0.0, 0.0, f64::INFINITY, f64::NEG_INFINITY); self.grid.n_panes];
        for row in rows.iter().filter(|row| row.n > 0) {
            if let Some(pane) = self.grid.pane(row.start.unix_ms()) {
                let (n, sum, low, high) = &mut sums[pane];
                *n += f64::from(row.n);
                *sum += row.sum;
                *low = low.min(row.min);
                *high = high.max(row.max);
            }
        }
        let mut column = self.grid.nothing();
        for (pane, (n, sum, low, high)) in sums.into_iter().enumerate() {
            if n > 0.0 {
                column.mean[pane] = sum / n;
                column.swing[pane] = high - low;
                column.heard[pane] = (n / promised).min(1.0);
            }
        }
        Ok(Some(column))
    }

    /// Events in each pane; `None` when none is stored.
    fn events(&self, unit: &UnitId, id: ChannelId) -> Result<Option<Vec<f64>>, StoreError> {
        let (from, end) = (self.grid.start(0), self.grid.end());
        let events = self
            .store
            .read_events(unit, id, from, end.plus_ms(-1), usize::MAX)?;
        if events.is_empty() {
            return Ok(None);
        }
        let mut counts = vec![0.0; self.grid.n_panes];
        for event in &events {
            if let Some(pane) = self.grid.pane(event.time.unix_ms()) {
                counts[pane] += 1.0;
            }
        }
        Ok(Some(counts))
    }

    /// The stretches in which a held value lasts.
    fn spans(&self, unit: &UnitId, id: ChannelId, hold_ms: i64) -> Result<Vec<Lasts>, StoreError> {
        let (from, end) = (self.grid.start(0), self.grid.end());
        let series = self.store.read(
            unit,
            id,
            from.plus_ms(-hold_ms),
            end.plus_ms(-1),
            usize::MAX,
        )?;
        let mut spans = Vec::with_capacity(series.len());
        let mut samples = series.samples().peekable();
        while let Some(sample) = samples.next() {
            let next = samples.peek().map_or(end, |next| next.time);
            let until = sample.time.plus_ms(hold_ms).min(next);
            if sample.quality == Quality::Good {
                spans.push(Lasts {
                    from_ms: sample.time.unix_ms(),
                    until_ms: until.unix_ms(),
                    value: sample.value,
                });
            }
        }
        Ok(spans)
    }
}

impl Grid {
    /// Calls back with each pane that a stretch touches and how many milliseconds of it.
    fn over_panes(&self, span: &Lasts, mut each: impl FnMut(usize, f64)) {
        let end_ms = self.end().unix_ms();
        let (mut at, until) = (span.from_ms.max(self.from_ms), span.until_ms.min(end_ms));
        while at < until {
            let next = (at.div_euclid(self.pane_ms) + 1) * self.pane_ms;
            let stop = next.min(until);
            if let Some(pane) = self.pane(at) {
                each(pane, (stop - at) as f64);
            }
            at = stop;
        }
    }

    fn nothing(&self) -> Column {
        Column {
            mean: vec![f64::NAN; self.n_panes],
            swing: vec![f64::NAN; self.n_panes],
            heard: vec![0.0; self.n_panes],
        }
    }

    fn held(&self, spans: &[Lasts]) -> Column {
        let mut column = self.nothing();
        let mut lasted = vec![0.0; self.n_panes];
        let mut sums = vec![0.0; self.n_panes];
        for span in spans {
            self.over_panes(span, |pane, ms| {
                lasted[pane] += ms;
                sums[pane] += ms * span.value;
            });
        }
        for (pane, lasted) in lasted.iter().enumerate() {
            column.heard[pane] = lasted / self.pane_ms as f64;
            if *lasted > 0.0 {
                column.mean[pane] = sums[pane] / lasted;
            }
        }
        column
    }
}

impl Table<'_> {
    /// A sampled or held channel of a unit; `None` when nothing good is stored.
    pub fn column(&self, unit: usize, id: ChannelId) -> Option<&Column> {
        self.units[unit].columns.get(&id)
    }

    /// Means of a channel by its name; NaN where nothing is known.
    pub fn mean(&self, unit: usize, name: &str) -> Vec<f64> {
        let column = known(self.catalogue, name).and_then(|(id, _)| self.column(unit, id));
        column.map_or_else(
            || vec![f64::NAN; self.grid.n_panes],
            |column| column.mean.clone(),
        )
    }

    /// Share of each pane for which a held channel is between two values; NaN while it says nothing.
    pub fn share(&self, unit: usize, name: &str, (low, high): (f64, f64)) -> Vec<f64> {
        let spans = known(self.catalogue, name).and_then(|(id, _)| self.units[unit].held.get(&id));
        let mut sums = vec![(0.0, 0.0); self.grid.n_panes];
        for span in spans.into_iter().flatten() {
            let holds = (low..=high).contains(&span.value);
            self.grid.over_panes(span, |pane, ms| {
                sums[pane].0 += ms;
                sums[pane].1 += if holds { ms } else { 0.0 };
            });
        }
        let share = |(all, held): (f64, f64)| if all > 0.0 { held / all } else { f64::NAN };
        sums.into_iter().map(share).collect()
    }
}

/// A held value and how long it lasts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lasts {
    from_ms: i64,
    until_ms: i64,
    value: f64,
}

pub(super) fn known<'a>(
    catalogue: &'a Catalogue,
    name: &str,
) -> Option<(ChannelId, &'a ChannelDef)> {
    catalogue.channel(&ChannelName::new(name).ok()?)
}
