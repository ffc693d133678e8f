//! How long the service takes from a `kill -9` to serving again, with so much stored.

use crate::child::Serving;
use crate::fleet::{self, BATCH_S, Maker};
use anyhow::Context;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use wheeltap_client::{Gateway, GatewayOptions, MemorySpool, connect, connect_lazy};
use wheeltap_proto::v1;

const N_UNITS: usize = 500;
/// Batches of a unit between two looks at the folder.
const BATCHES_A_ROUND: usize = 10;

#[derive(clap::Args)]
pub struct Args {
    /// Bytes on disk to reach first, in millions
    #[arg(long, default_value_t = 1_000)]
    megabytes: u64,
    /// How often to kill
    #[arg(long, default_value_t = 5)]
    rounds: u32,
}

fn folder_bytes(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|entry| match entry.metadata() {
            Ok(metadata) if metadata.is_dir() => folder_bytes(&entry.path()),
            Ok(metadata) => metadata.len(),
            Err(_) => 0,
        })
        .sum()
}

#[expect(clippy::print_stdout, reason = "the report")]
pub async fn run(args: &Args) -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    // Fixed for all rounds, so that the gateway finds the service again.
    let port = std::net::TcpListener::bind("127.0.0.1:0")?
        .local_addr()?
        .port();
    let listen = format!("127.0.0.1:{port}");
    let config = fleet::write_config(folder.path(), &listen, N_UNITS)?;
    let config = config.to_string_lossy().into_owned();
    let data = folder.path().join("data");
    let mut serving = Serving::start(&["serve", "--config", &config]).await?;
    let gateway = Gateway::start(
        connect_lazy(&serving.address)?,
        GatewayOptions {
            first_backoff: Duration::from_millis(20),
            longest_backoff: Duration::from_millis(500),
            ..GatewayOptions::default()
        },
        |_| {},
    );
    let now_ms = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis())?;
    let minute_ms = BATCH_S * 1_000;
    // Far enough back for a gigabyte of minutes.
    let start_ms = (now_ms - 20 * 86_400_000) / minute_ms * minute_ms;
    let mut sources = Vec::new();
    for number in 0..N_UNITS {
        let source = gateway.add(fleet::unit(number), MemorySpool::new(1 << 20))?;
        sources.push((source, Maker::new(number, start_ms)?));
    }
    let mut n_samples = 0_u64;
    let target = args.megabytes * 1_000_000;
    while folder_bytes(&data) < target {
        n_samples += send_round(&mut sources).await?;
    }
    gateway.drained().await;
    println!(
        "{} MB on disk, {n_samples} samples of {N_UNITS} units",
        folder_bytes(&data) / 1_000_000
    );
    let mut times = Vec::new();
    for round in 1..=args.rounds {
        // Killed while it takes samples in, as a power cut would.
        let sending = async { send_round(&mut sources).await };
        let killing = async {
            tokio::time::sleep(Duration::from_millis(200)).await;
            serving.kill().await
        };
        let (killed, starting) = {
            let mut killed = None;
            let config = config.clone();
            let restarting = async {
                killing.await?;
                killed = Some(Instant::now());
                Serving::start(&["serve", "--config", &config]).await
            };
            let (sent, started) = tokio::join!(sending, restarting);
            sent?;
            (killed.context("it was killed")?, started?)
        };
        serving = starting;
        let served_after = first_answer(&serving.address, killed).await?;
        println!(
            "round {round}: serving {:.2} s after the kill",
            served_after.as_secs_f64()
        );
        times.push(served_after);
        gateway.drained().await;
    }
    times.sort_unstable();
    println!(
        "restart after kill -9: median {:.2} s, longest {:.2} s",
        times[times.len() / 2].as_secs_f64(),
        times[times.len() - 1].as_secs_f64()
    );
    gateway.stop().await;
    serving.kill().await
}

async fn send_round(sources: &mut [(wheeltap_client::Source, Maker)]) -> anyhow::Result<u64> {
    let mut n_samples = 0;
    for (source, maker) in sources {
        for _ in 0..BATCHES_A_ROUND {
            let batch = maker.next()?.batch;
            n_samples += u64::from(batch.n_samples);
            source.append(vec![batch]).await?;
        }
    }
    Ok(n_samples)
}

/// Time since `from` at which the service first answers a call that needs its store.
async fn first_answer(address: &str, from: Instant) -> anyhow::Result<Duration> {
    loop {
        if let Ok(connection) = connect(address).await {
            let request = v1::ListUnitsRequest {
                page_size: 1,
                ..v1::ListUnitsRequest::default()
            };
            if connection.fleet().list_units(request).await.is_ok() {
                return Ok(from.elapsed());
            }
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}
