//! Engine models with their figures, engines, and where they sat.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use exchange::load::{EngineRow, FittingRow, ModelRow, StandstillRow, TestFigureRow, TorqueRow};
use fleet::boat::Fitting;
use fleet::calendar::{day_of, start_of_day};
use fleet::engine::{Engine, EngineModel, PoolStay, Standstill, TestFigure, TestKind, Torque};
use fleet::id::{
    BoatId, EngineId, FittingId, MeterId, ModelId, OrganisationId, PoolStayId, StandstillId,
    TestFigureId, TorqueId,
};
use fleet::reading::{Meter, MeterKind};
use serde_json::json;

use super::differences::{Known, Values, values};
use super::names::{Lookup, Needs};
use super::{Loaded, Verdict};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::store::Transaction;

impl Loaded for ModelRow {
    type Entry = EngineModel;
    type State = Known<(String, String)>;
    const NEEDS: &'static [Needs] = &[];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<EngineModel>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.maker.clone(), one.name.clone()), values(one)))))
    }

    fn entry(self, _: &mut Lookup<'_>) -> Option<EngineModel> {
        Some(EngineModel {
            id: ModelId::fresh(),
            version: 1,
            maker: self.maker,
            name: self.model,
            strokes: self.strokes,
            power_watts: self.power_watts,
            premix_ratio: self.premix_ratio,
            engine_oil_grade: self.engine_oil_grade,
            engine_oil_ml: self.engine_oil_ml,
            fuel_system: self.fuel_system,
            gear_oil_grade: self.gear_oil_grade,
            gear_oil_ml: self.gear_oil_ml,
            last_made_in: self.last_made_in,
            manual_edition: self.manual_edition,
            source: self.source,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &EngineModel, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.maker.clone(), entry.name.clone()), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<EngineModel>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for TorqueRow {
    type Entry = Torque;
    type State = Known<(ModelId, String)>;
    const NEEDS: &'static [Needs] = &[Needs::Models];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Torque>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.model, one.fastener.clone()), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Torque> {
        let Self { maker, model, fastener, low_mnm, high_mnm, source } = self;
        let model = at.model(&exchange::load::ModelName { maker, model })?;
        Some(Torque {
            id: TorqueId::fresh(),
            version: 1,
            model,
            fastener,
            low_mnm,
            high_mnm,
            source,
        })
    }

    fn judge(state: &mut Self::State, entry: &Torque, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.model, entry.fastener.clone()), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Torque>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for TestFigureRow {
    type Entry = TestFigure;
    type State = Known<(ModelId, TestKind)>;
    const NEEDS: &'static [Needs] = &[Needs::Models];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<TestFigure>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.model, one.kind), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<TestFigure> {
        let (maker, model) = (self.maker, self.model);
        let model = at.model(&exchange::load::ModelName { maker, model })?;
        Some(TestFigure {
            id: TestFigureId::fresh(),
            version: 1,
            model,
            kind: self.test,
            target_pa: self.target_pa,
            ceiling_pa: self.ceiling_pa,
            hold_seconds: self.hold_seconds,
            drop_max_pa: self.drop_max_pa,
            shafts_turned: self.shafts_turned,
            source: self.source,
        })
    }

    fn judge(state: &mut Self::State, entry: &TestFigure, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.model, entry.kind), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<TestFigure>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// An engine with its first meter, and the zone of its pool.
pub(super) struct EngineEntry {
    engine: Engine,
    meter: MeterKind,
    zone: Tz,
}

pub(super) struct EngineState {
    known: Known<String>,
    tags: HashSet<String>,
}

fn engine_values(engine: &Engine, meter: MeterKind) -> Values {
    let mut all = values(engine);
    all.insert("meter".to_owned(), json!(meter));
    all
}

impl Loaded for EngineRow {
    type Entry = EngineEntry;
    type State = EngineState;
    const NEEDS: &'static [Needs] = &[Needs::Models, Needs::Pools];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let engines = record::all::<Engine>(transaction, organisation).await?;
        let meters = record::all::<Meter>(transaction, organisation).await?;
        let fitted = meters.iter().filter(|meter| meter.removed_at.is_none());
        let meters: HashMap<EngineId, MeterKind> =
            fitted.map(|meter| (meter.engine, meter.kind)).collect();
        let known = Known::new(engines.iter().map(|engine| {
            let meter = meters.get(&engine.id).copied().unwrap_or(MeterKind::NoMeter);
            (engine.serial.clone(), engine_values(engine, meter))
        }));
        let tags = engines.into_iter().filter_map(|engine| engine.tag).collect();
        Ok(EngineState { known, tags })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<EngineEntry> {
        let (maker, model) = (self.maker, self.model);
        let model = at.model(&exchange::load::ModelName { maker, model });
        let pool = at.pool(&self.pool, self.site.as_deref());
        let (model, pool) = (model?, pool?);
        let engine = Engine {
            id: EngineId::fresh(),
            version: 1,
            serial: self.serial,
            model,
            pool: pool.id,
            tag: self.tag,
            bought_on: self.bought_on,
            first_run_on: self.first_run_on,
            status: self.status,
            severity_percent: self.severity_percent,
            note: self.note,
        };
        Some(EngineEntry { engine, meter: self.meter, zone: pool.zone })
    }

    fn judge(state: &mut Self::State, entry: &EngineEntry, at: &mut Lookup<'_>) -> Verdict {
        let values = engine_values(&entry.engine, entry.meter);
        let verdict = state.known.judge(entry.engine.serial.clone(), values, at);
        taken_tag(verdict, &mut state.tags, entry.engine.tag.as_deref(), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<EngineEntry>,
    ) -> Result<(), StoreError> {
        let (mut engines, mut stays, mut meters) = (Vec::new(), Vec::new(), Vec::new());
        for EngineEntry { engine, meter, zone } in entries {
            let since = engine.first_run_on.or(engine.bought_on);
            let from_on = since.unwrap_or_else(|| day_of(author.at, zone));
            stays.push(PoolStay {
                id: PoolStayId::fresh(),
                engine: engine.id,
                pool: engine.pool,
                from_on,
                until_on: None,
            });
            meters.push(Meter {
                id: MeterId::fresh(),
                version: 1,
                engine: engine.id,
                kind: meter,
                serial: None,
                fitted_at: start_of_day(from_on, zone),
                removed_at: None,
            });
            engines.push(engine);
        }
        record::create(transaction, organisation, author, &engines).await?;
        record::append(transaction, organisation, &stays).await?;
        record::create(transaction, organisation, author, &meters).await
    }
}

/// A tag stands on one engine or boat only.
pub(super) fn taken_tag(
    verdict: Verdict,
    tags: &mut HashSet<String>,
    tag: Option<&str>,
    at: &mut Lookup<'_>,
) -> Verdict {
    let Some(tag) = tag.filter(|_| verdict == Verdict::New) else { return verdict };
    if tags.insert(tag.to_owned()) {
        return verdict;
    }
    at.refuse("tag", tag, "tag-taken", "another one carries this tag");
    Verdict::Refused
}

impl Loaded for StandstillRow {
    type Entry = Standstill;
    type State = Known<(EngineId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Engines];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Standstill>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.engine, one.from_on), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Standstill> {
        let Self { serial, from_on, until_on, reason } = self;
        let engine = at.engine("serial", &serial)?.id;
        let id = StandstillId::fresh();
        Some(Standstill { id, version: 1, engine, from_on, until_on, reason })
    }

    fn judge(state: &mut Self::State, entry: &Standstill, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.engine, entry.from_on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Standstill>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// From when to when something sat somewhere.
type Stay = (DateTime<Utc>, Option<DateTime<Utc>>);

/// Fittings by engine and time, and when engines and places were taken.
pub(super) struct FittingState {
    known: Known<(EngineId, DateTime<Utc>)>,
    engines: HashMap<EngineId, Vec<Stay>>,
    places: HashMap<(BoatId, i32), Vec<Stay>>,
}

impl Loaded for FittingRow {
    type Entry = Fitting;
    type State = FittingState;
    const NEEDS: &'static [Needs] = &[Needs::Engines, Needs::Boats];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Fitting>(transaction, organisation).await?;
        let known = Known::new(all.iter().map(|one| ((one.engine, one.fitted_at), values(one))));
        let (engines, places) = (HashMap::new(), HashMap::new());
        let mut state = FittingState { known, engines, places };
        all.iter().for_each(|fitting| state.take(fitting));
        Ok(state)
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Fitting> {
        let engine = at.engine("serial", &self.serial);
        let boat = at.boat(&self.boat, self.site.as_deref());
        let (engine, boat) = (engine?, boat?);
        let fitted_at = at.past_instant("fitted_at", self.fitted_at, boat.zone);
        let removed_at = match self.removed_at {
            None => None,
            Some(removed_at) => Some(at.past_instant("removed_at", removed_at, boat.zone)?),
        };
        let fitted_at = fitted_at?;
        if removed_at
            .is_some_and(|removed| !at.in_order("removed_at", (fitted_at, removed), boat.zone))
        {
            return None;
        }
        Some(Fitting {
            id: FittingId::fresh(),
            version: 1,
            engine: engine.id,
            boat: boat.id,
            position: self.position,
            fitted_at,
            removed_at,
        })
    }

    fn judge(state: &mut Self::State, entry: &Fitting, at: &mut Lookup<'_>) -> Verdict {
        let verdict = state.known.judge((entry.engine, entry.fitted_at), values(entry), at);
        if verdict != Verdict::New {
            return verdict;
        }
        let stay = (entry.fitted_at, entry.removed_at);
        let engine_name = at.names.shown(entry.engine.0).unwrap_or_default().to_owned();
        let boat_name = at.names.shown(entry.boat.0).unwrap_or_default().to_owned();
        let place = (entry.boat, entry.position);
        if let Some(other) = overlapping(state.engines.get(&entry.engine), stay) {
            let message =
                format!("the engine sat on a boat then already, {}", span(other, entry.boat, at));
            at.refuse("serial", &engine_name, "fitting-overlaps", message);
            return Verdict::Refused;
        }
        if let Some(other) = overlapping(state.places.get(&place), stay) {
            let message = format!("another engine sat there then, {}", span(other, entry.boat, at));
            at.refuse("boat", &boat_name, "fitting-overlaps", message);
            return Verdict::Refused;
        }
        state.take(entry);
        Verdict::New
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Fitting>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl FittingState {
    fn take(&mut self, fitting: &Fitting) {
        let stay = (fitting.fitted_at, fitting.removed_at);
        self.engines.entry(fitting.engine).or_default().push(stay);
        self.places.entry((fitting.boat, fitting.position)).or_default().push(stay);
    }
}

fn overlapping(stays: Option<&Vec<Stay>>, (from, until): Stay) -> Option<Stay> {
    let overlaps = |&(other_from, other_until): &Stay| {
        until.is_none_or(|until| other_from < until) && other_until.is_none_or(|end| from < end)
    };
    stays.into_iter().flatten().copied().find(overlaps)
}

fn span((from, until): Stay, boat: BoatId, at: &Lookup<'_>) -> String {
    let local = |instant| at.local_to_boat(boat, instant);
    format!("from {} to {}", local(from), until.map_or_else(|| "now".to_owned(), local))
}
