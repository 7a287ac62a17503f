//! Pools, boats, bookings and the hire log.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, NaiveDate, Utc};
use exchange::load::{BoatRow, BookingRow, HireRow, PoolMinimumRow, PoolRow};
use fleet::boat::Boat;
use fleet::hire::{Booking, Hire};
use fleet::id::{BoatId, BookingId, HireId, OrganisationId, PoolId, PoolMinimumId, SiteId};
use fleet::pool::{Pool, PoolMinimum};
use sea_orm::{ColumnTrait as _, QueryFilter as _};

use super::differences::{Known, values};
use super::engines::taken_tag;
use super::names::{Lookup, Needs};
use super::{Loaded, Verdict};
use crate::entity::{bookings, hire_log};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::store::Transaction;

impl Loaded for PoolRow {
    type Entry = Pool;
    type State = Known<(SiteId, String)>;
    const NEEDS: &'static [Needs] = &[Needs::Sites];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Pool>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.site, one.name.clone()), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Pool> {
        let site = at.site("site", &self.site)?.id;
        Some(Pool {
            id: PoolId::fresh(),
            version: 1,
            site,
            name: self.pool,
            water: self.water,
            used_for: self.used_for,
            severity_percent: self.severity_percent,
            running_factor_permille: self.running_factor_permille,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &Pool, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.site, entry.name.clone()), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Pool>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for PoolMinimumRow {
    type Entry = PoolMinimum;
    type State = Known<(PoolId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Pools];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<PoolMinimum>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.pool, one.from_on), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<PoolMinimum> {
        let Self { pool, site, from_on, until_on, boats } = self;
        let pool = at.pool(&pool, site.as_deref())?.id;
        let id = PoolMinimumId::fresh();
        Some(PoolMinimum { id, version: 1, pool, from_on, until_on, boats })
    }

    fn judge(state: &mut Self::State, entry: &PoolMinimum, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.pool, entry.from_on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<PoolMinimum>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

pub(super) struct BoatState {
    known: Known<(SiteId, String)>,
    tags: HashSet<String>,
}

impl Loaded for BoatRow {
    type Entry = Boat;
    type State = BoatState;
    const NEEDS: &'static [Needs] = &[Needs::Pools];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Boat>(transaction, organisation).await?;
        let known = Known::new(all.iter().map(|one| ((one.site, one.name.clone()), values(one))));
        Ok(BoatState { known, tags: all.into_iter().filter_map(|boat| boat.tag).collect() })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Boat> {
        let site_name = self.site;
        let site = at.site("site", &site_name)?.id;
        let pool = match self.pool {
            None => None,
            Some(pool) => Some(at.pool(&pool, Some(&site_name))?.id),
        };
        Some(Boat {
            id: BoatId::fresh(),
            version: 1,
            site,
            pool,
            name: self.boat,
            tag: self.tag,
            jetty: self.jetty,
            jetty_order: self.jetty_order,
            severity_percent: self.severity_percent,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &Boat, at: &mut Lookup<'_>) -> Verdict {
        let verdict = state.known.judge((entry.site, entry.name.clone()), values(entry), at);
        taken_tag(verdict, &mut state.tags, entry.tag.as_deref(), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Boat>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for BookingRow {
    type Entry = Booking;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[Needs::Pools];

    async fn begin(_: &Transaction, _: OrganisationId) -> Result<Self::State, StoreError> {
        Ok(Known::new([]))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Booking> {
        let pool = at.pool(&self.pool, self.site.as_deref())?;
        let starts_at = at.instant("starts_at", self.starts_at, pool.zone);
        let ends_at = at.end_instant("ends_at", self.ends_at, pool.zone);
        let (starts_at, ends_at) = (starts_at?, ends_at?);
        at.in_order("ends_at", (starts_at, ends_at), pool.zone).then(|| Booking {
            id: BookingId::fresh(),
            version: 1,
            pool: pool.id,
            starts_at,
            ends_at,
            boats: self.boats,
            reference: self.reference,
            status: self.status,
        })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, Booking)],
    ) -> Result<(), StoreError> {
        let references: Vec<_> = entries.iter().map(|(_, one)| one.reference.as_str()).collect();
        let column = bookings::Column::Reference;
        let found: Vec<Booking> =
            record::by_text(transaction, organisation, column, &references).await?;
        *state = Known::new(found.iter().map(|one| (one.reference.clone(), values(one))));
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &Booking, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.reference.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Booking>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// From when to when a boat was out.
type Span = (DateTime<Utc>, DateTime<Utc>);

/// Hires of the boats of a chunk, in its time.
pub(super) struct HireState {
    known: Known<(BoatId, DateTime<Utc>)>,
    out: HashMap<BoatId, Vec<Span>>,
}

impl Loaded for HireRow {
    type Entry = Hire;
    type State = HireState;
    const NEEDS: &'static [Needs] = &[Needs::Boats, Needs::Bookings];

    async fn begin(_: &Transaction, _: OrganisationId) -> Result<Self::State, StoreError> {
        Ok(HireState { known: Known::new([]), out: HashMap::new() })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Hire> {
        let booking = at.optional("booking", self.booking.as_deref(), Lookup::booking);
        let boat = at.boat(&self.boat, self.site.as_deref())?;
        let out_at = at.past_instant("out_at", self.out_at, boat.zone);
        let back_at = at.end_instant("back_at", self.back_at, boat.zone);
        let (booking, out_at, back_at) = (booking?, out_at?, back_at?);
        at.in_order("back_at", (out_at, back_at), boat.zone).then(|| Hire {
            id: HireId::fresh(),
            boat: boat.id,
            out_at,
            back_at,
            used_for: self.used_for,
            booking,
            source: self.source,
        })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, Hire)],
    ) -> Result<(), StoreError> {
        let mut boats: Vec<_> = entries.iter().map(|(_, hire)| hire.boat.0).collect();
        boats.sort_unstable();
        boats.dedup();
        let from = entries.iter().map(|(_, hire)| hire.out_at).min();
        let until = entries.iter().map(|(_, hire)| hire.back_at).max();
        let (Some(from), Some(until)) = (from, until) else { return Ok(()) };
        let query = record::of::<Hire>(organisation)
            .filter(hire_log::Column::BoatId.is_in(boats))
            .filter(hire_log::Column::OutAt.lt(until))
            .filter(hire_log::Column::BackAt.gt(from));
        let found = record::select::<Hire>(transaction, query).await?;
        state.known = Known::new(found.iter().map(|one| ((one.boat, one.out_at), values(one))));
        state.out = HashMap::new();
        for hire in found {
            state.out.entry(hire.boat).or_default().push((hire.out_at, hire.back_at));
        }
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &Hire, at: &mut Lookup<'_>) -> Verdict {
        let verdict = state.known.judge((entry.boat, entry.out_at), values(entry), at);
        if verdict != Verdict::New {
            return verdict;
        }
        let out = state.out.entry(entry.boat).or_default();
        let other = out.iter().find(|(from, until)| entry.out_at < *until && *from < entry.back_at);
        if let Some((from, until)) = other {
            let message = format!(
                "the boat was out already, from {} to {}",
                at.local_to_boat(entry.boat, *from),
                at.local_to_boat(entry.boat, *until)
            );
            let name = at.names.shown(entry.boat.0).unwrap_or_default().to_owned();
            at.refuse("boat", &name, "hire-overlaps", message);
            return Verdict::Refused;
        }
        out.push((entry.out_at, entry.back_at));
        Verdict::New
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        _: &Author,
        _: &mut Self::State,
        entries: Vec<Hire>,
    ) -> Result<(), StoreError> {
        record::append(transaction, organisation, &entries).await
    }
}
