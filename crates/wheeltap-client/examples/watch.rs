//! Prints every change of an alert, through restarts of the service, and keeps its place in a file.
//!
//! ```text
//! cargo run -p wheeltap-client --example watch -- http://127.0.0.1:7417 place
//! ```

use futures::StreamExt;
use std::fs;
use wheeltap_client::{WatchItem, connect, watch_alerts};
use wheeltap_proto::v1::AlertFilter;

/// In one step, so that a kill leaves the old place or the new one.
fn keep(place: &str, cursor: &str) -> std::io::Result<()> {
    let fresh = format!("{place}.new");
    fs::write(&fresh, cursor)?;
    fs::rename(fresh, place)
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(address), Some(place)) = (args.next(), args.next()) else {
        return Err("give the service's address and a file for the place".into());
    };
    let connection = connect(&address).await?;
    let cursor = fs::read_to_string(&place).ok();
    let mut items = watch_alerts(&connection, AlertFilter::default(), cursor);
    while let Some(item) = items.next().await {
        match item? {
            WatchItem::Change {
                kind,
                alert,
                cursor,
            } => {
                println!("{kind:?}  {}  {}  {}", alert.name, alert.unit, alert.title);
                // Kept after the change was dealt with, so that a kill repeats it and loses nothing.
                keep(&place, &cursor)?;
            }
            WatchItem::UpToDate { at_unix_ms, cursor } => {
                eprintln!("up to date at {at_unix_ms}");
                keep(&place, &cursor)?;
            }
            other => eprintln!("{other:?}"),
        }
    }
    Ok(())
}
