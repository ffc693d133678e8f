//! What a plan asks of a unit's mates: the same windows, laid out for each class that a mate can have.

use super::{Drawing, Laid, Source, UnitPlan, back_ms};
use std::{collections::BTreeMap, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ClassDef, ClassName};
use wheeltap_rules::Read;

/// What a plan asks of mates: a window, for a part.
pub(super) type Asked = (Read, Option<u32>);

/// What mates are asked, each as its class is.
#[derive(Debug)]
pub(crate) struct PlannedMates {
    /// The unit's own class.
    pub class: Option<ClassName>,
    of_class: BTreeMap<ClassName, Arc<Watch>>,
    /// For a class that the catalogue does not have.
    of_unknown: Arc<Watch>,
}

/// The windows of one mate.
#[derive(Debug)]
pub(crate) struct Watch {
    /// A plan that judges nothing.
    pub plan: Arc<UnitPlan>,
    /// One for each thing asked; `None` where a channel is not in the catalogue.
    pub sources: Vec<Option<Source>>,
}

impl PlannedMates {
    pub(super) fn new(asked: &[Asked], class: Option<&ClassName>, catalogue: &Catalogue) -> Self {
        let watch = |class: Option<&ClassDef>| Arc::new(Watch::new(asked, class, catalogue));
        let classes = catalogue.classes();
        Self {
            class: class.cloned(),
            of_class: classes
                .map(|class| (class.name.clone(), watch(Some(class))))
                .collect(),
            of_unknown: watch(None),
        }
    }

    /// For a mate of this class.
    pub(crate) fn watch(&self, class: Option<&ClassName>) -> Arc<Watch> {
        let known = class.and_then(|class| self.of_class.get(class));
        Arc::clone(known.unwrap_or(&self.of_unknown))
    }

    pub(super) fn watches(&self) -> impl Iterator<Item = &UnitPlan> {
        let watches = self.of_class.values().chain([&self.of_unknown]);
        watches.map(|watch| &*watch.plan)
    }

    /// How far back a mate's data can matter.
    pub(super) fn reach_ms(&self) -> i64 {
        self.watches().map(|plan| plan.reach_ms).max().unwrap_or(0)
    }
}

impl Watch {
    fn new(asked: &[Asked], class: Option<&ClassDef>, catalogue: &Catalogue) -> Self {
        let reads = asked.iter().map(|(read, part_no)| (read, *part_no));
        let (mut laid, derived_reach_ms) = Laid::out(reads.clone(), class, catalogue);
        let mut drawing = Drawing::new(catalogue, &mut laid, &[]);
        let sources = reads
            .clone()
            .map(|(read, part_no)| drawing.source(read, part_no));
        let sources = sources.collect();
        let gates = drawing.gates;
        let back = reads.map(|(read, part_no)| back_ms(read, part_no, catalogue));
        let reach_ms = back.max().unwrap_or(0) + laid.longest_hold_ms() + derived_reach_ms;
        let plan = UnitPlan {
            ids: laid.ids,
            channels: laid.channels,
            derived: laid.derived,
            gates,
            slots: Vec::new(),
            baselines: Vec::new(),
            compared: Vec::new(),
            mates: None,
            ticks_ms: Vec::new(),
            reach_ms,
            settle_ms: 0,
        };
        Self {
            plan: Arc::new(plan),
            sources,
        }
    }
}
