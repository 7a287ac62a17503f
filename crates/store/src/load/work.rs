//! Services done and findings made.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, NaiveDate, Utc};
use exchange::load::{FindingRow, ServiceRow};
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::id::{
    EngineId, FindingId, HoldId, OrganisationId, PartId, ServiceId, ServicePartId, TaskId,
};
use fleet::programme::Urgency;
use fleet::service::{Service, ServicePart};
use sea_orm::{ColumnTrait as _, QueryFilter as _};
use serde_json::json;

use super::differences::{Known, Values, values};
use super::names::{Lookup, Needs, local};
use super::{Loaded, Verdict, recorded_at};
use crate::entity::{findings, service_parts, services};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::store::Transaction;

/// A service and the parts that it used.
pub(super) struct ServiceEntry {
    service: Service,
    parts: BTreeMap<PartId, i64>,
}

/// Parts as pairs, since a part's id is no name of a field.
fn service_values(service: &Service, parts: &BTreeMap<PartId, i64>) -> Values {
    let mut all = values(service);
    let parts: Vec<_> = parts.iter().map(|(part, quantity)| json!([part, quantity])).collect();
    all.insert("parts".to_owned(), json!(parts));
    all
}

impl Loaded for ServiceRow {
    type Entry = ServiceEntry;
    /// Of the engines and time of a chunk.
    type State = Known<(EngineId, TaskId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Engines, Needs::Tasks, Needs::People, Needs::Parts];

    async fn begin(_: &Transaction, _: OrganisationId) -> Result<Self::State, StoreError> {
        Ok(Known::new([]))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<ServiceEntry> {
        let engine = at.engine("serial", &self.serial);
        let task = at.task("task", &self.task);
        let done_by = at.optional("done_by", self.done_by.as_deref(), Lookup::person);
        let parts = at.parts("parts", &self.parts);
        let engine = engine?;
        if let Some(first_run_on) = engine.first_run_on.filter(|day| self.done_on < *day) {
            let message = format!(
                "lies before the engine's first running on {first_run_on}; correct the one or the \
                 other"
            );
            at.refuse("done_on", &self.done_on.to_string(), "before-first-running", message);
            return None;
        }
        let service = Service {
            id: ServiceId::fresh(),
            engine: engine.id,
            task: task?,
            done_on: self.done_on,
            life: self.life,
            reason: self.reason,
            job: None,
            done_by: done_by?,
            spent: self.spent,
            note: self.note,
            source: self.source,
            recorded_at: at.now,
        };
        Some(ServiceEntry { service, parts: parts?.into_iter().collect() })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, ServiceEntry)],
    ) -> Result<(), StoreError> {
        let engines = distinct(entries.iter().map(|(_, entry)| entry.service.engine));
        let days = || entries.iter().map(|(_, entry)| entry.service.done_on);
        let (Some(first), Some(last)) = (days().min(), days().max()) else { return Ok(()) };
        let query = record::of::<Service>(organisation)
            .filter(services::Column::EngineId.is_in(engines.iter().map(|id| id.0)))
            .filter(services::Column::DoneOn.between(first, last));
        let found = record::select::<Service>(transaction, query).await?;
        let ids: Vec<_> = found.iter().map(|service| service.id.0).collect();
        let column = service_parts::Column::ServiceId;
        let used: Vec<ServicePart> =
            record::by_column(transaction, organisation, column, &ids).await?;
        let mut parts: HashMap<ServiceId, BTreeMap<PartId, i64>> = HashMap::new();
        for one in used {
            parts.entry(one.service).or_default().insert(one.part, one.quantity);
        }
        *state = Known::new(found.iter().map(|service| {
            let parts = parts.remove(&service.id).unwrap_or_default();
            (service_key(service), service_values(service, &parts))
        }));
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &ServiceEntry, at: &mut Lookup<'_>) -> Verdict {
        state.judge(service_key(&entry.service), service_values(&entry.service, &entry.parts), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<ServiceEntry>,
    ) -> Result<(), StoreError> {
        let (mut services, mut used) = (Vec::new(), Vec::new());
        for ServiceEntry { service, parts } in entries {
            used.extend(parts.into_iter().map(|(part, quantity)| ServicePart {
                id: ServicePartId::fresh(),
                service: service.id,
                part,
                quantity,
            }));
            services.push(Service { recorded_at: recorded_at(author), ..service });
        }
        record::append(transaction, organisation, &services).await?;
        record::append(transaction, organisation, &used).await
    }
}

fn service_key(service: &Service) -> (EngineId, TaskId, NaiveDate) {
    (service.engine, service.task, service.done_on)
}

fn distinct(engines: impl Iterator<Item = EngineId>) -> Vec<EngineId> {
    let mut engines: Vec<_> = engines.collect();
    engines.sort_unstable();
    engines.dedup();
    engines
}

impl Loaded for FindingRow {
    type Entry = Finding;
    /// Of the engines and time of a chunk.
    type State = Known<(EngineId, String, DateTime<Utc>)>;
    const NEEDS: &'static [Needs] = &[Needs::Engines, Needs::FindingKinds, Needs::People];

    async fn begin(_: &Transaction, _: OrganisationId) -> Result<Self::State, StoreError> {
        Ok(Known::new([]))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Finding> {
        let kind = at.optional("finding", self.kind.as_deref(), Lookup::finding_kind);
        let found_by = at.optional("found_by", self.found_by.as_deref(), Lookup::person);
        let engine = at.engine("serial", &self.serial)?;
        let found_at = at.past_instant("found_at", self.found_at, engine.zone);
        let closed_at = match self.closed_at {
            None => None,
            Some(closed_at) => Some(at.past_instant("closed_at", closed_at, engine.zone)?),
        };
        let (kind, found_at) = (kind?, found_at?);
        if let Some(closed) = closed_at.filter(|closed| *closed < found_at) {
            let message = "may not be before found_at";
            let closed = local(closed, engine.zone);
            at.refuse("closed_at", &closed, "ends-before-it-begins", message);
            return None;
        }
        // A row without kind has an urgency of its own: its file was checked for that.
        let urgency = self.urgency.or(kind.map(|kind| kind.urgency))?;
        Some(Finding {
            id: FindingId::fresh(),
            version: 1,
            engine: engine.id,
            kind: kind.map(|kind| kind.id),
            title: self.title,
            urgency,
            safety: self.safety.unwrap_or(kind.is_some_and(|kind| kind.safety)),
            status: self.status,
            found_at,
            found_by: found_by?,
            life: self.life,
            note: self.note,
            closed_at,
            closing_note: self.closing_note,
        })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, Finding)],
    ) -> Result<(), StoreError> {
        let engines = distinct(entries.iter().map(|(_, finding)| finding.engine));
        let times = || entries.iter().map(|(_, finding)| finding.found_at);
        let (Some(first), Some(last)) = (times().min(), times().max()) else { return Ok(()) };
        let query = record::of::<Finding>(organisation)
            .filter(findings::Column::EngineId.is_in(engines.iter().map(|id| id.0)))
            .filter(findings::Column::FoundAt.between(first, last));
        let found = record::select::<Finding>(transaction, query).await?;
        *state = Known::new(found.iter().map(|one| (finding_key(one), values(one))));
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &Finding, at: &mut Lookup<'_>) -> Verdict {
        state.judge(finding_key(entry), values(entry), at)
    }

    /// A finding that stops an engine, or touches safety, holds it as long as it is open.
    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Finding>,
    ) -> Result<(), StoreError> {
        let stops = |finding: &&Finding| {
            finding.status != FindingStatus::Closed
                && (finding.safety || finding.urgency == Urgency::Stop)
        };
        let holds = entries.iter().filter(stops).map(|finding| Hold {
            id: HoldId::fresh(),
            version: 1,
            engine: finding.engine,
            finding: Some(finding.id),
            safety: finding.safety,
            reason: finding.title.clone(),
            placed_at: finding.found_at,
            placed_by: finding.found_by,
            cleared_at: None,
            cleared_by: None,
            clearing_note: None,
        });
        let holds: Vec<_> = holds.collect();
        record::create(transaction, organisation, author, &entries).await?;
        record::create(transaction, organisation, author, &holds).await
    }
}

fn finding_key(finding: &Finding) -> (EngineId, String, DateTime<Utc>) {
    (finding.engine, finding.title.clone(), finding.found_at)
}
