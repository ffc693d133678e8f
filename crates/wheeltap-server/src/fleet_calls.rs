//! FleetService: units, classes and the channel catalogue.

use crate::access::actor_of;
use crate::blocking::blocking;
use crate::judging::Judging;
use crate::paging::{Page, PageRule, bad_token};
use crate::request_ids::RequestId;
use crate::{Created, Fleet, Shared, UnitRecord, known, status};
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{
    Actor, CLOCK_SLACK_MS, ChannelDef, ClassName, Dated, EventTime, ServerTime, Unit, UnitId,
};
use wheeltap_proto::convert::{self, InvalidField};
use wheeltap_proto::v1;
use wheeltap_proto::v1::fleet_service_server::FleetService;
use wheeltap_store::StoreError;

const UNITS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
const CLASSES: PageRule = UNITS;
const CHANNELS: PageRule = PageRule {
    default: 200,
    most: 1_000,
};
/// Longest road number and source, in bytes.
const MAX_TEXT: usize = 64;

/// The service of the contract over the fleet and the catalogue.
pub struct FleetCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
}

fn field(invalid: InvalidField) -> Status {
    status::bad_field("BAD_FIELD", &invalid.field, invalid.why)
}

/// A unit as of now: what was once recorded of later does not hold yet.
fn wire_unit(record: &UnitRecord, now: ServerTime) -> v1::Unit {
    let Unit {
        id,
        road_number,
        class,
        commissioned,
    } = &record.unit;
    let as_of = EventTime::from_unix_ms(now.unix_ms().saturating_add(CLOCK_SLACK_MS));
    let state = record.states.at(as_of);
    let consist = record.consists.at(as_of);
    v1::Unit {
        name: convert::unit_name(id),
        road_number: road_number.clone(),
        unit_class: convert::class_name(class),
        commissioned_unix_ms: commissioned.unix_ms(),
        state: convert::unit_state_to_wire(state.map(|dated| dated.value).unwrap_or_default())
            .into(),
        state_from_unix_ms: state.map_or(0, |dated| dated.from.unix_ms()),
        state_source: state.map(|dated| dated.source.clone()).unwrap_or_default(),
        consist: consist.map(|dated| (&dated.value).into()),
        consist_from_unix_ms: consist.map_or(0, |dated| dated.from.unix_ms()),
        newest_event_unix_ms: record.heard.newest_event().map(EventTime::unix_ms),
        last_heard_unix_ms: record.heard.last_heard().map(ServerTime::unix_ms),
    }
}

fn short(name: &str, text: String) -> Result<String, Status> {
    if text.len() > MAX_TEXT {
        return Err(status::bad_field(
            "BAD_FIELD",
            name,
            format!("is longer than {MAX_TEXT} bytes"),
        ));
    }
    Ok(text)
}

impl FleetCalls {
    /// A service that tells `judging` of changes.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self { shared, judging }
    }

    fn text_position(page: &Page) -> Result<Option<String>, Status> {
        page.after
            .clone()
            .map(|bytes| String::from_utf8(bytes).map_err(|_| bad_token()))
            .transpose()
    }

    fn wire_unit(&self, record: &UnitRecord) -> v1::Unit {
        wire_unit(record, self.shared.clock.now())
    }

    /// What a unit does, and where, is told of what is, not of what will be.
    fn check_from(&self, from: EventTime) -> Result<(), Status> {
        let now = self.shared.clock.now();
        if from.unix_ms().saturating_sub(now.unix_ms()) <= CLOCK_SLACK_MS {
            return Ok(());
        }
        let why = format!("is {from}, ahead of now, {now}; give the time from which it holds");
        Err(status::bad_field("BAD_FIELD", "from_unix_ms", why))
    }

    /// What is told of a unit from an instant on; without a source by whoever calls.
    fn dated<T>(
        &self,
        from_unix_ms: i64,
        value: T,
        source: String,
        actor: Actor,
    ) -> Result<Dated<T>, Status> {
        let source = short("source", source)?;
        let from = EventTime::from_unix_ms(from_unix_ms);
        self.check_from(from)?;
        let source = if source.is_empty() {
            actor.name
        } else {
            source
        };
        Ok(Dated {
            from,
            value,
            source,
        })
    }

    /// Records what a unit does or where it stands, and has it judged again from there.
    async fn record<T: Send + 'static>(
        &self,
        id: UnitId,
        dated: Dated<T>,
        record: impl FnOnce(&Fleet, &UnitId, Dated<T>) -> Result<Option<Arc<UnitRecord>>, StoreError>
        + Send
        + 'static,
    ) -> Result<Response<v1::Unit>, Status> {
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let (unit, from) = (id.clone(), dated.from);
        // Told in the same breath: a caller who leaves meanwhile takes nothing back.
        let record = blocking(move || {
            let record = record(&shared.fleet, &unit, dated)?;
            judging.unit_changed(&unit, from);
            Ok(record)
        })
        .await?;
        let record = record.map_or_else(|| known::unit(&self.shared, &id), Ok)?;
        Ok(Response::new(self.wire_unit(&record)))
    }

    fn unit(&self, name: &str) -> Result<Arc<UnitRecord>, Status> {
        let id = convert::unit_from_name("name", name).map_err(field)?;
        known::unit(&self.shared, &id)
    }

    fn class_of(&self, name: &str, in_field: &str) -> Result<ClassName, Status> {
        let class = convert::class_from_name(in_field, name).map_err(field)?;
        known::class(&self.shared, &class)?;
        Ok(class)
    }
}

fn wire_channel(catalogue: &Catalogue, def: &ChannelDef) -> v1::Channel {
    let derivation = catalogue.derived(&def.name).map(|derived| v1::Derivation {
        formula: derived.formula.name.to_owned(),
        what: derived.formula.what.to_owned(),
        source: derived.formula.source.to_owned(),
        inputs: derived.inputs().map(convert::channel_name).collect(),
    });
    v1::Channel {
        derivation,
        ..def.into()
    }
}

#[tonic::async_trait]
impl FleetService for FleetCalls {
    async fn list_units(
        &self,
        request: Request<v1::ListUnitsRequest>,
    ) -> Result<Response<v1::ListUnitsResponse>, Status> {
        let v1::ListUnitsRequest {
            page_size,
            page_token,
            unit_class,
        } = request.into_inner();
        let arguments = v1::ListUnitsRequest {
            unit_class: unit_class.clone(),
            ..Default::default()
        };
        let page = Page::read(
            self.shared.store.id(),
            "ListUnits",
            page_size,
            &page_token,
            UNITS,
            &arguments,
        )?;
        let class = if unit_class.is_empty() {
            None
        } else {
            Some(self.class_of(&unit_class, "unit_class")?)
        };
        let after = match Self::text_position(&page)? {
            Some(text) => Some(UnitId::new(&text).map_err(|_| bad_token())?),
            None => None,
        };
        // A page of units looked at, not of units found: a rare class makes short pages, and no
        // call walks the whole fleet.
        let looked_at = self.shared.fleet.page(after.as_ref(), page.size + 1);
        let more = looked_at.len() > page.size;
        let next_page_token = match looked_at.get(page.size - 1) {
            Some(last) if more => page.next_token(last.unit.id.as_str().as_bytes()),
            _ => String::new(),
        };
        let units = looked_at
            .iter()
            .take(page.size)
            .filter(|record| {
                class
                    .as_ref()
                    .is_none_or(|class| record.unit.class == *class)
            })
            .map(|record| self.wire_unit(record))
            .collect();
        Ok(Response::new(v1::ListUnitsResponse {
            units,
            next_page_token,
        }))
    }

    async fn get_unit(
        &self,
        request: Request<v1::GetUnitRequest>,
    ) -> Result<Response<v1::Unit>, Status> {
        let v1::GetUnitRequest { name } = request.into_inner();
        Ok(Response::new(self.wire_unit(self.unit(&name)?.as_ref())))
    }

    async fn create_unit(
        &self,
        request: Request<v1::CreateUnitRequest>,
    ) -> Result<Response<v1::Unit>, Status> {
        let actor = actor_of(&request)?;
        let v1::CreateUnitRequest {
            unit_id,
            unit,
            request_id,
        } = request.into_inner();
        let arguments = v1::CreateUnitRequest {
            unit_id: unit_id.clone(),
            unit: unit.clone(),
            request_id: String::new(),
        };
        let request_id = RequestId::read("CreateUnit", &actor, &request_id, &arguments)?;
        let id = UnitId::new(&unit_id)
            .map_err(|error| status::bad_field("BAD_UNIT_ID", "unit_id", error.to_string()))?;
        let v1::Unit {
            name: _,
            road_number,
            unit_class,
            commissioned_unix_ms,
            state: _,
            state_from_unix_ms: _,
            state_source: _,
            consist: _,
            consist_from_unix_ms: _,
            newest_event_unix_ms: _,
            last_heard_unix_ms: _,
        } = unit.unwrap_or_default();
        let class = self.class_of(&unit_class, "unit.unit_class")?;
        let road_number = short("unit.road_number", road_number)?;
        let unit = Unit {
            road_number: if road_number.is_empty() {
                id.as_str().to_owned()
            } else {
                road_number
            },
            id,
            class,
            commissioned: EventTime::from_unix_ms(commissioned_unix_ms),
        };
        let shared = Arc::clone(&self.shared);
        let created = tokio::task::spawn_blocking(move || {
            if let Some(request_id) = &request_id
                && request_id.earlier(shared.store.as_ref())?.is_some()
                && let Some(record) = shared.fleet.get(&unit.id)
            {
                return Ok(record);
            }
            let name = convert::unit_name(&unit.id);
            let more = request_id
                .iter()
                .map(|request_id| request_id.document(&name, shared.clock.now()))
                .collect();
            match shared.fleet.create(unit, more) {
                Ok(Created::New(record)) => Ok(record),
                Ok(Created::Existing(existing)) => Err(status::already_exists(format!(
                    "there is a unit {} already, of class {}",
                    existing.unit.id, existing.unit.class
                ))),
                Err(error) => Err(status::store(&error)),
            }
        })
        .await
        .map_err(|_| status::internal("a call to the store was cut off"))??;
        tracing::info!(unit = %created.unit.id, by = actor.name, "a unit was created");
        Ok(Response::new(self.wire_unit(&created)))
    }

    async fn record_unit_state(
        &self,
        request: Request<v1::RecordUnitStateRequest>,
    ) -> Result<Response<v1::Unit>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordUnitStateRequest {
            name,
            from_unix_ms,
            state,
            source,
        } = request.into_inner();
        let id = self.unit(&name)?.unit.id.clone();
        let state = convert::unit_state_from_wire("state", state)
            .map_err(field)?
            .ok_or_else(|| {
                status::bad_field(
                    "BAD_FIELD",
                    "state",
                    "is unset; write UNKNOWN if it is unknown",
                )
            })?;
        let dated = self.dated(from_unix_ms, state, source, actor)?;
        self.record(id, dated, |fleet, unit, dated| {
            fleet.record_state(unit, dated)
        })
        .await
    }

    async fn record_consist(
        &self,
        request: Request<v1::RecordConsistRequest>,
    ) -> Result<Response<v1::Unit>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordConsistRequest {
            name,
            from_unix_ms,
            consist,
            source,
        } = request.into_inner();
        let id = self.unit(&name)?.unit.id.clone();
        let position = consist.unwrap_or_default().try_into().map_err(field)?;
        let dated = self.dated(from_unix_ms, position, source, actor)?;
        self.record(id, dated, |fleet, unit, dated| {
            fleet.record_consist(unit, dated)
        })
        .await
    }

    async fn list_classes(
        &self,
        request: Request<v1::ListClassesRequest>,
    ) -> Result<Response<v1::ListClassesResponse>, Status> {
        let v1::ListClassesRequest {
            page_size,
            page_token,
        } = request.into_inner();
        let store = self.shared.store.id();
        let page = Page::read(store, "ListClasses", page_size, &page_token, CLASSES, &())?;
        let after = Self::text_position(&page)?;
        let mut found: Vec<_> = self
            .shared
            .catalogue
            .classes()
            .filter(|class| {
                after
                    .as_deref()
                    .is_none_or(|after| class.name.as_str() > after)
            })
            .take(page.size + 1)
            .collect();
        let more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if more => page.next_token(last.name.as_str().as_bytes()),
            _ => String::new(),
        };
        Ok(Response::new(v1::ListClassesResponse {
            classes: found.into_iter().map(Into::into).collect(),
            next_page_token,
        }))
    }

    async fn get_class(
        &self,
        request: Request<v1::GetClassRequest>,
    ) -> Result<Response<v1::UnitClass>, Status> {
        let v1::GetClassRequest { name } = request.into_inner();
        let class = self.class_of(&name, "name")?;
        let def = self.shared.catalogue.class(&class);
        let def = def.ok_or_else(|| status::internal("a class went away"))?;
        Ok(Response::new(def.into()))
    }

    async fn list_channels(
        &self,
        request: Request<v1::ListChannelsRequest>,
    ) -> Result<Response<v1::ListChannelsResponse>, Status> {
        let v1::ListChannelsRequest {
            page_size,
            page_token,
        } = request.into_inner();
        let store = self.shared.store.id();
        let page = Page::read(store, "ListChannels", page_size, &page_token, CHANNELS, &())?;
        // Catalogue order is that of the files, which is fixed while the service runs.
        let skip = usize::try_from(page.after_number()?.unwrap_or(0)).map_err(|_| bad_token())?;
        let mut channels: Vec<v1::Channel> = self
            .shared
            .catalogue
            .channels()
            .skip(skip)
            .take(page.size + 1)
            .map(|(_, def)| wire_channel(&self.shared.catalogue, def))
            .collect();
        let more = channels.len() > page.size;
        channels.truncate(page.size);
        let next_page_token = if more {
            page.next_token(&((skip + channels.len()) as u64).to_be_bytes())
        } else {
            String::new()
        };
        Ok(Response::new(v1::ListChannelsResponse {
            channels,
            next_page_token,
        }))
    }

    async fn get_channel(
        &self,
        request: Request<v1::GetChannelRequest>,
    ) -> Result<Response<v1::Channel>, Status> {
        let v1::GetChannelRequest { name } = request.into_inner();
        let channel = convert::channel_from_name("name", &name).map_err(field)?;
        let (_, def) = self.shared.catalogue.channel(&channel).ok_or_else(|| {
            status::not_found(
                "UNKNOWN_CHANNEL",
                format!("the catalogue has no channel {channel}"),
            )
        })?;
        Ok(Response::new(wire_channel(&self.shared.catalogue, def)))
    }
}
