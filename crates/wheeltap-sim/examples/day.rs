//! Prints what each channel did over the demonstration's day: count, least, mean, greatest.
//!
//! Usage: `cargo run --release -p wheeltap-sim --example day [UNIT] [SEASON]`

use std::collections::BTreeMap;
use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_sim::{Failures, Railway, RailwayFile, Season, Settings};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let unit = args.next();
    let season = args.next();
    let season = Season::ALL
        .into_iter()
        .find(|(_, word)| season.as_deref() == Some(*word))
        .map_or(Season::Spring, |(season, _)| season);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data");
    let read = |name: &str| std::fs::read_to_string(folder.join(name));
    let file = RailwayFile::parse("railway.toml", &read("railway.toml")?)?;
    let failures = Failures::parse("failures.toml", &read("failures.toml")?)?;
    let files = [("catalogue.toml".to_owned(), read("catalogue.toml")?)];
    let catalogue = Catalogue::with_files(&files).map_err(|problems| problems[0].clone())?;
    let settings = Settings {
        weather: season.weather(),
        ..Settings::default()
    };
    let railway = Railway::new(settings, &file, &failures.failure, &catalogue)?;
    let mut channels: BTreeMap<String, (usize, f64, f64, f64)> = BTreeMap::new();
    let (mut samples, mut events) = (0, 0);
    for (idx, sim_unit) in railway.units().iter().enumerate() {
        if unit
            .as_deref()
            .is_some_and(|unit| unit != "all" && unit != sim_unit.unit.id.as_str())
        {
            continue;
        }
        railway.run_unit(idx, &mut |delivery| {
            events += delivery.batch.events.len();
            for column in &delivery.batch.columns {
                samples += column.values.len();
                let name = catalogue
                    .by_id(column.channel)
                    .map(|def| def.name.to_string());
                let entry = channels.entry(name.unwrap_or_default()).or_insert((
                    0,
                    f64::INFINITY,
                    0.0,
                    f64::NEG_INFINITY,
                ));
                for value in &column.values {
                    entry.0 += 1;
                    entry.1 = entry.1.min(*value);
                    entry.2 += *value;
                    entry.3 = entry.3.max(*value);
                }
            }
        });
    }
    for (name, (count, least, sum, most)) in &channels {
        println!(
            "{name:40} {count:9} {least:10.2} {:10.2} {most:10.2}",
            sum / *count as f64
        );
    }
    println!("{samples} samples, {events} events");
    Ok(())
}
