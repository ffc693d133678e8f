//! The shops of the invented railway: their book of the years before, and what they find of the day's alerts.
//! Both go through the same calls as a work-order system would make.

use super::file;
use crate::{
    Stop,
    output::{counted, note},
    remote::{answer, tail},
};
use futures::{StreamExt, TryStreamExt, stream};
use wheeltap_client::Connection;
use wheeltap_model::{EventTime, FindingKind, UnitId};
use wheeltap_proto::{convert, v1};
use wheeltap_sim::{Past, PastDefect, PastFile, Railway};

/// Units whose books are handed over at once.
const AT_ONCE: usize = 16;
/// Until when of the day units came to a shop; what was called later is still open.
const LOOKED_AT_MS: i64 = 12 * 3_600_000;

/// Hands over the book, unit by unit.
pub async fn hand_over_past(connection: &Connection, railway: &Railway) -> Result<(), Stop> {
    let past = PastFile::parse("past.toml", file("past.toml")?)?;
    let settings = railway.settings();
    let drawn: Vec<(UnitId, Past)> = railway
        .units()
        .iter()
        .map(|sim| {
            let unit = &sim.unit;
            let drawn = past.draw(settings.seed, &unit.id, &unit.class, settings.start);
            (unit.id.clone(), drawn)
        })
        .collect();
    let n_defects: usize = drawn.iter().map(|(_, past)| past.defects.len()).sum();
    stream::iter(drawn)
        .map(|(unit, past)| hand_over(connection.clone(), unit, past))
        .buffer_unordered(AT_ONCE)
        .try_collect::<Vec<()>>()
        .await?;
    note(format!(
        "the shops' book of {} days before: {}\n",
        past.days,
        counted(n_defects, "defect")
    ));
    Ok(())
}

async fn hand_over(connection: Connection, unit: UnitId, past: Past) -> Result<(), Stop> {
    let name = convert::unit_name(&unit);
    let mut fleet = connection.fleet();
    for dated in past.states {
        let request = v1::RecordUnitStateRequest {
            name: name.clone(),
            from_unix_ms: dated.from.unix_ms(),
            state: convert::unit_state_to_wire(dated.value).into(),
            source: dated.source,
        };
        answer(fleet.record_unit_state(request).await)?;
    }
    let mut defects = connection.defects();
    for defect in past.defects {
        let PastDefect {
            system,
            component,
            origin,
            title,
            first_sign_at,
            finding,
            note,
            repaired_at,
        } = defect;
        let reported = v1::ReportDefectRequest {
            defect: Some(v1::Defect {
                unit: name.clone(),
                system,
                component,
                origin: convert::defect_origin_to_wire(origin).into(),
                title,
                priority: v1::Priority::Medium.into(),
                first_sign_unix_ms: first_sign_at.unix_ms(),
                ..v1::Defect::default()
            }),
            request_id: String::new(),
        };
        let reported = answer(defects.report_defect(reported).await)?;
        record(&connection, reported.name, finding, &note, repaired_at).await?;
    }
    Ok(())
}

async fn record(
    connection: &Connection,
    name: String,
    kind: FindingKind,
    note: &str,
    repaired_at: EventTime,
) -> Result<(), Stop> {
    let request = v1::RecordFindingRequest {
        name,
        finding: Some(v1::Finding {
            kind: convert::finding_kind_to_wire(kind).into(),
            note: note.to_owned(),
            repaired_unix_ms: repaired_at.unix_ms(),
            ..v1::Finding::default()
        }),
        ..v1::RecordFindingRequest::default()
    };
    answer(connection.defects().record_finding(request).await)?;
    Ok(())
}

/// The shops look at what was called in the first half of the day, and find what was planted in the
/// physics, or nothing.
pub async fn find(connection: &Connection, railway: &Railway) -> Result<(), Stop> {
    let settings = railway.settings();
    let open = v1::DefectFilter {
        status: v1::DefectStatus::Suspected.into(),
        ..v1::DefectFilter::default()
    };
    let open: Vec<v1::Defect> = connection.list_defects(open).try_collect().await?;
    let day_ends = settings.start.plus_ms(1_000 * settings.duration_s);
    let looked_at = settings.start.plus_ms(LOOKED_AT_MS).unix_ms();
    for defect in open {
        if defect.first_sign_unix_ms >= looked_at {
            continue;
        }
        let (kind, said) = found(railway, &defect);
        record(connection, defect.name, kind, said, day_ends).await?;
    }
    Ok(())
}

fn found<'a>(railway: &'a Railway, defect: &v1::Defect) -> (FindingKind, &'a str) {
    let unit = tail(&defect.unit);
    let planted = railway
        .failures()
        .iter()
        .filter(|failure| failure.unit.as_str() == unit);
    let mut explained = (FindingKind::NoFaultFound, "Tested, in order.");
    for failure in planted {
        if failure.component == defect.component {
            return (FindingKind::AsCalled, &failure.finding);
        }
        if failure.also.contains(&defect.component) {
            explained = (FindingKind::AnotherFault, &failure.finding);
        }
    }
    explained
}
