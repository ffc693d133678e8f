//! Says what waits at a service point: each unit that comes in, its work against the stop, and what is left
//! though due.
//!
//!     cargo run -p wheeltap-client --example turnaround -- http://127.0.0.1:7417 "Burbot Yard"

use futures::TryStreamExt;
use std::error::Error;
use wheeltap_client::connect;
use wheeltap_proto::v1;

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let address = args.next().unwrap_or("http://127.0.0.1:7417".to_owned());
    let point = args.next().unwrap_or("Burbot Yard".to_owned());
    let connection = connect(&address).await?;
    let filter = v1::ArrivalFilter {
        point: format!("points/{point}"),
        ..v1::ArrivalFilter::default()
    };
    let mut arrivals = connection.list_arrivals(filter);
    while let Some(arrival) = arrivals.try_next().await? {
        let request = v1::GetSheetRequest {
            arrival: arrival.name,
            ..v1::GetSheetRequest::default()
        };
        let sheet = connection
            .turnaround()
            .get_sheet(request)
            .await?
            .into_inner();
        println!(
            "{}: {} of {} min",
            arrival.unit, sheet.planned_minutes, sheet.stop_minutes
        );
        for task in sheet.tasks {
            match (task.verdict(), task.may_wait) {
                (v1::TaskVerdict::Do, _) => println!("  do    {}", task.title),
                (_, Some(true)) => println!("  wait  {}", task.title),
                _ => println!("  ask   {}: {}", task.title, task.why),
            }
        }
    }
    Ok(())
}
