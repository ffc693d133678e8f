//! Charts of reports: SVG made on the server, in the page's own colours, with what they say in words.

use crate::forms::escaped;
use plotters::chart::MeshStyle;
use plotters::coord::Shift;
use plotters::coord::ranged1d::Ranged;
use plotters::prelude::{
    ChartBuilder, Circle, Color, DrawingArea, EmptyElement, IntoDrawingArea, IntoFont,
    IntoLogRange, LineSeries, PathElement, RGBColor, Rectangle, SVGBackend, Text,
};
use plotters::style::TextStyle;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use wheeltap_proto::{v1, words};

const WIDTH: u32 = 820;
const ROW: u32 = 26;
/// Rows of a chart with a row a name.
const MOST_ROWS: usize = 14;
/// Letters of a name beside its row.
const MOST_LETTERS: usize = 34;
/// Room for names, in pixels.
const NAMES: u32 = 250;

/// Stand for the page's colours, which differ in dark and light: [`finished`] puts those in their place.
const INK: RGBColor = RGBColor(1, 2, 3);
const SOFT: RGBColor = RGBColor(4, 5, 6);
const RULE: RGBColor = RGBColor(7, 8, 9);
const MARK: RGBColor = RGBColor(10, 11, 12);
const OVER: RGBColor = RGBColor(13, 14, 15);
const COLORS: [(&str, &str); 5] = [
    ("#010203", "var(--ink)"),
    ("#040506", "var(--soft)"),
    ("#070809", "var(--rule)"),
    ("#0A0B0C", "var(--mark)"),
    ("#0D0E0F", "var(--over)"),
];

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

/// Draws and finishes; a chart that cannot be drawn is left out, as its table says the same.
fn made(
    name: &str,
    title: &str,
    says: &str,
    height: u32,
    draw: impl FnOnce(&Area<'_>) -> Drawn,
) -> String {
    let mut svg = String::new();
    let drawn = {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        draw(&area).and_then(|()| area.present().map_err(Into::into))
    };
    match drawn {
        Ok(()) => finished(name, title, says, &svg),
        Err(error) => {
            tracing::warn!(%error, name, "a chart could not be drawn");
            String::new()
        }
    }
}

/// With the page's colours, a title and a description for those who do not see it.
fn finished(name: &str, title: &str, says: &str, svg: &str) -> String {
    let mut svg = svg.to_owned();
    for (stands, color) in COLORS {
        svg = svg.replace(stands, color);
    }
    let (head, body) = svg.split_once('>').unwrap_or((&svg, ""));
    format!(
        "{head} role=\"img\" aria-labelledby=\"{name}-title {name}-says\">\
         <title id=\"{name}-title\">{}</title><desc id=\"{name}-says\">{}</desc>{body}",
        escaped(title),
        escaped(says),
    )
}

fn font(pixels: u32, color: RGBColor) -> TextStyle<'static> {
    ("sans-serif", pixels).into_font().color(&color)
}

/// Text that begins or ends at its point, in the middle of its row.
fn beside(pixels: u32, color: RGBColor, end: HPos) -> TextStyle<'static> {
    font(pixels, color).pos(Pos::new(end, VPos::Center))
}

/// With room for labels to the left and below, in pixels.
fn framed<'a, 'b>(
    area: &'a Area<'b>,
    left: u32,
    below: u32,
) -> ChartBuilder<'a, 'static, SVGBackend<'b>> {
    let mut chart = ChartBuilder::on(area);
    chart
        .margin(6)
        .margin_right(36)
        .x_label_area_size(below)
        .y_label_area_size(left);
    chart
}

/// Lines and labels that stay behind what is shown.
fn calm<'m, 'a, 'b, 's, X: Ranged, Y: Ranged>(
    mesh: &'m mut MeshStyle<'a, 'b, X, Y, SVGBackend<'s>>,
) -> &'m mut MeshStyle<'a, 'b, X, Y, SVGBackend<'s>> {
    mesh.light_line_style(RULE.mix(0.0))
        .bold_line_style(RULE)
        .axis_style(RULE)
        .label_style(font(13, SOFT))
}

/// Height of a chart with so many rows, in pixels.
const fn height_of(n_rows: u32) -> u32 {
    n_rows * ROW + 50
}

fn fitted(name: &str) -> String {
    if name.chars().count() <= MOST_LETTERS {
        return name.to_owned();
    }
    let kept: String = name.chars().take(MOST_LETTERS - 3).collect();
    format!("{kept}...")
}

/// A value with its bounds beside a name; what is not known is not drawn.
pub struct Whisker {
    /// Beside the row.
    pub name: String,
    /// The dot.
    pub value: Option<f64>,
    /// Left end of the line.
    pub lower: f64,
    /// Right end of the line; `None` for ever.
    pub upper: Option<f64>,
}

/// Shares with bounds, a row each, from 0 to 100 %.
pub fn shares(name: &str, title: &str, rows: &[Whisker]) -> String {
    let rows = &rows[..rows.len().min(MOST_ROWS)];
    if rows.is_empty() {
        return String::new();
    }
    let said: Vec<String> = rows
        .iter()
        .filter_map(|row| Some(format!("{} {}", row.name, words::percent(row.value?))))
        .collect();
    let n_rows = u32::try_from(rows.len()).unwrap_or(1);
    made(name, title, &said.join("; "), height_of(n_rows), |area| {
        let mut chart =
            framed(area, NAMES, 26).build_cartesian_2d(0.0..100.0, 0.0..f64::from(n_rows))?;
        calm(&mut chart.configure_mesh())
            .disable_y_mesh()
            .disable_y_axis()
            .x_labels(6)
            .x_label_formatter(&|x| format!("{x:.0} %"))
            .draw()?;
        for (idx, row) in (0_u32..).zip(rows) {
            let y = f64::from(n_rows - idx) - 0.5;
            let (lower, upper) = (100.0 * row.lower, 100.0 * row.upper.unwrap_or(1.0));
            chart.draw_series([PathElement::new(
                [(lower, y), (upper, y)],
                MARK.stroke_width(2),
            )])?;
            if let Some(value) = row.value {
                chart.draw_series([Circle::new((100.0 * value, y), 5, MARK.filled())])?;
            }
            chart.draw_series([EmptyElement::at((0.0, y))
                + Text::new(fitted(&row.name), (-10, 0), beside(13, INK, HPos::Right))])?;
        }
        Ok(())
    })
}

/// Times with bounds, a row each, on a logarithmic axis of days.
pub fn times(name: &str, title: &str, rows: &[Whisker]) -> String {
    let rows = &rows[..rows.len().min(MOST_ROWS)];
    let ends = rows
        .iter()
        .flat_map(|row| [Some(row.lower), row.value, row.upper]);
    let ends: Vec<f64> = ends
        .flatten()
        .filter(|end| *end > 0.0 && end.is_finite())
        .collect();
    let least = ends.iter().copied().fold(f64::INFINITY, f64::min);
    let most = ends.iter().copied().fold(0.0, f64::max);
    if least > most {
        return String::new();
    }
    // Whole tens, so that the axis has labels.
    let (least, most) = (
        10_f64.powf(least.log10().floor()),
        10_f64.powf(most.log10().ceil()).max(least * 10.0),
    );
    let said: Vec<String> = rows
        .iter()
        .map(|row| match row.value {
            Some(value) => format!("{} {} days", row.name, words::rounded(value)),
            None => format!("{} over {} days", row.name, words::rounded(row.lower)),
        })
        .collect();
    let n_rows = u32::try_from(rows.len()).unwrap_or(1);
    made(name, title, &said.join("; "), height_of(n_rows), |area| {
        let mut chart = framed(area, NAMES, 26)
            .build_cartesian_2d((least..most).log_scale(), 0.0..f64::from(n_rows))?;
        calm(&mut chart.configure_mesh())
            .disable_y_mesh()
            .disable_y_axis()
            .x_label_formatter(&|x| format!("{} d", words::rounded(*x)))
            .draw()?;
        for (idx, row) in (0_u32..).zip(rows) {
            let y = f64::from(n_rows - idx) - 0.5;
            let from = row.lower.max(least);
            let to = row.upper.unwrap_or(most);
            let line = MARK.mix(if row.upper.is_some() { 1.0 } else { 0.45 });
            chart.draw_series([PathElement::new([(from, y), (to, y)], line.stroke_width(2))])?;
            if let Some(value) = row.value {
                chart.draw_series([Circle::new((value, y), 5, MARK.filled())])?;
            }
            chart.draw_series([EmptyElement::at((least, y))
                + Text::new(fitted(&row.name), (-10, 0), beside(13, INK, HPos::Right))])?;
        }
        Ok(())
    })
}

/// Counts, a bar each, with their cumulated share.
pub fn pareto(name: &str, title: &str, actors: &[v1::BadActor]) -> String {
    let actors = &actors[..actors.len().min(MOST_ROWS)];
    let Some(most) = actors.iter().map(|actor| actor.n_failures).max() else {
        return String::new();
    };
    let said: Vec<String> = actors
        .iter()
        .map(|actor| format!("{} {}", actor.name, actor.n_failures))
        .collect();
    let n_rows = u32::try_from(actors.len()).unwrap_or(1);
    made(name, title, &said.join("; "), height_of(n_rows), |area| {
        let mut chart = framed(area, NAMES, 26)
            .build_cartesian_2d(0.0..most as f64 * 1.2, 0.0..f64::from(n_rows))?;
        calm(&mut chart.configure_mesh())
            .disable_y_mesh()
            .disable_y_axis()
            .x_labels(6)
            .x_label_formatter(&|x| words::rounded(*x))
            .x_desc("failures")
            .draw()?;
        for (idx, actor) in (0_u32..).zip(actors) {
            let top = f64::from(n_rows - idx);
            let length = actor.n_failures as f64;
            let corners = [(0.0, top - 0.8), (length, top - 0.2)];
            chart.draw_series([Rectangle::new(corners, MARK.filled())])?;
            let shown = format!(
                "{}, so far {}",
                actor.n_failures,
                words::percent(actor.cumulated)
            );
            chart.draw_series([EmptyElement::at((length, top - 0.5))
                + Text::new(shown, (8, 0), beside(12, SOFT, HPos::Left))])?;
            chart.draw_series([EmptyElement::at((0.0, top - 0.5))
                + Text::new(fitted(&actor.name), (-10, 0), beside(13, INK, HPos::Right))])?;
        }
        Ok(())
    })
}

/// Alerts a day beside the standard's two figures.
pub fn days(name: &str, title: &str, load: &v1::DeskLoad, (good, most): (f64, f64)) -> String {
    let highest = load.days.iter().map(|day| day.n_alerts).max().unwrap_or(0) as f64;
    // One bar says no more than the table.
    if load.days.len() < 2 {
        return String::new();
    }
    let n_days = u32::try_from(load.days.len()).unwrap_or(u32::MAX);
    // The lines are worth their room only when the bars come near them.
    let top = if highest > good / 3.0 {
        highest.max(most) * 1.08
    } else {
        (highest * 1.2).max(1.0)
    };
    let first = super::told::minute(load.from_unix_ms);
    let says = format!("{n_days} days from {first}; the busiest has {highest} alerts");
    made(name, title, &says, 260, |area| {
        let mut chart =
            framed(area, 56, 40).build_cartesian_2d(0.0..f64::from(n_days), 0.0..top)?;
        let day_at = |x: f64| {
            let idx = (0_u32..)
                .zip(&load.days)
                .find(|(idx, _)| f64::from(*idx) >= x.floor());
            idx.map_or_else(String::new, |(_, day)| {
                super::told::minute(day.start_unix_ms)
                    .chars()
                    .take(10)
                    .collect()
            })
        };
        calm(&mut chart.configure_mesh())
            .disable_x_mesh()
            .x_labels(load.days.len().min(6))
            .x_label_formatter(&|x| day_at(*x))
            .y_desc("alerts a day")
            .draw()?;
        for (idx, day) in (0_u32..).zip(&load.days) {
            let left = f64::from(idx);
            let bar = [(left + 0.1, 0.0), (left + 0.9, day.n_alerts as f64)];
            let color = if day.n_alerts as f64 > most {
                OVER
            } else {
                MARK
            };
            chart.draw_series([Rectangle::new(bar, color.filled())])?;
        }
        for (limit, says) in [(good, "acceptable"), (most, "the most")] {
            if limit < top {
                let right = f64::from(n_days);
                let ends = [(0.0, limit), (right, limit)];
                chart.draw_series([PathElement::new(ends, OVER.stroke_width(1))])?;
                chart.draw_series([EmptyElement::at((right, limit))
                    + Text::new(says, (-6, -9), beside(12, OVER, HPos::Right))])?;
            }
        }
        Ok(())
    })
}

/// Failures that came so far over the exposure of the fleet, with the power law.
pub fn growth(name: &str, title: &str, group: &v1::FailureGroup) -> String {
    let n = group.failed_at_days.len() as f64;
    if group.failed_at_days.is_empty() || group.exposure_days <= 0.0 {
        return String::new();
    }
    let says = format!(
        "{n} failures over {} unit-days; {}",
        words::rounded(group.exposure_days),
        words::trend(group.trend.as_ref())
    );
    made(name, title, &says, 300, |area| {
        let mut chart =
            framed(area, 56, 40).build_cartesian_2d(0.0..group.exposure_days, 0.0..n * 1.08)?;
        calm(&mut chart.configure_mesh())
            .x_labels(6)
            .x_label_formatter(&|x| words::rounded(*x))
            .x_desc("unit-days of the fleet together")
            .y_desc("failures so far")
            .draw()?;
        let mut steps = vec![(0.0, 0.0)];
        for (idx, at) in (0_u32..).zip(&group.failed_at_days) {
            steps.push((*at, f64::from(idx)));
            steps.push((*at, f64::from(idx) + 1.0));
        }
        steps.push((group.exposure_days, n));
        chart.draw_series(LineSeries::new(steps, MARK.stroke_width(2)))?;
        if let Some(law) = &group.growth {
            let curve = (0_u32..=100).map(|part| {
                let at = group.exposure_days * f64::from(part) / 100.0;
                (at, law.scale * at.powf(law.exponent))
            });
            chart.draw_series(LineSeries::new(curve, OVER.stroke_width(1)))?;
        }
        Ok(())
    })
}

/// Lives of a component: the share still good by age, as found and as fitted.
pub fn lives(name: &str, title: &str, lives: &v1::Lives) -> String {
    let Some(fit) = lives.weibull.as_ref() else {
        return String::new();
    };
    let (Some(shape), Some(scale)) = (
        fit.shape.and_then(|shape| shape.value),
        fit.scale_days.and_then(|scale| scale.value),
    ) else {
        return String::new();
    };
    let last = lives.ranks.last().map_or(scale, |rank| rank.days);
    let until = last.max(scale) * 1.15;
    let says = words::lives(Some(lives));
    made(name, title, &says, 300, |area| {
        let mut chart = framed(area, 56, 40).build_cartesian_2d(0.0..until, 0.0..100.0)?;
        calm(&mut chart.configure_mesh())
            .x_labels(6)
            .x_label_formatter(&|x| words::rounded(*x))
            .x_desc("days of work since the repair")
            .y_desc("still good, %")
            .draw()?;
        let curve = (0_u32..=100).map(|part| {
            let at = until * f64::from(part) / 100.0;
            (at, 100.0 * (-(at / scale).powf(shape)).exp())
        });
        chart.draw_series(LineSeries::new(curve, OVER.stroke_width(2)))?;
        let points = lives.ranks.iter();
        chart
            .draw_series(points.map(|rank| {
                Circle::new((rank.days, 100.0 * (1.0 - rank.share)), 4, MARK.filled())
            }))?;
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn charts_say_in_words_what_they_show_and_take_the_page_s_colours() {
        let rows = [Whisker {
            name: "oil <hot>".to_owned(),
            value: Some(0.75),
            lower: 0.36,
            upper: Some(0.94),
        }];
        let svg = shares("right", "Right & wrong", &rows);
        assert!(svg.starts_with("<svg "), "{svg}");
        assert!(svg.contains("<title id=\"right-title\">Right &#38; wrong</title>"));
        assert!(svg.contains("<desc id=\"right-says\">oil &#60;hot&#62; 75 %</desc>"));
        assert!(svg.contains("var(--mark)") && !svg.contains("#0A0B0C"));
        // The page's policy lets no style in.
        assert!(!svg.contains("style="), "{svg}");
        assert!(!svg.contains("<hot>"), "{svg}");
        assert_eq!(shares("none", "None", &[]), "");
    }

    #[test]
    fn times_of_which_only_a_bound_is_known_are_drawn_to_the_edge() {
        let rows = [
            Whisker {
                name: "fan".to_owned(),
                value: None,
                lower: 434.0,
                upper: None,
            },
            Whisker {
                name: "pump".to_owned(),
                value: Some(40.0),
                lower: 20.0,
                upper: Some(90.0),
            },
        ];
        let svg = times("times", "Days between failures", &rows);
        assert!(svg.contains("fan over 434 days; pump 40 days"), "{svg}");
        assert!(svg.contains("10 d") && svg.contains("1000 d"), "{svg}");
        assert_eq!(times("none", "None", &[]), "");
    }
}
