//! `wheeltap quarantine`: batches that the service set aside.

use crate::{
    Outcome, Stop,
    args::{QuarantineArgs, QuarantineCommand, QuarantineListArgs},
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, short_instant, tail},
};
use serde::Serialize;
use wheeltap_proto::v1;

/// One batch as printed by `--json`.
#[derive(Serialize)]
struct Line<'a> {
    batch: u64,
    unit: &'a str,
    sequence: u64,
    received_at: String,
    reason: &'a str,
    message: &'a str,
    size_bytes: u32,
}

pub fn run(command: &QuarantineCommand) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            QuarantineCommand::List(args) => list(args).await,
            QuarantineCommand::Release(args) => release(args).await,
            QuarantineCommand::Delete(args) => delete(args).await,
        }
    })
}

async fn list(args: &QuarantineListArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let mut batches: Vec<v1::QuarantinedBatch> = Vec::new();
    let mut request = v1::ListQuarantinedBatchesRequest::default();
    // One that is put off comes again within half a minute, so this is now or was overcome.
    let put_off_unix_ms = loop {
        let asked = connection
            .ingest()
            .list_quarantined_batches(request.clone())
            .await;
        let page = answer(asked)?;
        batches.extend(page.quarantined_batches);
        if page.next_page_token.is_empty() {
            break page.put_off_unix_ms;
        }
        request.page_token = page.next_page_token;
    };
    let mut out = Out::new();
    if args.ask.json {
        for batch in &batches {
            out.json(&Line {
                batch: tail(&batch.name).parse().unwrap_or(0),
                unit: tail(&batch.unit),
                sequence: batch.sequence,
                received_at: instant(batch.received_unix_ms),
                reason: &batch.reason,
                message: &batch.message,
                size_bytes: batch.size_bytes,
            })?;
        }
    } else if !batches.is_empty() {
        let row = |batch: &v1::QuarantinedBatch| {
            vec![
                tail(&batch.name).to_owned(),
                short_instant(batch.received_unix_ms),
                tail(&batch.unit).to_owned(),
                batch.reason.clone(),
                batch.message.clone(),
            ]
        };
        let head = ["no.", "received", "unit", "reason", "what and where"];
        out.table(&head, batches.iter().map(row).collect())?;
    }
    out.flush()?;
    if !args.ask.json {
        note(format!("{} in quarantine", counted(batches.len(), "batch")));
        if let Some(at) = put_off_unix_ms {
            note(format!(
                "it was full: at {} a bad batch was put off, which waits at its gateway; release or delete some",
                instant(at)
            ));
        }
    }
    Ok(Outcome::Fine)
}

/// Goes on after a refusal, so that one bad batch does not hold up the others.
async fn release(args: &QuarantineArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let mut outcome = Outcome::Fine;
    for number in &args.numbers {
        let request = v1::ReleaseQuarantinedBatchRequest {
            name: format!("quarantinedBatches/{number}"),
        };
        match answer(connection.ingest().release_quarantined_batch(request).await) {
            Ok(released) => note(format!(
                "batch {number} is released: {} stored",
                counted(released.n_stored as usize, "sample")
            )),
            Err(error) => outcome = refused(*number, &error),
        }
    }
    Ok(outcome)
}

async fn delete(args: &QuarantineArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let mut outcome = Outcome::Fine;
    for number in &args.numbers {
        let request = v1::DeleteQuarantinedBatchRequest {
            name: format!("quarantinedBatches/{number}"),
        };
        match answer(connection.ingest().delete_quarantined_batch(request).await) {
            Ok(_) => note(format!("batch {number} is deleted")),
            Err(error) => outcome = refused(*number, &error),
        }
    }
    Ok(outcome)
}

fn refused(number: u64, error: &anyhow::Error) -> Outcome {
    note(format!("batch {number}: {error}"));
    Outcome::Findings
}
