//! What a table of a file says of a channel.

use super::{Catalogue, MAX_STEPS, MOST_AXLES};
use crate::doc::{At, Problems, Section, as_number};
use crate::exact::Fraction;
use crate::ucum::Ucum;
use std::ops::Range;
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, Resolution, parse_span};

/// What a table says of a channel; what it does not say comes from the channel of that name.
#[derive(Clone, Debug)]
pub(crate) struct ChannelSays {
    /// Where the table stands and how messages call it.
    span: Range<usize>,
    what: &'static str,
    /// What the table calls the stored unit and the interval.
    ucum_key: &'static str,
    interval_key: &'static str,
    title: Option<At<String>>,
    kind: Option<At<String>>,
    ucum: Option<At<String>>,
    range: Option<At<(f64, f64)>>,
    resolution: Option<At<Resolution>>,
    interval: Option<At<i64>>,
    hold: Option<At<i64>>,
    silent: Option<At<i64>>,
    fields: Option<Vec<(String, String)>>,
    /// Something in it was wrong and is among the problems.
    broken: bool,
}

impl ChannelSays {
    /// Reads the keys that catalogue and map have in common.
    pub(crate) fn read(
        section: &mut Section<'_, '_>,
        ucum_key: &'static str,
        interval_key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Self {
        let before = problems.len();
        let mut says = Self {
            span: section.span.clone(),
            what: section.what(),
            ucum_key,
            interval_key,
            title: section.text("title", problems).map(At::owned),
            kind: section.text("kind", problems).map(At::owned),
            ucum: section.text(ucum_key, problems).map(At::owned),
            range: read_range(section, problems),
            resolution: read_resolution(section, problems),
            interval: read_span(section, interval_key, problems),
            hold: read_span(section, "hold", problems),
            silent: read_span(section, "silent", problems),
            fields: read_fields(section, problems),
            broken: false,
        };
        says.broken = problems.len() > before;
        says
    }

    /// Takes `code` for the stored unit where the table gave none.
    pub(crate) fn with_ucum(mut self, code: Option<&At<String>>) -> Self {
        self.ucum = self.ucum.or_else(|| code.cloned());
        self
    }

    /// Whether it says how the channel speaks, and whether when it is silent.
    pub(crate) const fn states(&self) -> (bool, bool) {
        let kind = self.kind.is_some() || self.interval.is_some() || self.hold.is_some();
        (kind, kind || self.silent.is_some())
    }

    /// Whether it describes a whole new channel.
    pub(crate) const fn declares(&self) -> bool {
        self.kind.is_some()
    }

    fn missing(&self, key: &str, example: &str, problems: &mut Problems<'_>) {
        problems.add(
            &self.span,
            format!("{} has no `{key}`", self.what),
            format!("add {key} = {example}"),
        );
    }

    /// The channel as told here on top of `old`; `None` when something was wrong, which then is
    /// among the problems.
    pub(crate) fn channel(
        &self,
        name: &ChannelName,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<ChannelDef> {
        if self.broken {
            return None;
        }
        let kind = self.kind_on(old, problems)?;
        let is_event = matches!(kind, ChannelKind::Event { .. });
        let ucum = self.ucum_on(name, old, is_event, problems)?;
        let range = match (&self.range, old) {
            (Some(range), _) => range.value,
            (None, Some(old)) => old.range,
            (None, None) if is_event => (0.0, 1.0),
            (None, None) => {
                self.missing("range", "[0, 120]", problems);
                return None;
            }
        };
        let resolution = match (&self.resolution, old) {
            (Some(resolution), _) => resolution.value,
            (None, Some(old)) => old.resolution,
            (None, None) => Resolution { num: 1, den: 1000 },
        };
        let step = f64::from(resolution.num) / f64::from(resolution.den);
        if range.0.abs().max(range.1.abs()) / step > MAX_STEPS {
            let span = self.resolution.as_ref().map(|at| &at.span);
            problems.add(
                span.or(self.range.as_ref().map(|at| &at.span))
                    .unwrap_or(&self.span),
                format!("the range of {name} is more than 2^40 steps of its resolution"),
                "take a coarser resolution or a narrower range",
            );
            return None;
        }
        Some(ChannelDef {
            name: name.clone(),
            title: match (&self.title, old) {
                (Some(title), _) => title.value.clone(),
                (None, Some(old)) => old.title.clone(),
                (None, None) => name.to_string(),
            },
            silent_ms: self.silent_on(&kind, old, problems)?,
            kind,
            ucum,
            range,
            resolution,
        })
    }

    fn kind_on(
        &self,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<ChannelKind> {
        let word = match (&self.kind, old) {
            (Some(kind), _) => kind.value.as_str(),
            (None, Some(old)) => kind_word(&old.kind),
            (None, None) => {
                self.missing("kind", "\"sampled\"", problems);
                return None;
            }
        };
        let foreign = [
            (self.interval_key, self.interval.is_some(), "sampled"),
            ("hold", self.hold.is_some(), "held"),
            ("fields", self.fields.is_some(), "event"),
        ];
        for (key, given, owner) in foreign {
            if given && owner != word {
                problems.add(
                    &self.span,
                    format!("a channel of kind {word} has no use for `{key}`"),
                    format!("remove it, or write kind = \"{owner}\""),
                );
            }
        }
        let old = old.map(|old| &old.kind);
        match word {
            "sampled" => {
                let old = match old {
                    Some(ChannelKind::Sampled { interval_ms }) => Some(*interval_ms),
                    _ => None,
                };
                let interval_ms = self.interval.as_ref().map(|at| at.value).or(old);
                if interval_ms.is_none() {
                    self.missing(self.interval_key, "\"1 s\"", problems);
                }
                interval_ms.map(|interval_ms| ChannelKind::Sampled { interval_ms })
            }
            "held" => {
                let old = match old {
                    Some(ChannelKind::Held { hold_ms }) => Some(*hold_ms),
                    _ => None,
                };
                let hold_ms = self.hold.as_ref().map(|at| at.value).or(old);
                if hold_ms.is_none() {
                    self.missing("hold", "\"70 s\"", problems);
                }
                hold_ms.map(|hold_ms| ChannelKind::Held { hold_ms })
            }
            "event" => {
                let old = match old {
                    Some(ChannelKind::Event { fields }) => Some(fields.clone()),
                    _ => None,
                };
                let fields = self.fields.clone().or(old).unwrap_or_default();
                Some(ChannelKind::Event { fields })
            }
            other => {
                problems.add(
                    self.kind.as_ref().map_or(&self.span, |at| &at.span),
                    format!("\"{other}\" is no kind of channel"),
                    "write \"sampled\", \"held\" or \"event\"",
                );
                None
            }
        }
    }

    fn ucum_on(
        &self,
        name: &ChannelName,
        old: Option<&ChannelDef>,
        is_event: bool,
        problems: &mut Problems<'_>,
    ) -> Option<String> {
        let Some(code) = &self.ucum else {
            if old.is_none() && !is_event {
                self.missing(self.ucum_key, "\"1\"", problems);
                return None;
            }
            return Some(old.map_or_else(|| "1".to_owned(), |old| old.ucum.clone()));
        };
        let unit = parse_ucum(code, problems)?;
        if let Some(old) = old.filter(|old| old.ucum != code.value) {
            let same = Ucum::parse(&old.ucum).is_ok_and(|was| was.dimension() == unit.dimension());
            if !same {
                problems.add(
                    &code.span,
                    format!("{name} is in {} and cannot become {}", old.ucum, code.value),
                    "give the channel a name of its own",
                );
                return None;
            }
            if self.range.is_none() || self.resolution.is_none() {
                problems.add(
                    &code.span,
                    format!(
                        "{name} gets another unit, but range or resolution are still in {}",
                        old.ucum
                    ),
                    "state range and resolution in the new unit",
                );
                return None;
            }
        }
        Some(code.value.clone())
    }

    fn silent_on(
        &self,
        kind: &ChannelKind,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<i64> {
        // The longest that a channel in order may say nothing, and a time that is clearly more.
        let (least, usual) = match kind {
            ChannelKind::Sampled { interval_ms } => {
                (*interval_ms, interval_ms.saturating_mul(10).max(60_000))
            }
            ChannelKind::Held { hold_ms } => (*hold_ms, hold_ms.saturating_mul(2)),
            ChannelKind::Event { .. } => (1, i64::MAX),
        };
        match (&self.silent, old) {
            (Some(silent), _) if silent.value < least => {
                problems.add(
                    &silent.span,
                    "a channel cannot be silent sooner than its next sample is due",
                    "make `silent` longer than the interval or the hold",
                );
                None
            }
            (Some(silent), _) => Some(silent.value),
            (None, Some(old))
                if self.interval.is_none() && self.hold.is_none() && self.kind.is_none() =>
            {
                Some(old.silent_ms)
            }
            (None, _) => Some(usual),
        }
    }
}

/// Parses a code; a refusal becomes a problem.
pub(crate) fn parse_ucum(code: &At<String>, problems: &mut Problems<'_>) -> Option<Ucum> {
    Ucum::parse(&code.value)
        .map_err(|refusal| {
            problems.add(
                &code.span,
                format!("\"{}\" is no UCUM unit", refusal.code),
                refusal.why,
            );
        })
        .ok()
}

const fn kind_word(kind: &ChannelKind) -> &'static str {
    match kind {
        ChannelKind::Sampled { .. } => "sampled",
        ChannelKind::Held { .. } => "held",
        ChannelKind::Event { .. } => "event",
    }
}

pub(super) fn read_channels(
    section: &mut Section<'_, '_>,
    catalogue: &Catalogue,
    problems: &mut Problems<'_>,
) -> Vec<ChannelDef> {
    let name = section.text("name", problems);
    let count = section.count("count", MOST_AXLES * 2, problems);
    let says = ChannelSays::read(section, "ucum", "interval", problems);
    section.refuse_unknown(problems);
    let Some(name) = name else {
        section.missing("name", "\"engine.oil.temperature\"", problems);
        return Vec::new();
    };
    let numbered = name.value.contains("{n}");
    if numbered != count.is_some() {
        problems.add(
            &name.span,
            "a numbered channel needs both {n} in its name and `count`",
            "write name = \"traction.axle.{n}.speed\" and count = 6, or neither",
        );
        return Vec::new();
    }
    let mut defs = Vec::new();
    for number in 1..=count.map_or(1, |count| count.value) {
        let number = number.to_string();
        let Some(name) = channel_name(&name.value.replace("{n}", &number), &name.span, problems)
        else {
            break;
        };
        let old = catalogue.channel(&name).map(|(_, def)| def);
        let Some(mut def) = says.channel(&name, old, problems) else {
            break;
        };
        def.title = def.title.replace("{n}", &number);
        defs.push(def);
    }
    defs
}

pub(crate) fn channel_name(
    text: &str,
    span: &Range<usize>,
    problems: &mut Problems<'_>,
) -> Option<ChannelName> {
    ChannelName::new(text)
        .map_err(|refusal| {
            problems.add(
                span,
                format!("\"{}\" is no channel name", refusal.text),
                refusal.rule,
            );
        })
        .ok()
}

fn read_range(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<At<(f64, f64)>> {
    let value = section.value("range")?;
    let ends: Option<Vec<f64>> = value
        .get_ref()
        .as_array()
        .and_then(|items| items.iter().map(|item| as_number(item.get_ref())).collect());
    match ends.as_deref() {
        Some([low, high]) if low < high => Some(At {
            value: (*low, *high),
            span: value.span(),
        }),
        _ => {
            problems.add(
                &value.span(),
                "`range` is not two finite numbers, the lower one first",
                "write it like range = [-40, 150]",
            );
            None
        }
    }
}

fn read_resolution(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<At<Resolution>> {
    let text = section.decimal("resolution", problems)?;
    let fraction = Fraction::from_decimal(&text.value).and_then(|fraction| {
        let num = u32::try_from(fraction.num()).ok().filter(|num| *num > 0)?;
        let den = u32::try_from(fraction.den()).ok()?;
        Some(Resolution { num, den })
    });
    if fraction.is_none() {
        problems.add(
            &text.span,
            format!(
                "resolution \"{}\" is no decimal above zero that fits",
                text.value
            ),
            "write it like resolution = \"0.1\"",
        );
    }
    Some(At {
        value: fraction?,
        span: text.span,
    })
}

pub(crate) fn read_span(
    section: &mut Section<'_, '_>,
    key: &'static str,
    problems: &mut Problems<'_>,
) -> Option<At<i64>> {
    let text = section.text(key, problems)?;
    match parse_span(text.value) {
        Ok(span_ms) => Some(At {
            value: span_ms,
            span: text.span,
        }),
        Err(refusal) => {
            problems.add(
                &text.span,
                format!("`{key}` = \"{}\" is no span", refusal.text),
                refusal.mend,
            );
            None
        }
    }
}

fn read_fields(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Vec<(String, String)>> {
    section.value("fields")?;
    let mut fields: Vec<(String, String)> = Vec::new();
    for mut field in section.tables("fields", "a field", problems) {
        let name = field.text("name", problems);
        let ucum = field.text("ucum", problems);
        field.refuse_unknown(problems);
        let Some((name, ucum)) = name.zip(ucum) else {
            field.missing("name", "\"axle\"", problems);
            field.missing("ucum", "\"1\"", problems);
            continue;
        };
        let plain = name
            .value
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
        if !plain || name.value.is_empty() || fields.iter().any(|(old, _)| old == name.value) {
            problems.add(
                &name.span,
                format!("field \"{}\" is no lower-case word of its own", name.value),
                "use lower-case letters, digits and underscores, each name once",
            );
        }
        parse_ucum(&ucum.clone().owned(), problems);
        fields.push((name.value.to_owned(), ucum.value.to_owned()));
    }
    Some(fields)
}
