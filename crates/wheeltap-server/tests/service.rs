//! Promise: every call passes the access table, pages keep AIP-158, and what was stored and
//! recorded is read back as it is.
#![expect(
    clippy::too_many_lines,
    reason = "a table of cases is read from top to bottom"
)]

mod common;

use common::{Gateway, NOW_MS, Served, batch_of, column, unit, usual_schema};
use std::sync::Arc;
use tonic::{Code, Status};
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_check_response::ServingStatus;
use tonic_health::pb::health_client::HealthClient;
use tonic_reflection::pb::v1::ServerReflectionRequest;
use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
use tonic_reflection::pb::v1::server_reflection_request::MessageRequest;
use tonic_reflection::pb::v1::server_reflection_response::MessageResponse;
use tonic_types::StatusExt;
use wheeltap_model::{Actor, Role};
use wheeltap_proto::v1;
use wheeltap_proto::v1::fleet_service_client::FleetServiceClient;
use wheeltap_proto::v1::stream_telemetry_request::Item as Asked;
use wheeltap_proto::v1::telemetry_service_client::TelemetryServiceClient;
use wheeltap_server::{Access, Settings};
use wheeltap_store::MemoryStore;

fn reason(status: &Status) -> String {
    let details = status.get_error_details();
    details.error_info().expect("an ErrorInfo").reason.clone()
}

#[tokio::test]
async fn without_the_role_nothing_is_told_not_even_what_exists() {
    let desk = Access::with_local(Actor {
        name: "desk one".to_owned(),
        roles: vec![Role::Desk],
    });
    let store = Arc::new(MemoryStore::new());
    let served = Served::with(store, Settings::default(), desk).await;
    let refused = Gateway::open(served.ingest().await)
        .await
        .err()
        .expect("a refusal");
    assert_eq!(
        (refused.code(), &*reason(&refused)),
        (Code::PermissionDenied, "NO_ROLE")
    );
    let mut fleet = FleetServiceClient::new(served.channel().await);
    for class in ["classes/Marten", "classes/Nothing"] {
        let create = v1::CreateUnitRequest {
            unit_id: "ZVR 1".to_owned(),
            unit: Some(v1::Unit {
                unit_class: class.to_owned(),
                ..Default::default()
            }),
            request_id: String::new(),
        };
        let refused = fleet.create_unit(create).await.unwrap_err();
        assert_eq!(refused.code(), Code::PermissionDenied);
    }
    // Its own work goes on, under its own name.
    let state = v1::RecordUnitStateRequest {
        name: "units/ZVR 1".to_owned(),
        from_unix_ms: NOW_MS,
        state: v1::UnitState::InShop.into(),
        source: String::new(),
    };
    let unit = fleet.record_unit_state(state).await.unwrap().into_inner();
    assert_eq!(
        (unit.state(), &*unit.state_source),
        (v1::UnitState::InShop, "desk one")
    );
    assert_eq!(served.shared.metrics.calls_denied.get(), 3);
    served.stop().await;
}

#[tokio::test]
async fn health_tells_serving_and_then_not() {
    let mut served = Served::start(Settings::default()).await;
    let mut health = HealthClient::new(served.channel().await);
    let ask = |service: &str| HealthCheckRequest {
        service: service.to_owned(),
    };
    for service in ["", "wheeltap.v1.IngestService", "wheeltap.v1.AlertService"] {
        let answer = health.check(ask(service)).await.unwrap().into_inner();
        assert_eq!(answer.status(), ServingStatus::Serving, "{service}");
    }
    let unknown = health.check(ask("wheeltap.v1.Nothing")).await.unwrap_err();
    assert_eq!(unknown.code(), Code::NotFound);
    let mut watch = health.watch(ask("")).await.unwrap().into_inner();
    assert_eq!(
        watch.message().await.unwrap().unwrap().status(),
        ServingStatus::Serving
    );
    served.begin_stop();
    assert_eq!(
        watch.message().await.unwrap().unwrap().status(),
        ServingStatus::NotServing
    );
    drop((watch, health));
    served.ended().await.unwrap();
}

#[tokio::test]
async fn reflection_lists_every_service() {
    let served = Served::start(Settings::default()).await;
    let mut client = ServerReflectionClient::new(served.channel().await);
    let ask = ServerReflectionRequest {
        host: String::new(),
        message_request: Some(MessageRequest::ListServices(String::new())),
    };
    let answers = client
        .server_reflection_info(tokio_stream::iter([ask]))
        .await
        .unwrap();
    let answer = answers.into_inner().message().await.unwrap().unwrap();
    let Some(MessageResponse::ListServicesResponse(list)) = answer.message_response else {
        panic!("no list");
    };
    let names: Vec<String> = list
        .service
        .into_iter()
        .map(|service| service.name)
        .collect();
    for service in ["Ingest", "Telemetry", "Fleet", "Rule", "Alert", "Defect"] {
        let name = format!("wheeltap.v1.{service}Service");
        assert!(names.contains(&name), "{names:?}");
    }
    served.stop().await;
}

#[tokio::test]
async fn units_are_created_once_and_paged_by_id() {
    let served = Served::start(Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let create = |id: &str, class: &str, request_id: &str| v1::CreateUnitRequest {
        unit_id: id.to_owned(),
        unit: Some(v1::Unit {
            unit_class: class.to_owned(),
            road_number: "42".to_owned(),
            ..Default::default()
        }),
        request_id: request_id.to_owned(),
    };
    let made = fleet
        .create_unit(create("ZVR 42", "classes/Marten", "a"))
        .await
        .unwrap();
    assert_eq!(made.get_ref().name, "units/ZVR 42");
    assert_eq!(made.get_ref().state(), v1::UnitState::Unknown);
    // AIP-155: the repeat returns the success; AIP-133: without the id it is a duplicate.
    let again = fleet
        .create_unit(create("ZVR 42", "classes/Marten", "a"))
        .await
        .unwrap();
    assert_eq!(made.get_ref(), again.get_ref());
    let refusals = [
        (
            create("ZVR 42", "classes/Marten", ""),
            Code::AlreadyExists,
            "ALREADY_EXISTS",
        ),
        (
            create("ZVR 43", "classes/Marten", "a"),
            Code::InvalidArgument,
            "REQUEST_ID_REUSED",
        ),
        (
            create("ZVR 43", "classes/Stoat", ""),
            Code::NotFound,
            "UNKNOWN_CLASS",
        ),
        (
            create("a/b", "classes/Marten", ""),
            Code::InvalidArgument,
            "BAD_UNIT_ID",
        ),
        (
            create("ZVR 43", "Marten", ""),
            Code::InvalidArgument,
            "BAD_FIELD",
        ),
        (
            create("ZVR 43", "classes/Marten", &"x".repeat(37)),
            Code::InvalidArgument,
            "BAD_REQUEST_ID",
        ),
    ];
    for (request, code, expected) in refusals {
        let status = fleet.create_unit(request).await.unwrap_err();
        assert_eq!((status.code(), &*reason(&status)), (code, expected));
    }

    let list = |page_size, page_token: &str, class: &str| v1::ListUnitsRequest {
        page_size,
        page_token: page_token.to_owned(),
        unit_class: class.to_owned(),
    };
    let mut names = Vec::new();
    let mut token = String::new();
    loop {
        // A changed page size is honoured on the way.
        let size = if token.is_empty() { 2 } else { 3 };
        let page = fleet
            .list_units(list(size, &token, ""))
            .await
            .unwrap()
            .into_inner();
        assert!(page.units.len() <= usize::try_from(size).unwrap());
        names.extend(page.units.into_iter().map(|unit| unit.name));
        token = page.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    let all = fleet
        .list_units(list(0, "", ""))
        .await
        .unwrap()
        .into_inner();
    let expected: Vec<String> = all.units.into_iter().map(|unit| unit.name).collect();
    assert_eq!((names.len(), &names), (9, &expected));
    assert!(names.is_sorted());
    let first = fleet
        .list_units(list(2, "", ""))
        .await
        .unwrap()
        .into_inner();
    let moved = list(2, &first.next_page_token, "classes/Marten");
    let status = fleet.list_units(moved).await.unwrap_err();
    assert_eq!(
        (status.code(), &*reason(&status)),
        (Code::InvalidArgument, "BAD_PAGE_TOKEN")
    );
    let status = fleet.list_units(list(-1, "", "")).await.unwrap_err();
    assert_eq!(reason(&status), "BAD_PAGE_SIZE");
    let other = list(0, "", "classes/Stoat");
    let status = fleet.list_units(other).await.unwrap_err();
    assert_eq!(
        (status.code(), &*reason(&status)),
        (Code::NotFound, "UNKNOWN_CLASS")
    );
    served.stop().await;
}

#[tokio::test]
async fn state_and_consist_are_kept_through_a_restart() {
    let store: Arc<dyn wheeltap_store::Store> = Arc::new(MemoryStore::new());
    let served = Served::on(Arc::clone(&store), Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let name = || "units/ZVR 3".to_owned();
    let state = |from_unix_ms, state: v1::UnitState| v1::RecordUnitStateRequest {
        name: name(),
        from_unix_ms,
        state: state.into(),
        source: "yard system".to_owned(),
    };
    fleet
        .record_unit_state(state(NOW_MS, v1::UnitState::Stored))
        .await
        .unwrap();
    // Recorded later for earlier: the newest stays what it was.
    fleet
        .record_unit_state(state(NOW_MS - 5, v1::UnitState::Working))
        .await
        .unwrap();
    let unset = fleet
        .record_unit_state(state(0, v1::UnitState::Unspecified))
        .await
        .unwrap_err();
    assert_eq!(reason(&unset), "BAD_FIELD");
    // What will be is none: 5 min for clocks that differ, as for samples.
    let soon = NOW_MS + 300_000;
    let later = fleet
        .record_unit_state(state(soon + 1, v1::UnitState::DeadInTow))
        .await
        .unwrap_err();
    assert!(later.message().contains(", ahead of now"), "{later:?}");
    let consist = v1::RecordConsistRequest {
        name: name(),
        from_unix_ms: NOW_MS,
        consist: Some(v1::ConsistPosition {
            train: "Q 31".to_owned(),
            order: 2,
            facing: v1::Facing::Backward.into(),
            role: v1::ConsistRole::Trailing.into(),
        }),
        source: String::new(),
    };
    let later = v1::RecordConsistRequest {
        from_unix_ms: soon + 1,
        ..consist.clone()
    };
    let later = fleet.record_consist(later).await.unwrap_err();
    assert_eq!(reason(&later), "BAD_FIELD");
    let before = fleet.record_consist(consist).await.unwrap().into_inner();
    drop(fleet);
    served.stop().await;

    let served = Served::on(store, Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let get = v1::GetUnitRequest { name: name() };
    let after = fleet.get_unit(get).await.unwrap().into_inner();
    assert_eq!(after, before);
    assert_eq!(after.state(), v1::UnitState::Stored);
    assert_eq!(after.consist.unwrap().order, 2);
    let record = served.shared.fleet.get(&unit(3)).unwrap();
    assert_eq!(record.states.entries().len(), 2);
    let missing = v1::GetUnitRequest {
        name: "units/ZVR 99".to_owned(),
    };
    let status = fleet.get_unit(missing).await.unwrap_err();
    assert_eq!(
        (status.code(), &*reason(&status)),
        (Code::NotFound, "UNKNOWN_UNIT")
    );
    served.stop().await;
}

#[tokio::test]
async fn classes_and_channels_are_told_as_the_catalogue_has_them() {
    let served = Served::start(Settings::default()).await;
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let classes = fleet
        .list_classes(v1::ListClassesRequest::default())
        .await
        .unwrap()
        .into_inner();
    let class = &classes.classes[0];
    assert_eq!(
        (&*class.name, class.axles_powered.len()),
        ("classes/Marten", 6)
    );
    assert_eq!(class.weight_on_drivers_kg, Some(180_000.0));
    assert_eq!(class.gear_ratio, None);
    assert!((class.limits["coolant_hot_cel"] - 96.0).abs() < f64::EPSILON);
    let get = v1::GetClassRequest {
        name: "classes/Marten".to_owned(),
    };
    assert_eq!(fleet.get_class(get).await.unwrap().get_ref(), class);
    let list = |page_size, page_token: String| v1::ListChannelsRequest {
        page_size,
        page_token,
    };
    let first = fleet
        .list_channels(list(3, String::new()))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(first.channels.len(), 3);
    let rest = fleet
        .list_channels(list(10, first.next_page_token))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(rest.channels[0].name, "channels/wheel.slip");
    assert_eq!(rest.next_page_token, "");
    let get = |name: &str| v1::GetChannelRequest {
        name: name.to_owned(),
    };
    let pipe = fleet
        .get_channel(get("channels/brake.pipe.pressure"))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(pipe.ucum, "kPa");
    assert_eq!(
        pipe.kind,
        Some(v1::channel::Kind::Held(v1::Held { hold_ms: 70_000 }))
    );
    assert_eq!(pipe.derivation, None);
    let computed = fleet
        .get_channel(get("channels/brake.pipe.charging_time"))
        .await
        .unwrap()
        .into_inner();
    let derivation = computed.derivation.unwrap();
    assert_eq!(derivation.formula, "charging_time");
    assert_eq!(derivation.inputs, ["channels/brake.pipe.pressure"]);
    let status = fleet.get_channel(get("channels/none")).await.unwrap_err();
    assert_eq!(reason(&status), "UNKNOWN_CHANNEL");
    served.stop().await;
}

#[tokio::test]
async fn telemetry_is_read_back_in_pages() {
    let served = Served::start(Settings::default()).await;
    let mut gateway = served.stream().await;
    gateway.hello(1, &unit(1), 7).await;
    let schema = usual_schema();
    gateway.ask(Asked::Schema(schema.clone())).await;
    let first_ms = NOW_MS - 3_600_000;
    let mut payload = column(
        1,
        first_ms,
        10_000,
        &[100.0, 200.0, 300.0, 400.0, 2_000.0, 600.0, 700.0],
    );
    for (time_ms, axle) in [(5, 1.0), (5, 2.0), (5, 3.0), (9, 4.0)] {
        payload.events.push(v1::EventRow {
            channel: 2,
            time_unix_ms: first_ms + time_ms,
            fields: vec![
                v1::EventField { value: None },
                v1::EventField { value: Some(axle) },
            ],
        });
    }
    gateway.send(batch_of(&schema, 1, &payload)).await;

    let mut telemetry = TelemetryServiceClient::new(served.channel().await);
    let samples = |page_size, page_token: &str| v1::ListSamplesRequest {
        unit: "units/ZVR 1".to_owned(),
        channel: "channels/brake.pipe.pressure".to_owned(),
        from_unix_ms: first_ms,
        to_unix_ms: NOW_MS,
        page_size,
        page_token: page_token.to_owned(),
    };
    let first = telemetry
        .list_samples(samples(4, ""))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(first.values, [100.0, 200.0, 300.0, 400.0]);
    assert_eq!(&*first.ucum, "kPa");
    assert!(first.qualities.is_empty());
    let rest = telemetry
        .list_samples(samples(4, &first.next_page_token))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(rest.values, [2_000.0, 600.0, 700.0]);
    assert_eq!(rest.times_unix_ms[0], first_ms + 40_000);
    // The catalogue's greatest is 1,100 kPa.
    assert_eq!(rest.qualities.as_ref(), [1, 3, 3]);
    assert_eq!(rest.next_page_token, "");

    // Computed on reading: 70 psi (482.6 kPa) was passed after 30 s and 87 psi (599.8) met at 50 s.
    let derived = v1::ListSamplesRequest {
        channel: "channels/brake.pipe.charging_time".to_owned(),
        ..samples(4, "")
    };
    let charged = telemetry
        .list_samples(derived.clone())
        .await
        .unwrap()
        .into_inner();
    assert_eq!(charged.times_unix_ms, [first_ms + 50_000]);
    assert_eq!(charged.values, [20.0 / 60.0]);
    assert_eq!((&*charged.ucum, &*charged.next_page_token), ("min", ""));

    let rollups = v1::ListRollupsRequest {
        unit: "units/ZVR 1".to_owned(),
        channel: "channels/brake.pipe.pressure".to_owned(),
        tier: v1::RollupTier::Minute.into(),
        from_unix_ms: first_ms,
        to_unix_ms: NOW_MS,
        page_size: 0,
        page_token: String::new(),
    };
    let rows = telemetry
        .list_rollups(rollups.clone())
        .await
        .unwrap()
        .into_inner()
        .rows;
    assert_eq!(
        (rows[0].n, rows[0].n_unusable, rows[0].max),
        (5, 1, Some(600.0))
    );
    assert_eq!(rows[0].mean, Some(320.0));
    assert_eq!((rows[1].n, rows[1].last), (1, Some(700.0)));

    let events = |page_size, page_token: &str| v1::ListEventsRequest {
        unit: "units/ZVR 1".to_owned(),
        channel: "channels/wheel.slip".to_owned(),
        from_unix_ms: first_ms,
        to_unix_ms: NOW_MS,
        page_size,
        page_token: page_token.to_owned(),
    };
    // Three events share an instant; a page may end among them.
    let mut axles = Vec::new();
    let mut token = String::new();
    loop {
        let page = telemetry
            .list_events(events(1, &token))
            .await
            .unwrap()
            .into_inner();
        for event in &page.events {
            assert!(!event.fields.contains_key("duration"), "not sent");
            axles.push(event.fields["axle"]);
        }
        token = page.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    assert_eq!(axles, [1.0, 2.0, 3.0, 4.0]);

    let refused = [
        (
            v1::ListSamplesRequest {
                unit: "units/ZVR 99".to_owned(),
                ..samples(0, "")
            },
            "UNKNOWN_UNIT",
        ),
        (
            v1::ListSamplesRequest {
                channel: "channels/none".to_owned(),
                ..samples(0, "")
            },
            "UNKNOWN_CHANNEL",
        ),
        (
            v1::ListSamplesRequest {
                channel: "channels/wheel.slip".to_owned(),
                ..samples(0, "")
            },
            "WRONG_KIND",
        ),
        (
            v1::ListSamplesRequest {
                to_unix_ms: first_ms - 1,
                ..samples(0, "")
            },
            "BAD_RANGE",
        ),
        (
            v1::ListSamplesRequest {
                from_unix_ms: 0,
                to_unix_ms: 1,
                ..samples(0, "")
            },
            "BEYOND_RETENTION",
        ),
    ];
    for (request, expected) in refused {
        let status = telemetry.list_samples(request).await.unwrap_err();
        assert_eq!(reason(&status), expected);
    }
    let of_derived = v1::ListRollupsRequest {
        channel: derived.channel,
        ..rollups.clone()
    };
    assert_eq!(
        reason(&telemetry.list_rollups(of_derived).await.unwrap_err()),
        "WRONG_KIND"
    );
    let no_tier = v1::ListRollupsRequest { tier: 0, ..rollups };
    assert_eq!(
        reason(&telemetry.list_rollups(no_tier).await.unwrap_err()),
        "BAD_FIELD"
    );
    let mut fleet = FleetServiceClient::new(served.channel().await);
    let get = v1::GetUnitRequest {
        name: "units/ZVR 1".to_owned(),
    };
    let unit = fleet.get_unit(get).await.unwrap().into_inner();
    assert_eq!(unit.newest_event_unix_ms, Some(first_ms + 60_000));
    assert_eq!(unit.last_heard_unix_ms, Some(NOW_MS));
    served.stop().await;
}
