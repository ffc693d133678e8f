//! Sends one minute of engine speed of one unit, and says what became of it.
//!
//! ```text
//! wheeltap serve &
//! cargo run -p wheeltap-client --example ingest -- http://127.0.0.1:7417 "ZVR 4117" spool
//! ```

use std::time::{SystemTime, UNIX_EPOCH};
use wheeltap_client::{
    BatchBuilder, DiskSpool, DiskSpoolOptions, Gateway, GatewayOptions, Packing, connect_lazy,
};
use wheeltap_model::{ChannelName, UnitId};

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(address), Some(unit), Some(folder)) = (args.next(), args.next(), args.next()) else {
        return Err("give the service's address, the unit and a folder for the spool".into());
    };
    // Takes telemetry whether or not the service is up; what was left by an earlier run goes too.
    let spool = DiskSpool::open(folder, DiskSpoolOptions::default())?;
    let gateway = Gateway::start(
        connect_lazy(&address)?,
        GatewayOptions::default(),
        |event| eprintln!("{event:?}"),
    );
    let source = gateway.add(UnitId::new(&unit)?, spool)?;

    let now_ms = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())?;
    let times: Vec<i64> = (0..60)
        .map(|second| now_ms - 60_000 + second * 1_000)
        .collect();
    let speeds: Vec<f64> = (0..60)
        .map(|second| 450.0 + f64::from(second % 4))
        .collect();
    let mut builder = BatchBuilder::new(Packing::Zstd);
    builder.samples(
        &ChannelName::new("engine.speed")?,
        "/min",
        &times,
        &speeds,
        &[],
    )?;
    source.append(builder.build()?).await?;
    source.drained().await;
    gateway.stop().await;
    Ok(())
}
