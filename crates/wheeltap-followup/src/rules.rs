//! The rule book's versions and the event times in which they hold.

use crate::{CasesText, Forecast, RuleFacts};
use std::collections::BTreeMap;
use std::sync::Arc;
use wheeltap_model::{EventTime, RuleName, RuleRef, RuleStage, ServerTime};

/// One version of a rule as lodged; it never changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleVersion {
    /// Name and version.
    pub reference: RuleRef,
    /// The rule's text.
    pub source: String,
    /// What the text says of itself.
    pub facts: RuleFacts,
    /// When it was lodged, server time.
    pub lodged_at: ServerTime,
    /// By whom.
    pub lodged_by: String,
}

/// A stage that a version was moved to.
#[derive(Clone, Debug, PartialEq)]
pub struct StageChange {
    /// The stage.
    pub stage: RuleStage,
    /// Event time from which it holds.
    pub from: EventTime,
    /// When it was moved, server time.
    pub at: ServerTime,
    /// By whom.
    pub by: String,
    /// Why, or empty.
    pub reason: String,
    /// It went live and had never been on trial.
    pub without_trial: bool,
    /// The newest forecast of the version at that time.
    pub forecast: Option<Arc<KeptForecast>>,
}

/// A forecast that was kept.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptForecast {
    /// What the version would have done.
    pub forecast: Forecast,
    /// When it was made, server time.
    pub at: ServerTime,
    /// By whom.
    pub by: String,
}

/// A stretch of event time in which a version is judged, on trial or live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JudgedFrom {
    /// The version.
    pub rule: RuleRef,
    /// Inclusive.
    pub from: EventTime,
    /// Exclusive; `None` for ever.
    pub until: Option<EventTime>,
}

/// All rules, versions and stages.
#[derive(Clone, Debug, Default)]
pub(crate) struct RuleShelf {
    rules: BTreeMap<RuleName, Vec<Kept>>,
}

#[derive(Clone, Debug)]
struct Kept {
    version: Arc<RuleVersion>,
    /// Ascending by `from`; never empty: the first is the draft.
    stages: Vec<StageChange>,
    /// Also where a later stage took the place of that one.
    was_on_trial: bool,
    /// The newest.
    forecast: Option<Arc<KeptForecast>>,
    /// The newest; empty when none were kept.
    cases: Arc<CasesText>,
}

const fn is_judged(stage: RuleStage) -> bool {
    matches!(stage, RuleStage::Trial | RuleStage::Live)
}

impl RuleShelf {
    fn kept(&self, rule: &RuleRef) -> Option<&Kept> {
        self.rules
            .get(&rule.name)?
            .iter()
            .find(|kept| kept.version.reference.version == rule.version)
    }

    pub(crate) fn version(&self, rule: &RuleRef) -> Option<&Arc<RuleVersion>> {
        self.kept(rule).map(|kept| &kept.version)
    }

    pub(crate) fn versions(&self, name: &RuleName) -> impl Iterator<Item = &Arc<RuleVersion>> {
        self.rules
            .get(name)
            .into_iter()
            .flatten()
            .map(|kept| &kept.version)
    }

    pub(crate) fn names(&self) -> impl Iterator<Item = &RuleName> {
        self.rules.keys()
    }

    pub(crate) fn stages(&self, rule: &RuleRef) -> &[StageChange] {
        self.kept(rule).map_or(&[], |kept| &kept.stages)
    }

    pub(crate) fn stage(&self, rule: &RuleRef) -> Option<&StageChange> {
        self.stages(rule).last()
    }

    pub(crate) fn was_on_trial(&self, rule: &RuleRef) -> bool {
        self.kept(rule).is_some_and(|kept| kept.was_on_trial)
    }

    /// Lodges a version; `false` when it is there already.
    pub(crate) fn lodge(&mut self, version: Arc<RuleVersion>) -> bool {
        if self.version(&version.reference).is_some() {
            return false;
        }
        let draft = StageChange {
            stage: RuleStage::Draft,
            from: EventTime::from_unix_ms(i64::MIN),
            at: version.lodged_at,
            by: version.lodged_by.clone(),
            reason: String::new(),
            without_trial: false,
            forecast: None,
        };
        let versions = self
            .rules
            .entry(version.reference.name.clone())
            .or_default();
        versions.push(Kept {
            version,
            stages: vec![draft],
            was_on_trial: false,
            forecast: None,
            cases: Arc::default(),
        });
        true
    }

    fn kept_mut(&mut self, rule: &RuleRef) -> Option<&mut Kept> {
        self.rules
            .get_mut(&rule.name)?
            .iter_mut()
            .find(|kept| kept.version.reference.version == rule.version)
    }

    pub(crate) fn forecast(&self, rule: &RuleRef) -> Option<&Arc<KeptForecast>> {
        self.kept(rule)?.forecast.as_ref()
    }

    pub(crate) fn cases(&self, rule: &RuleRef) -> Option<&Arc<CasesText>> {
        Some(&self.kept(rule)?.cases)
    }

    /// Keeps a version's cases; `false` when it was never lodged.
    pub(crate) fn keep_cases(&mut self, rule: &RuleRef, cases: CasesText) -> bool {
        let Some(kept) = self.kept_mut(rule) else {
            return false;
        };
        kept.cases = Arc::new(cases);
        true
    }

    /// Keeps a version's newest forecast; `false` when it was never lodged.
    pub(crate) fn keep_forecast(&mut self, rule: &RuleRef, forecast: KeptForecast) -> bool {
        let Some(kept) = self.kept_mut(rule) else {
            return false;
        };
        kept.forecast = Some(Arc::new(forecast));
        true
    }

    /// Moves a version; `false` when it was never lodged.
    pub(crate) fn stage_from(&mut self, rule: &RuleRef, mut change: StageChange) -> bool {
        let Some(kept) = self.kept_mut(rule) else {
            return false;
        };
        change.forecast.clone_from(&kept.forecast);
        kept.was_on_trial |= change.stage == RuleStage::Trial;
        kept.stages.retain(|earlier| earlier.from < change.from);
        kept.stages.push(change);
        true
    }

    /// All stretches in which some version is judged, by rule; adjoining ones are one.
    pub(crate) fn judged(&self) -> Vec<JudgedFrom> {
        let mut judged: Vec<JudgedFrom> = Vec::new();
        for kept in self.rules.values().flatten() {
            let mut open: Option<JudgedFrom> = None;
            for change in &kept.stages {
                match (&mut open, is_judged(change.stage)) {
                    (None, true) => {
                        open = Some(JudgedFrom {
                            rule: kept.version.reference.clone(),
                            from: change.from,
                            until: None,
                        });
                    }
                    (Some(stretch), false) => {
                        stretch.until = Some(change.from);
                        judged.extend(open.take());
                    }
                    (None, false) | (Some(_), true) => {}
                }
            }
            judged.extend(open);
        }
        judged
    }

    /// Whether a version was live at some instant of `raised_at..ended_at` (to the end of time while
    /// standing).
    pub(crate) fn was_live(
        &self,
        rule: &RuleRef,
        raised_at: EventTime,
        ended_at: Option<EventTime>,
    ) -> bool {
        let stages = self.stages(rule);
        stages.iter().enumerate().any(|(idx, change)| {
            let until = stages.get(idx + 1).map(|next| next.from);
            change.stage == RuleStage::Live
                && until.is_none_or(|until| until > raised_at)
                && ended_at.is_none_or(|ended_at| change.from <= ended_at.max(raised_at))
        })
    }
}
