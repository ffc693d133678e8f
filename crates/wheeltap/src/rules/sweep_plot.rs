//! The plot of a sweep: failures found against alerts a day, or alerts a day against the parameter.

use super::sweep::Swept;
use crate::Stop;
use anyhow::{Context, anyhow};
use plotters::prelude::{
    ChartBuilder, Circle, Color, EmptyElement, IntoDrawingArea, IntoFont, LineSeries, RGBColor,
    SVGBackend, Text, WHITE,
};
use std::fmt::Write as _;
use std::path::Path;

const SIZE: (u32, u32) = (900, 520);
const INK: RGBColor = RGBColor(40, 44, 52);
const FAINT: RGBColor = RGBColor(150, 156, 166);
const LINE: RGBColor = RGBColor(0, 92, 150);
const FORCE: RGBColor = RGBColor(176, 72, 0);

fn is_html(path: &Path) -> bool {
    path.extension().is_some_and(|ext| ext == "html")
}

/// Refuses a name that says neither SVG nor HTML, before any work is done.
pub fn check_name(path: &Path) -> Result<(), Stop> {
    if is_html(path) || path.extension().is_some_and(|ext| ext == "svg") {
        return Ok(());
    }
    Err(Stop::Usage(anyhow!(
        "--plot {}: name a file that ends in .svg or .html",
        path.display()
    )))
}

/// Draws it into a file.
pub fn write(path: &Path, swept: &Swept) -> anyhow::Result<()> {
    let svg = svg(swept)?;
    let text = if is_html(path) {
        page(swept, &svg)
    } else {
        svg
    };
    std::fs::write(path, text).with_context(|| format!("{} could not be written", path.display()))
}

/// A point of the plot for each combination.
fn points(swept: &Swept) -> Vec<(f64, f64)> {
    swept
        .tried
        .iter()
        .map(|tried| match tried.recall() {
            Some(recall) => (tried.forecast.per_day, 100.0 * recall),
            None => (
                tried.values.first().copied().unwrap_or_default(),
                tried.forecast.per_day,
            ),
        })
        .collect()
}

fn svg(swept: &Swept) -> anyhow::Result<String> {
    let mut svg = String::new();
    draw(swept, &mut svg).map_err(|error| anyhow!("the plot could not be drawn: {error}"))?;
    Ok(svg)
}

fn draw(swept: &Swept, into: &mut String) -> Result<(), Box<dyn std::error::Error>> {
    let points = points(swept);
    let is_scored = !swept.best.is_empty();
    let first = swept.params.first();
    let (x_says, y_says) = if is_scored {
        ("alerts a day".to_owned(), "failures found, %")
    } else {
        let named = first.map_or_else(String::new, |param| {
            format!("{}, {}", param.name, param.ucum)
        });
        (named, "alerts a day")
    };
    let (least, most) = points
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(least, most), (x, _)| {
            (least.min(*x), most.max(*x))
        });
    let highest = points.iter().fold(0.0_f64, |most, (_, y)| most.max(*y));
    let xs = if is_scored {
        0.0..(most * 1.08).max(0.1)
    } else {
        let margin = ((most - least) * 0.04).max(0.01);
        least - margin..most + margin
    };
    let ys = if is_scored {
        0.0..104.0
    } else {
        0.0..(highest * 1.08).max(0.1)
    };
    let root = SVGBackend::with_string(into, SIZE).into_drawing_area();
    root.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&root)
        .caption(&swept.rule, ("sans-serif", 20).into_font().color(&INK))
        .margin(16)
        .x_label_area_size(44)
        .y_label_area_size(56)
        .build_cartesian_2d(xs, ys)?;
    chart
        .configure_mesh()
        .light_line_style(WHITE)
        .bold_line_style(FAINT.mix(0.25))
        .axis_style(INK)
        .label_style(("sans-serif", 14).into_font().color(&INK))
        .x_desc(x_says)
        .y_desc(y_says)
        .draw()?;
    let dot = |at: (f64, f64)| Circle::new(at, 3, FAINT.filled());
    chart.draw_series(points.iter().map(|at| dot(*at)))?;
    let best: Vec<(f64, f64)> = swept.best.iter().map(|idx| points[*idx]).collect();
    chart.draw_series(LineSeries::new(best.iter().copied(), LINE.stroke_width(2)))?;
    chart.draw_series(best.iter().map(|at| Circle::new(*at, 4, LINE.filled())))?;
    for (idx, color, radius, says) in [
        (swept.in_force, FORCE, 7, "as written"),
        (swept.knee, LINE, 11, "knee"),
    ] {
        let Some(idx) = idx else { continue };
        let label = format!("{says}: {}", values(swept, idx));
        let (x, y) = points[idx];
        // Beside the point, on the side where there is room.
        let is_right = x > 0.6 * most;
        let shift = if is_right {
            -14 - 7 * i32::try_from(label.len())?
        } else {
            14
        };
        let below = if says == "knee" { 10 } else { -18 };
        chart.draw_series(std::iter::once(
            EmptyElement::at((x, y))
                + Circle::new((0, 0), radius, color.stroke_width(2))
                + Text::new(
                    label,
                    (shift, below),
                    ("sans-serif", 14).into_font().color(&color),
                ),
        ))?;
    }
    root.present()?;
    Ok(())
}

fn values(swept: &Swept, idx: usize) -> String {
    let pairs = swept.params.iter().zip(&swept.tried[idx].values);
    let words: Vec<String> = pairs
        .map(|(param, value)| format!("{} {}", param.name, param.told(*value)))
        .collect();
    words.join(", ")
}

/// Text that means itself in HTML.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

fn page(swept: &Swept, svg: &str) -> String {
    let mut rows = String::new();
    let cells = |tag: &str, cells: &[String]| {
        let cells: Vec<String> = cells
            .iter()
            .map(|cell| format!("<{tag}>{}</{tag}>", escaped(cell)))
            .collect();
        cells.concat()
    };
    let mut shown: Vec<usize> = (0..swept.tried.len()).collect();
    shown.sort_by(|a, b| {
        let load = |idx: &usize| swept.tried[*idx].forecast.per_day;
        load(a).total_cmp(&load(b))
    });
    for idx in shown {
        let class = if swept.knee == Some(idx) || swept.in_force == Some(idx) {
            " class=\"marked\""
        } else if swept.best.contains(&idx) {
            " class=\"best\""
        } else {
            ""
        };
        // Writing to a string does not fail.
        let _ = writeln!(rows, "<tr{class}>{}</tr>", cells("td", &swept.row(idx)));
    }
    format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{rule}: sweep</title>\n<style>\n\
         body {{ font: 15px/1.4 sans-serif; margin: 2em auto; max-width: 900px; color: #282c34; background: #fff }}\n\
         table {{ border-collapse: collapse; font-variant-numeric: tabular-nums }}\n\
         th, td {{ text-align: right; padding: 2px 12px }} th {{ border-bottom: 1px solid }}\n\
         td {{ color: #5c6370 }} .best td {{ color: #005c96 }} .marked td {{ color: #282c34; font-weight: bold }}\n\
         svg {{ max-width: 100%; height: auto }}\n\
         </style></head><body>\n{svg}\n<p>{rule}, {from} to {until}: {n} combinations. \
         The line joins those that no other beats in failures found and alerts a day.</p>\n\
         <table><thead><tr>{head}</tr></thead><tbody>\n{rows}</tbody></table>\n</body></html>\n",
        rule = escaped(&swept.rule),
        from = swept.from,
        until = swept.until,
        n = swept.tried.len(),
        head = cells("th", &swept.head()),
    )
}
