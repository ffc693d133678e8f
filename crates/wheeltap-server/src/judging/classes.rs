//! Class baselines: when they are due, and what they are fitted from.
//!
//! A baseline comes into force at a fixed server time, read as event time, and is fitted from what was
//! stored of the class's units over the stretch before it. It is a ledger record: what arrives for that
//! stretch later changes nothing of it, and every judgement of a tick after it sees the same one.

use super::ledger::{Ledger, LedgerError};
use super::rejudge::Rejudge;
use super::rulebook::{Classes, RuleBook};
use crate::{Shared, UnitRecord};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use wheeltap_judge::{ClassFit, LeastOfClass, Stretch, TooFewUnits};
use wheeltap_model::{ClassBaseline, ClassName, EventTime};
use wheeltap_store::StoreError;

const HOUR_MS: i64 = 3_600_000;
/// 1970-01-05T00:00:00Z, the first Monday.
const FIRST_MONDAY_MS: i64 = 4 * 24 * HOUR_MS;

/// For which instant each window of a class was last looked at: once an instant is enough.
pub type Tried = HashMap<(ClassName, String), EventTime>;

/// What came of one window of a class.
pub type Fitted = (String, Result<ClassBaseline, TooFewUnits>);

/// The units of each class.
pub fn by_class(shared: &Shared) -> BTreeMap<ClassName, Vec<Arc<UnitRecord>>> {
    let mut by_class: BTreeMap<ClassName, Vec<Arc<UnitRecord>>> = BTreeMap::new();
    for record in shared.fleet.all() {
        by_class
            .entry(record.unit.class.clone())
            .or_default()
            .push(record);
    }
    by_class
}

/// What the units' rules compare with the class.
pub fn wanted(
    shared: &Shared,
    rulebook: &RuleBook,
    records: &[Arc<UnitRecord>],
) -> BTreeSet<String> {
    let mut wanted = BTreeSet::new();
    for record in records {
        let planned = rulebook.plan(shared, record);
        wanted.extend(planned.plan.compared().map(|compared| compared.of.clone()));
    }
    wanted
}

/// The baselines that are due now and can be fitted.
///
/// # Errors
/// A stop.
pub fn due(
    shared: &Shared,
    ledger: &Ledger,
    rulebook: &RuleBook,
    tried: &mut Tried,
) -> Result<Vec<ClassBaseline>, LedgerError> {
    let comparing = rulebook.comparing();
    if comparing.is_empty() {
        return Ok(Vec::new());
    }
    let comparing = RuleBook::of(comparing, Classes::new());
    let settings = &shared.settings.class_baselines;
    let now_ms = ledger.now().unix_ms();
    let every_ms = settings.every.ms();
    let grid_ms = (now_ms - FIRST_MONDAY_MS).div_euclid(every_ms) * every_ms + FIRST_MONDAY_MS;
    let grid = EventTime::from_unix_ms(grid_ms);
    let hour = EventTime::from_unix_ms(now_ms.div_euclid(HOUR_MS) * HOUR_MS);
    let mut frozen = Vec::new();
    for (class, records) in by_class(shared) {
        let newest: HashMap<String, EventTime> = {
            let book = ledger.book();
            let own = book
                .class_baselines()
                .iter()
                .map(|kept| &kept.baseline)
                .filter(|baseline| baseline.class.as_ref() == Some(&class));
            let mut newest: HashMap<String, EventTime> = HashMap::new();
            for baseline in own {
                let from = newest.entry(baseline.of.clone()).or_insert(baseline.from);
                *from = baseline.from.max(*from);
            }
            newest
        };
        let mut at: BTreeMap<EventTime, BTreeSet<String>> = BTreeMap::new();
        for of in wanted(shared, &comparing, &records) {
            let from = match newest.get(&of) {
                Some(newest) if *newest >= grid => continue,
                Some(_) => grid,
                None => hour,
            };
            let key = (class.clone(), of.clone());
            if tried.insert(key, from) != Some(from) {
                at.entry(from).or_default().insert(of);
            }
        }
        for (from, due) in at {
            let stretch = Stretch {
                from: from.plus_ms(-settings.stretch.ms()),
                to: from,
            };
            let fitted = fit(shared, &comparing, &class, &records, stretch)?;
            for (of, fitted) in fitted.into_iter().filter(|(of, _)| due.contains(of)) {
                match fitted {
                    Ok(baseline) => {
                        tracing::info!(
                            class = %class,
                            of,
                            from = %baseline.from,
                            median = baseline.median,
                            spread = baseline.spread,
                            units = baseline.n_units,
                            "a class baseline is frozen"
                        );
                        frozen.push(baseline);
                    }
                    Err(few) => {
                        tracing::info!(class = %class, of, %few, "no class baseline yet");
                    }
                }
            }
        }
    }
    Ok(frozen)
}

/// Fits what a class's units did over a stretch, of every window that the rule book's rules compare.
///
/// # Errors
/// A stop.
pub fn fit(
    shared: &Shared,
    rulebook: &RuleBook,
    class: &ClassName,
    records: &[Arc<UnitRecord>],
    stretch: Stretch,
) -> Result<Vec<Fitted>, StoreError> {
    let settings = &shared.settings.class_baselines;
    let size = |n: u32| usize::try_from(n).unwrap_or(usize::MAX);
    let least = LeastOfClass {
        units: size(settings.least_units),
        windows: size(settings.least_windows),
    };
    let mut fit = ClassFit::new(stretch, least);
    let most = size(settings.most_units).max(1);
    // Evenly over the class's ids, which says nothing of how the units are.
    for record in records.iter().step_by(records.len().div_ceil(most).max(1)) {
        let planned = rulebook.plan(shared, record);
        let plan = Arc::clone(&planned.plan);
        if plan.compared().next().is_none() {
            continue;
        }
        let means = Rejudge::survey(shared, &record.unit.id, planned, stretch)?
            .unwrap_or_else(|| vec![Vec::new(); plan.compared().count()]);
        fit.add(&plan, means);
    }
    Ok(fit.finish(Some(class)).collect())
}
