//! WalkBack: what differed before a failure, over what is stored, and a rule drafted from it.

mod book;
mod draft;
mod panes;
mod quantities;
mod tried;
mod walk;

pub use quantities::Aspect;
pub use walk::{Finding, LEAST_SCORE, NoWalk, Question, Walked, walk};

use crate::alerts::bad_field;
use crate::judging::Ledger;
use crate::replays::forecast_to_wire;
use crate::{Shared, UnitRecord, known, status};
use draft::Purpose;
use std::sync::Arc;
use tokio::sync::mpsc::Sender;
use tokio::sync::{Semaphore, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;
use wheeltap_model::{EventTime, RuleName};
use wheeltap_proto::convert;
use wheeltap_proto::v1;

/// Walks that run at once: each holds its class's panes in memory.
const MOST_AT_ONCE: usize = 1;
/// Messages made ahead of the reader.
const MESSAGES_AHEAD: usize = 16;
/// Longest name of a component.
const MOST_COMPONENT: usize = 100;
/// Findings, and units that show one today, told at most.
const MOST_TOLD: usize = 20;
/// Differences told where none scores enough.
const MOST_WEAK: usize = 3;

type Answer = Result<v1::WalkBackResponse, Status>;

/// What is on its way to whoever asked.
pub type Walking = ReceiverStream<Answer>;

/// Walks back, a bounded number at once.
pub struct WalkBacks {
    shared: Arc<Shared>,
    ledger: Arc<Ledger>,
    permits: Arc<Semaphore>,
}

/// What was asked for, checked.
struct Asked {
    unit: Arc<UnitRecord>,
    component: String,
    at: Option<EventTime>,
}

impl WalkBacks {
    /// Over the service's store and book.
    pub fn new(shared: Arc<Shared>, ledger: Arc<Ledger>) -> Self {
        Self {
            shared,
            ledger,
            permits: Arc::new(Semaphore::new(MOST_AT_ONCE)),
        }
    }

    /// Begins one.
    ///
    /// # Errors
    /// Those of the contract's `WalkBack`.
    pub fn start(&self, request: v1::WalkBackRequest) -> Result<Walking, Status> {
        let asked = ask(&self.shared, request)?;
        let permit = Arc::clone(&self.permits).try_acquire_owned().map_err(|_| {
            status::exhausted(
                "TOO_MANY_WALKS",
                "a walk back runs already; wait for it to end".to_owned(),
            )
        })?;
        let (answers, stream) = mpsc::channel(MESSAGES_AHEAD);
        let (shared, ledger) = (Arc::clone(&self.shared), Arc::clone(&self.ledger));
        tokio::task::spawn_blocking(move || {
            let answer = match report(&shared, &ledger, &asked, &answers) {
                // Whoever asked went away.
                Err(NoWalk::Ended) if !shared.shutdown.is_stopping() => return,
                answer => answer.map_err(Status::from),
            };
            let item = v1::walk_back_response::Item::Report;
            // Whoever has the answer may ask the next question.
            drop(permit);
            // The reader may have gone.
            let _ = answers.blocking_send(answer.map(|report| message(item(report))));
        });
        Ok(ReceiverStream::new(stream))
    }
}

fn message(item: v1::walk_back_response::Item) -> v1::WalkBackResponse {
    v1::WalkBackResponse { item: Some(item) }
}

fn ask(shared: &Shared, request: v1::WalkBackRequest) -> Result<Asked, Status> {
    let v1::WalkBackRequest {
        unit: name,
        component,
        at_unix_ms,
    } = request;
    let id = convert::unit_from_name("unit", &name).map_err(bad_field)?;
    let unit = known::unit(shared, &id)?;
    let component = component.trim().to_owned();
    if component.is_empty() || component.chars().count() > MOST_COMPONENT {
        return Err(status::bad_field(
            "BAD_FIELD",
            "component",
            format!("name what failed in 1 to {MOST_COMPONENT} characters, such as oil cooler"),
        ));
    }
    Ok(Asked {
        unit,
        component,
        at: (at_unix_ms != 0).then(|| EventTime::from_unix_ms(at_unix_ms)),
    })
}

impl From<NoWalk> for Status {
    fn from(no_walk: NoWalk) -> Self {
        match no_walk {
            NoWalk::Nothing { .. } | NoWalk::NothingBefore { .. } => {
                status::precondition("NOTHING_STORED", no_walk.to_string())
            }
            NoWalk::Ended => status::shutting_down(),
            NoWalk::Store(error) => status::store(&error),
        }
    }
}

fn report(
    shared: &Shared,
    ledger: &Ledger,
    asked: &Asked,
    answers: &Sender<Answer>,
) -> Result<v1::WalkBackReport, NoWalk> {
    let fleet = shared.fleet.all();
    let question = Question {
        store: &*shared.store,
        catalogue: &shared.catalogue,
        unit: Arc::clone(&asked.unit),
        fleet: &fleet,
        at: asked.at,
    };
    let walked = walk(&question, |n_done, n_units| {
        let progress = v1::walk_back_response::Item::Progress(v1::WalkBackProgress {
            n_units_read: n_done as u64,
            n_units: n_units as u64,
        });
        !shared.shutdown.is_stopping() && answers.blocking_send(Ok(message(progress))).is_ok()
    })?;
    let findings = told(&walked);
    let weak_findings = if findings.is_empty() {
        let first = walked.findings.iter().take(MOST_WEAK);
        first.map(|finding| to_wire(finding, &walked)).collect()
    } else {
        Vec::new()
    };
    let (unknown, signs) = {
        let (unit, component) = (&asked.unit.unit.id, &asked.component);
        let book = ledger.book();
        let span = (walked.from, walked.at);
        (
            book::unknown_component(&book, component),
            book::signs(&book, unit, component, span),
        )
    };
    let mut report = v1::WalkBackReport {
        unit: convert::unit_name(&asked.unit.unit.id),
        component: asked.component.clone(),
        from_unix_ms: walked.from.unix_ms(),
        at_unix_ms: walked.at.unix_ms(),
        silent_since_unix_ms: walked.silent_since.map_or(0, EventTime::unix_ms),
        pane_ms: walked.grid.pane_ms,
        unit_class: convert::class_name(&asked.unit.unit.class),
        n_units: walked.units.len().saturating_sub(1) as u64,
        n_mates: walked.n_mates as u64,
        n_comparisons: walked.n_comparisons as u64,
        least_score: LEAST_SCORE,
        findings,
        draft: String::new(),
        draft_name: String::new(),
        draft_forecast: None,
        draft_n_others: 0,
        weak_findings,
        n_units_heard: walked.n_units_heard() as u64,
        component_unknown: unknown.is_some(),
        near_components: unknown.unwrap_or_default(),
        signs,
    };
    let is_wanted = || !answers.is_closed();
    if let Some((name, tried)) = drafted(shared, asked, &walked, is_wanted)? {
        report.draft_name = convert::rule_name(&name);
        report.draft = tried.text;
        report.draft_forecast = Some(forecast_to_wire(&tried.forecast));
        report.draft_n_others = tried.n_others as u64;
    }
    Ok(report)
}

/// Surer than what healthy units come to.
fn told(walked: &Walked<'_>) -> Vec<v1::WalkBackFinding> {
    walked
        .findings
        .iter()
        .filter(|finding| finding.difference.score >= LEAST_SCORE)
        .take(MOST_TOLD)
        .map(|finding| to_wire(finding, walked))
        .collect()
}

fn to_wire(finding: &Finding, walked: &Walked<'_>) -> v1::WalkBackFinding {
    let difference = &finding.difference;
    let names = |defs: &[wheeltap_model::ChannelDef]| {
        defs.iter()
            .map(|def| convert::channel_name(&def.name))
            .collect()
    };
    let length = |place: usize| difference.lengths.get(place).copied().flatten();
    v1::WalkBackFinding {
        channel: convert::channel_name(&finding.channel.name),
        title: finding.channel.title.clone(),
        aspect: match finding.aspect {
            Aspect::Level => v1::WalkBackAspect::Level,
            Aspect::Swing => v1::WalkBackAspect::Swing,
            Aspect::Rate => v1::WalkBackAspect::Rate,
            Aspect::Heard => v1::WalkBackAspect::Heard,
            Aspect::Events => v1::WalkBackAspect::Events,
        }
        .into(),
        given: names(&finding.given),
        condition: finding.condition().to_owned(),
        score: difference.score,
        own: difference.own,
        against_class: difference.class,
        against_mates: difference.mates,
        here: difference.here,
        usually: difference.usually,
        expected: difference.expected,
        ucum: match finding.aspect {
            Aspect::Level => finding.channel.ucum.clone(),
            Aspect::Rate => format!("{}/h", finding.channel.ucum),
            Aspect::Swing | Aspect::Heard | Aspect::Events => "1".to_owned(),
        },
        since_unix_ms: difference
            .since
            .map_or(0, |pane| walked.grid.start(pane).unix_ms()),
        gradual: difference.is_gradual,
        hour: length(0),
        day: length(1),
        week: length(2),
        month: length(3),
        together: names(&finding.together),
        today: finding
            .today
            .iter()
            .take(MOST_TOLD)
            .map(|(unit, distance)| v1::WalkBackUnit {
                unit: convert::unit_name(unit),
                against_class: *distance,
            })
            .collect(),
    }
}

/// A name for the draft: words of the component.
fn draft_name(component: &str) -> Option<RuleName> {
    let mut name = "walk-back".to_owned();
    for word in component.split(|c: char| !c.is_ascii_alphanumeric()) {
        if !word.is_empty() {
            name.push('-');
            name.push_str(&word.to_ascii_lowercase());
        }
    }
    name.truncate(60);
    RuleName::new(name.trim_end_matches('-')).ok()
}

/// A draft that calls the unit, and its name.
fn drafted(
    shared: &Shared,
    asked: &Asked,
    walked: &Walked<'_>,
    is_wanted: impl Fn() -> bool,
) -> Result<Option<(RuleName, tried::Tried)>, NoWalk> {
    let Some(name) = draft_name(&asked.component) else {
        return Ok(None);
    };
    let purpose = Purpose {
        unit: &asked.unit.unit.id,
        class: asked.unit.unit.class.as_str(),
        component: &asked.component,
        at: walked.at,
    };
    let drafts = draft::drafts(walked, &purpose);
    let best = tried::best(shared, walked, &name, &drafts, is_wanted)?;
    Ok(best.map(|best| (name, best)))
}
