//! `work.toml`: service points with their crews, what jobs take, what is filled, wears and is inspected.

use crate::catalogue::{Catalogue, CatalogueProblem, channel_name, parse_ucum, read_span};
use crate::doc::{At, Problems, Section, is_near};
use crate::ucum::Ucum;
use wheeltap_model::{
    ChannelDef, ChannelKind, ChannelName, ClassName, Crew, Fill, Inspection, Job, PointName,
    ServicePoint, Side, Step, UnitState, Wear, WearBasis, WearBy, WorkSettings,
};

const BUILTIN_FILE: &str = "built-in work.toml";
const BUILTIN: &str = include_str!("work.toml");

const STOP_MS: i64 = 3_600_000;
const MOST_MINUTES: u32 = 10_080;
const MOST_CREWS: u32 = 50;
const MOST_DAYS: u32 = 36_600;
/// Longest names of crafts, parts, components and items, in bytes.
const MOST_NAME: usize = 64;
const MOST_TEXT: usize = 500;
const LABEL_RULE: &str = "give it 1 to 64 printable characters";

/// The built-in settings for work, extended by files given as (name for messages, TOML text). An item of a
/// file goes over an earlier one of the same name and class; what a fill or an inspection does not say it
/// takes from that, or from the one for all classes.
///
/// # Errors
/// Every problem of every file, also what the catalogue does not have.
///
/// # Examples
/// ```
/// use wheeltap_catalogue::{Catalogue, read_work};
/// let text = r#"
///     [[point]]
///     name = "Burbot Yard"
///     crew = [{ craft = "machinist", side = "above" }, { craft = "machinist", side = "below" }]
///     [[job]]
///     component = "oil cooler"
///     craft = "machinist"
///     side = "above"
///     minutes = 35
/// "#;
/// let work = read_work(&[("work.toml".to_owned(), text.to_owned())], &Catalogue::builtin()).unwrap();
/// assert_eq!(work.jobs[0].steps[0].minutes, 35);
/// ```
pub fn read_work(
    files: &[(String, String)],
    catalogue: &Catalogue,
) -> Result<WorkSettings, Vec<CatalogueProblem>> {
    let mut work = WorkSettings::default();
    let mut found = Vec::new();
    let builtin = (BUILTIN_FILE, BUILTIN);
    let own = files
        .iter()
        .map(|(file, text)| (file.as_str(), text.as_str()));
    for (file, text) in std::iter::once(builtin).chain(own) {
        let mut reader = Reader {
            is_builtin: file == BUILTIN_FILE,
            problems: Problems::new(file, text),
            catalogue,
            own: WorkSettings::default(),
            said_crafts: Vec::new(),
            said_fills: Vec::new(),
        };
        reader.read(&mut work);
        found.extend(reader.problems.into_list());
    }
    if found.is_empty() {
        Ok(work)
    } else {
        Err(found)
    }
}

struct Reader<'a> {
    is_builtin: bool,
    problems: Problems<'a>,
    catalogue: &'a Catalogue,
    /// What this file says.
    own: WorkSettings,
    /// Crafts of steps with their places.
    said_crafts: Vec<At<(String, Side)>>,
    /// Fills of points with their places.
    said_fills: Vec<At<String>>,
}

/// Puts an item over an earlier one of the same key.
fn put<T>(items: &mut Vec<T>, item: T, is_same: impl Fn(&T, &T) -> bool) {
    match items.iter().position(|old| is_same(old, &item)) {
        Some(idx) => items[idx] = item,
        None => items.push(item),
    }
}

/// The item that a later one of the same name goes over: of the same class, or else the one for all, which the
/// same file may have said. `class_of` is `None` for items of another name.
fn earlier<T: Clone>(
    items: &[T],
    own: &[T],
    class: Option<&ClassName>,
    class_of: impl Fn(&T) -> Option<&Option<ClassName>>,
) -> Option<T> {
    let is_of = |item: &&T, wanted: Option<&ClassName>| {
        class_of(item).is_some_and(|class| class.as_ref() == wanted)
    };
    let same_class = items.iter().find(|item| is_of(item, class));
    let for_all = || own.iter().chain(items).find(|item| is_of(item, None));
    same_class.or_else(for_all).cloned()
}

impl Reader<'_> {
    fn read(&mut self, work: &mut WorkSettings) {
        let document = self.problems.parse();
        if !self.problems.is_empty() {
            return;
        }
        let mut root = Section::new(document.get_ref(), document.span(), "a work file");
        self.settings(&mut root, work);
        for section in root.tables("point", "[[point]]", &mut self.problems) {
            self.point(section);
        }
        for section in root.tables("job", "[[job]]", &mut self.problems) {
            self.job(section);
        }
        for section in root.tables("fill", "[[fill]]", &mut self.problems) {
            self.fill(section, work);
        }
        for section in root.tables("wear", "[[wear]]", &mut self.problems) {
            self.wear(section);
        }
        for section in root.tables("inspection", "[[inspection]]", &mut self.problems) {
            self.inspection(section, work);
        }
        root.refuse_unknown(&mut self.problems);
        let own = std::mem::take(&mut self.own);
        for point in own.points {
            put(&mut work.points, point, |a, b| a.name == b.name);
        }
        for job in own.jobs {
            put(&mut work.jobs, job, |a, b| {
                (&a.component, &a.class) == (&b.component, &b.class)
            });
        }
        for fill in own.fills {
            put(&mut work.fills, fill, |a, b| {
                (&a.name, &a.class) == (&b.name, &b.class)
            });
        }
        for wear in own.wears {
            put(&mut work.wears, wear, |a, b| {
                (&a.name, &a.class) == (&b.name, &b.class)
            });
        }
        for inspection in own.inspections {
            put(&mut work.inspections, inspection, |a, b| {
                (&a.name, &a.class) == (&b.name, &b.class)
            });
        }
        self.check_names(work);
    }

    /// A craft that works nowhere, and a fill that nobody described, are slips of the pen.
    fn check_names(&mut self, work: &WorkSettings) {
        let crews = || work.points.iter().flat_map(|point| &point.crews);
        if !work.points.is_empty() {
            for said in std::mem::take(&mut self.said_crafts) {
                let (craft, side) = &said.value;
                if crews().any(|crew| crew.craft == *craft && crew.side == *side) {
                    continue;
                }
                let near = crews().find(|crew| is_near(&crew.craft, craft));
                let mend = match near {
                    Some(crew) if crew.craft == *craft => format!(
                        "they work {} only: correct the side, or add such a crew to a point",
                        crew.side.as_str()
                    ),
                    Some(crew) => {
                        format!("write \"{}\", or add such a crew to a point", crew.craft)
                    }
                    None => "correct it, or add such a crew to a point".to_owned(),
                };
                let side = side.as_str();
                self.problems.add(
                    &said.span,
                    format!("no {craft} works {side} at any service point"),
                    mend,
                );
            }
        }
        for said in std::mem::take(&mut self.said_fills) {
            if work.fills.iter().any(|fill| fill.name == said.value) {
                continue;
            }
            let known: Vec<&str> = work.fills.iter().map(|fill| fill.name.as_str()).collect();
            self.problems.add(
                &said.span,
                format!("nothing is called \"{}\" among what is filled", said.value),
                format!(
                    "write one of {}, or add a [[fill]] of that name",
                    known.join(", ")
                ),
            );
        }
    }

    fn settings(&mut self, root: &mut Section<'_, '_>, work: &mut WorkSettings) {
        if let Some(span) = read_span(root, "next_stop", &mut self.problems) {
            work.next_stop_ms = span.value;
        }
        if let Some(days) = root.count("credit_least_days", MOST_DAYS, &mut self.problems) {
            work.credit_least_days = days.value;
        }
        if let Some(offset) = root.text("utc_offset", &mut self.problems) {
            match read_offset(offset.value) {
                Some(seconds) => work.utc_offset_s = seconds,
                None => self.problems.add(
                    &offset.span,
                    format!("`utc_offset` = \"{}\" is no offset", offset.value),
                    "write what local time is ahead of UTC, such as \"-06:00\"",
                ),
            }
        }
        let states = self.words(root, "out_of_use");
        if root.has("out_of_use") {
            work.out_of_use.clear();
        }
        for word in states {
            let known = UnitState::ALL.iter().find(|(_, name)| *name == word.value);
            if let Some((state, _)) = known {
                work.out_of_use.push(*state);
                continue;
            }
            let words: Vec<&str> = UnitState::ALL.iter().map(|(_, name)| *name).collect();
            self.problems.add(
                &word.span,
                format!("\"{}\" is no state of a unit", word.value),
                format!("write some of {}", words.join(", ")),
            );
        }
    }

    /// A list of texts; none where the key is not there.
    fn words(&mut self, section: &mut Section<'_, '_>, key: &'static str) -> Vec<At<String>> {
        let Some(value) = section.value(key) else {
            return Vec::new();
        };
        let items = value.get_ref().as_array();
        let words: Option<Vec<At<String>>> = items.and_then(|items| {
            let word = |item: &toml::Spanned<toml::de::DeValue<'_>>| {
                Some(At {
                    value: item.get_ref().as_str()?.to_owned(),
                    span: item.span(),
                })
            };
            items.iter().map(word).collect()
        });
        words.unwrap_or_else(|| {
            self.problems.add(
                &value.span(),
                format!("`{key}` is not a list of texts"),
                format!("write it like {key} = [\"fuel\", \"sand\"]"),
            );
            Vec::new()
        })
    }

    /// A name of people's choosing.
    fn label(&mut self, section: &mut Section<'_, '_>, key: &'static str) -> Option<String> {
        self.text(section, key, MOST_NAME, LABEL_RULE)
    }

    fn prose(&mut self, section: &mut Section<'_, '_>, key: &'static str) -> Option<String> {
        self.text(
            section,
            key,
            MOST_TEXT,
            "give it 1 to 500 printable characters",
        )
    }

    fn text(
        &mut self,
        section: &mut Section<'_, '_>,
        key: &'static str,
        most: usize,
        rule: &'static str,
    ) -> Option<String> {
        let text = section.text(key, &mut self.problems)?;
        let trimmed = text.value.trim();
        if trimmed.is_empty() || trimmed.len() > most || trimmed.chars().any(char::is_control) {
            self.problems.add(
                &text.span,
                format!("`{key}` is empty, too long or not one line"),
                rule,
            );
            return None;
        }
        Some(trimmed.to_owned())
    }

    /// The class of an item; the second is false where it cannot be told.
    fn class(&mut self, section: &mut Section<'_, '_>) -> (Option<ClassName>, bool) {
        let Some(text) = section.text("class", &mut self.problems) else {
            return (None, !section.has("class"));
        };
        let class = ClassName::new(text.value).ok();
        if let Some(class) = class.filter(|class| self.catalogue.class(class).is_some()) {
            return (Some(class), true);
        }
        let names: Vec<&str> = self
            .catalogue
            .classes()
            .map(|class| class.name.as_str())
            .collect();
        self.problems.add(
            &text.span,
            format!("no catalogue file has a class \"{}\"", text.value),
            match names.as_slice() {
                [] => "name a catalogue file that has it in the settings".to_owned(),
                names => format!(
                    "write one of {}, or leave `class` out for all",
                    names.join(", ")
                ),
            },
        );
        (None, false)
    }

    fn side(&mut self, section: &mut Section<'_, '_>) -> Option<Side> {
        let text = section.text("side", &mut self.problems)?;
        match text.value {
            "above" => Some(Side::Above),
            "below" => Some(Side::Below),
            other => {
                self.problems.add(
                    &text.span,
                    format!("`side` is \"{other}\""),
                    "write \"above\" (on the unit) or \"below\" (under and beside it)",
                );
                None
            }
        }
    }

    /// One step from `craft`, `side`, `minutes` and `alone` of a table.
    fn step(&mut self, section: &mut Section<'_, '_>) -> Option<Step> {
        let craft_span = section.value("craft").map(toml::Spanned::span);
        let craft = self.label(section, "craft");
        let side = self.side(section);
        let minutes = section.count("minutes", MOST_MINUTES, &mut self.problems);
        let alone = section.flag("alone", &mut self.problems);
        section.missing("craft", "\"machinist\"", &mut self.problems);
        section.missing("side", "\"above\"", &mut self.problems);
        section.missing("minutes", "30", &mut self.problems);
        let (craft, side) = (craft?, side?);
        if let Some(span) = craft_span {
            self.said_crafts.push(At {
                value: (craft.clone(), side),
                span,
            });
        }
        Some(Step {
            craft,
            side,
            minutes: minutes?.value,
            alone: alone.is_some_and(|alone| alone.value),
        })
    }

    /// The steps of an item: one in the item itself, or `step` tables, or none at all.
    fn steps(&mut self, section: &mut Section<'_, '_>, what: &'static str) -> Vec<Step> {
        let inline = ["craft", "side", "minutes", "alone"];
        let tables = section.tables("step", what, &mut self.problems);
        if section.has("step") {
            for key in inline {
                if let Some(value) = section.value(key) {
                    self.problems.add(
                        &value.span(),
                        format!("`{key}` stands beside `step`"),
                        "say it in each step instead",
                    );
                }
            }
            let mut steps = Vec::new();
            for mut table in tables {
                steps.extend(self.step(&mut table));
                table.refuse_unknown(&mut self.problems);
            }
            return steps;
        }
        if inline.iter().any(|key| section.has(key)) {
            return self.step(section).into_iter().collect();
        }
        for key in inline {
            // Asked for, so that they are among the known keys.
            let _ = section.value(key);
        }
        Vec::new()
    }

    fn point(&mut self, mut section: Section<'_, '_>) {
        let section = &mut section;
        let name = section.text("name", &mut self.problems);
        let stop = read_span(section, "stop", &mut self.problems);
        let lockout = read_span(section, "lockout", &mut self.problems);
        let mut crews = Vec::new();
        for mut table in section.tables("crew", "a crew", &mut self.problems) {
            let craft = self.label(&mut table, "craft");
            let side = self.side(&mut table);
            let n_crews = table.count("crews", MOST_CREWS, &mut self.problems);
            table.missing("craft", "\"machinist\"", &mut self.problems);
            table.missing("side", "\"above\"", &mut self.problems);
            table.refuse_unknown(&mut self.problems);
            if let Some((craft, side)) = craft.zip(side) {
                crews.push(Crew {
                    craft,
                    side,
                    crews: n_crews.map_or(1, |n_crews| n_crews.value),
                });
            }
        }
        section.missing("name", "\"Burbot Yard\"", &mut self.problems);
        section.missing(
            "crew",
            "[{ craft = \"machinist\", side = \"above\" }]",
            &mut self.problems,
        );
        let fills = self.words(section, "fills");
        section.refuse_unknown(&mut self.problems);
        let Some(name) = name else { return };
        let Ok(point) = PointName::new(name.value).map_err(|refusal| {
            let what = format!("\"{}\" is no service point", refusal.text);
            self.problems.add(&name.span, what, refusal.rule);
        }) else {
            return;
        };
        if self.own.points.iter().any(|other| other.name == point) {
            self.twice(&section.span, &format!("service point {point}"));
        }
        let lockout_minutes = lockout.map_or(0, |lockout| lockout.value / 60_000);
        self.own.points.push(ServicePoint {
            name: point,
            stop_ms: stop.map_or(STOP_MS, |stop| stop.value),
            lockout_minutes: u32::try_from(lockout_minutes).unwrap_or(u32::MAX),
            crews,
            fills: fills.iter().map(|fill| fill.value.clone()).collect(),
        });
        self.said_fills.extend(fills);
    }

    fn twice(&mut self, span: &std::ops::Range<usize>, what: &str) {
        self.problems.add(
            span,
            format!("{what} is described twice in this file"),
            "keep one of the two",
        );
    }

    fn job(&mut self, mut section: Section<'_, '_>) {
        let section = &mut section;
        let component = self.label(section, "component");
        let (class, is_known) = self.class(section);
        let steps = self.steps(section, "[[job.step]]");
        let part = self.label(section, "part");
        let caution = self.prose(section, "caution");
        section.missing("component", "\"oil cooler\"", &mut self.problems);
        section.refuse_unknown(&mut self.problems);
        if !section.has("step") && !section.has("craft") {
            self.problems.add(
                &section.span,
                "[[job]] has no `craft` and no `step`",
                "add craft = \"machinist\", side = \"above\", minutes = 30, or [[job.step]] tables",
            );
        }
        let Some(component) = component.filter(|_| is_known) else {
            return;
        };
        let is_same = |job: &Job| job.component == component && job.class == class;
        if self.own.jobs.iter().any(is_same) {
            self.twice(&section.span, &format!("the job for {component}"));
        }
        self.own.jobs.push(Job {
            component,
            class,
            steps,
            part,
            caution,
        });
    }

    /// Whether the catalogue has the channel under `level`.
    fn has_channel(&mut self, section: &mut Section<'_, '_>) -> bool {
        let level = section.text("level", &mut self.problems);
        let name = level.and_then(|level| ChannelName::new(level.value).ok());
        name.is_some_and(|name| self.catalogue.channel(&name).is_some())
    }

    /// A channel that units sample and send, such as a level.
    fn level(
        &mut self,
        section: &mut Section<'_, '_>,
        key: &'static str,
    ) -> Option<(ChannelName, ChannelDef)> {
        let text = section.text(key, &mut self.problems)?;
        let name = channel_name(text.value, &text.span, &mut self.problems)?;
        let found = self.catalogue.channel(&name).map(|(_, def)| def.clone());
        let usable = found.filter(|def| {
            !matches!(def.kind, ChannelKind::Event { .. })
                && self.catalogue.derived(&name).is_none()
        });
        if usable.is_none() {
            self.problems.add(
                &text.span,
                format!("{name} is not a channel that units send"),
                "name one of the catalogue; what is computed or an event has no level",
            );
        }
        Some((name, usable?))
    }

    /// A quantity in a channel's unit, such as `"18000 L"`; an hour's worth with `per_hour`.
    fn quantity(
        &mut self,
        section: &mut Section<'_, '_>,
        key: &'static str,
        target: &str,
        per_hour: bool,
    ) -> Option<f64> {
        let text = section.text(key, &mut self.problems)?;
        let converted = Ucum::parse_quantity(text.value).and_then(|(value, unit)| {
            let mut target = Ucum::parse(target).map_err(|refusal| refusal.to_string())?;
            if per_hour {
                let hour = if target.code() == "1" {
                    "/h".to_owned()
                } else {
                    format!("{}/h", target.code())
                };
                target = Ucum::parse(&hour).map_err(|refusal| refusal.to_string())?;
            }
            let fits = unit.convert(value, &target);
            fits.filter(|value| value.is_finite() && *value > 0.0)
                .ok_or_else(|| {
                    format!(
                        "\"{}\" is no amount above zero that converts to {}",
                        text.value,
                        target.code()
                    )
                })
        });
        converted
            .map_err(|what| {
                let unit = if per_hour {
                    format!("{target}/h")
                } else {
                    target.to_owned()
                };
                self.problems.add(
                    &text.span,
                    format!("`{key}`: {what}"),
                    format!("write a number and a UCUM unit, such as \"100 {unit}\""),
                );
            })
            .ok()
    }

    fn fill(&mut self, mut section: Section<'_, '_>, work: &WorkSettings) {
        let section = &mut section;
        // A catalogue of other channels has other things to fill.
        if self.is_builtin && !self.has_channel(section) {
            return;
        }
        let name = self.label(section, "name");
        let (class, is_known) = self.class(section);
        let earlier = earlier(&work.fills, &self.own.fills, class.as_ref(), |fill| {
            (Some(&fill.name) == name.as_ref()).then_some(&fill.class)
        });
        let level = match earlier.as_ref().filter(|_| !section.has("level")) {
            Some(earlier) => {
                let _ = section.value("level");
                let found = self.catalogue.channel(&earlier.level);
                found.map(|(_, def)| (earlier.level.clone(), def.clone()))
            }
            None => self.level(section, "level"),
        };
        let ucum = level.as_ref().map(|(_, def)| def.ucum.clone());
        let ucum = ucum.unwrap_or_else(|| "1".to_owned());
        let full = level
            .is_some()
            .then(|| self.quantity(section, "full", &ucum, false));
        let use_per_h = level
            .is_some()
            .then(|| self.quantity(section, "use", &ucum, true));
        if level.is_none() {
            // What they are in cannot be told; the channel's problem comes first.
            let _ = (section.value("full"), section.value("use"));
        }
        let keep = section.number("keep", &mut self.problems);
        let steps = self.steps(section, "[[fill.step]]");
        section.missing("name", "\"fuel\"", &mut self.problems);
        if earlier.is_none() {
            section.missing("level", "\"fuel.level\"", &mut self.problems);
            section.missing("keep", "0.15", &mut self.problems);
        }
        section.refuse_unknown(&mut self.problems);
        let earlier_keep = earlier
            .as_ref()
            .map(|fill| fill.keep)
            .filter(|_| keep.is_none());
        let keep = earlier_keep.or_else(|| {
            keep.and_then(|keep| {
                if (0.0..=1.0).contains(&keep.value) {
                    return Some(keep.value);
                }
                self.problems.add(
                    &keep.span,
                    "`keep` is not a share from 0 to 1",
                    "write what share of full must be left at the next stop, such as 0.15",
                );
                None
            })
        });
        let (Some(name), Some((level, _)), Some(keep), true) = (name, level, keep, is_known) else {
            return;
        };
        let is_same = |fill: &Fill| fill.name == name && fill.class == class;
        if self.own.fills.iter().any(is_same) {
            self.twice(&section.span, &format!("the fill {name}"));
        }
        self.own.fills.push(Fill {
            name,
            class,
            level,
            full: full
                .flatten()
                .or_else(|| earlier.as_ref().and_then(|fill| fill.full)),
            keep,
            use_per_h: use_per_h
                .flatten()
                .or_else(|| earlier.as_ref().and_then(|fill| fill.use_per_h)),
            steps,
        });
    }

    fn wear(&mut self, mut section: Section<'_, '_>) {
        let section = &mut section;
        let before = self.problems.len();
        let name = self.label(section, "name");
        let (class, _) = self.class(section);
        let channel = self.level(section, "channel");
        let code = section.text("ucum", &mut self.problems).map(At::owned);
        let rate = section.number("rate", &mut self.problems);
        let per = section.text("per", &mut self.problems);
        let new = section.number("new", &mut self.problems);
        let limit = section.number("limit", &mut self.problems);
        let steps = self.steps(section, "[[wear.step]]");
        let part = self.label(section, "part");
        let source = self.prose(section, "source");
        for (key, example) in [
            ("name", "\"brake shoes\""),
            ("new", "60"),
            ("limit", "20"),
            ("source", "\"the railway's own limit\""),
        ] {
            section.missing(key, example, &mut self.problems);
        }
        let by_channel = section.has("channel");
        if by_channel {
            for key in ["ucum", "rate", "per"] {
                if let Some(value) = section.value(key) {
                    self.problems.add(
                        &value.span(),
                        format!("`{key}` stands beside `channel`"),
                        "leave it out: the channel has a unit, and shows its own change",
                    );
                }
            }
        } else {
            section.missing("ucum", "\"mm\"", &mut self.problems);
            section.missing("rate", "-1.2", &mut self.problems);
            section.missing("per", "\"d\"", &mut self.problems);
        }
        section.refuse_unknown(&mut self.problems);
        let ucum = match &channel {
            Some((_, def)) => Some(def.ucum.clone()),
            None => code.and_then(|code| {
                parse_ucum(&code, &mut self.problems).map(|unit| unit.code().to_owned())
            }),
        };
        let basis = per.and_then(|per| {
            let all = [WearBasis::Day, WearBasis::EngineHour, WearBasis::Kilometre];
            let found = all.into_iter().find(|basis| basis.as_str() == per.value);
            if found.is_none() {
                self.problems.add(
                    &per.span,
                    format!("`per` is \"{}\"", per.value),
                    "write \"d\" (calendar days), \"h\" (engine hours) or \"km\"",
                );
            }
            found
        });
        self.check_reach(new.as_ref(), limit.as_ref(), rate.as_ref());
        if self.problems.len() > before {
            return;
        }
        let by = match channel {
            Some((channel, _)) => Some(WearBy::Channel(channel)),
            None => rate.zip(basis).map(|(rate, per)| WearBy::Rate {
                rate: rate.value,
                per,
            }),
        };
        let (Some(name), Some(ucum), Some(by)) = (name, ucum, by) else {
            return;
        };
        let (Some(new), Some(limit), Some(source)) = (new, limit, source) else {
            return;
        };
        let is_same = |wear: &Wear| wear.name == name && wear.class == class;
        if self.own.wears.iter().any(is_same) {
            self.twice(&section.span, &format!("the wear of {name}"));
        }
        self.own.wears.push(Wear {
            name,
            class,
            ucum,
            new: new.value,
            limit: limit.value,
            by,
            steps,
            part,
            source,
        });
    }

    /// What wears must come from new to its limit at its rate.
    fn check_reach(
        &mut self,
        new: Option<&At<f64>>,
        limit: Option<&At<f64>>,
        rate: Option<&At<f64>>,
    ) {
        let Some((new, limit)) = new.zip(limit) else {
            return;
        };
        let towards = limit.value - new.value;
        if towards.abs() <= 0.0 {
            self.problems.add(
                &limit.span,
                "`limit` is what it is when new",
                "say when it must be renewed",
            );
        } else if let Some(rate) = rate.filter(|rate| rate.value * towards <= 0.0) {
            self.problems.add(
                &rate.span,
                format!(
                    "at this rate it never gets from {} to {}",
                    new.value, limit.value
                ),
                "turn its sign: a shoe that loses 1.2 mm a day has rate = -1.2",
            );
        }
    }

    fn inspection(&mut self, mut section: Section<'_, '_>, work: &WorkSettings) {
        let section = &mut section;
        let name = self.label(section, "name");
        let title = self.label(section, "title");
        let (class, is_known) = self.class(section);
        let earlier = earlier(
            &work.inspections,
            &self.own.inspections,
            class.as_ref(),
            |inspection| (Some(&inspection.name) == name.as_ref()).then_some(&inspection.class),
        );
        let every = section.count("every_days", MOST_DAYS, &mut self.problems);
        let credit = section.flag("credit", &mut self.problems);
        let steps = self.steps(section, "[[inspection.step]]");
        let source = self.prose(section, "source");
        section.missing("name", "\"periodic\"", &mut self.problems);
        // Another interval is not by the same authority.
        if earlier.is_none() || section.has("every_days") {
            section.missing("every_days", "92", &mut self.problems);
            section.missing("source", "\"49 CFR 229.23(a)\"", &mut self.problems);
        }
        section.refuse_unknown(&mut self.problems);
        let every = every
            .map(|every| every.value)
            .or_else(|| earlier.as_ref().map(|earlier| earlier.every_days));
        let source = source.or_else(|| earlier.as_ref().map(|earlier| earlier.source.clone()));
        let title = title.or_else(|| earlier.as_ref().map(|earlier| earlier.title.clone()));
        let credit = credit
            .map(|credit| credit.value)
            .or_else(|| earlier.as_ref().map(|earlier| earlier.credits_out_of_use));
        let (Some(name), Some(every), Some(source), true) = (name, every, source, is_known) else {
            return;
        };
        let is_same = |other: &Inspection| other.name == name && other.class == class;
        if self.own.inspections.iter().any(is_same) {
            self.twice(&section.span, &format!("the inspection {name}"));
        }
        self.own.inspections.push(Inspection {
            title: title.unwrap_or_else(|| name.clone()),
            name,
            class,
            every_days: every,
            credits_out_of_use: credit.unwrap_or(true),
            steps,
            source,
        });
    }
}

/// `-06:00` in seconds, within a day.
fn read_offset(text: &str) -> Option<i32> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let two = |text: &str, most: i32| {
        let is_two = text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        text.parse::<i32>()
            .ok()
            .filter(|number| is_two && *number <= most)
    };
    Some(sign * (two(hours, 14)? * 3_600 + two(minutes, 59)? * 60))
}

#[cfg(test)]
mod tests;
