//! Parts, kits and supersessions.

use std::collections::HashMap;

use exchange::load::{KitRow, PartRow, SupersessionRow};
use fleet::id::{KitLineId, OrganisationId, PartId, SupersessionId};
use fleet::part::{KitLine, Part, PartKind, Supersession};

use super::differences::{Known, values};
use super::names::{Lookup, Needs, shown_ring};
use super::{Loaded, Verdict};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::ring;
use crate::store::Transaction;

impl Loaded for PartRow {
    type Entry = Part;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Part>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| (one.number.clone(), values(one)))))
    }

    fn entry(self, _: &mut Lookup<'_>) -> Option<Part> {
        Some(Part {
            id: PartId::fresh(),
            version: 1,
            number: self.part,
            maker: self.maker,
            name: self.name,
            kind: self.kind,
            unit: self.unit,
            compound: self.compound,
            shelf_life_months: self.shelf_life_months,
            shelf_life_source: self.shelf_life_source,
            sealing: self.sealing,
            returnable: self.returnable,
            boat_days_lost_hundredths: self.boat_days_lost_hundredths,
            family: self.family,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &Part, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.number.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Part>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// Kits by what they hold, and the way from kit to part.
pub(super) struct KitState {
    known: Known<(PartId, PartId)>,
    holds: HashMap<PartId, Vec<PartId>>,
}

impl Loaded for KitRow {
    type Entry = KitLine;
    type State = KitState;
    const NEEDS: &'static [Needs] = &[Needs::Parts];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<KitLine>(transaction, organisation).await?;
        let known = Known::new(all.iter().map(|one| ((one.kit, one.part), values(one))));
        let mut holds: HashMap<PartId, Vec<PartId>> = HashMap::new();
        for line in all {
            holds.entry(line.kit).or_default().push(line.part);
        }
        Ok(KitState { known, holds })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<KitLine> {
        let kit = at.part_and_kind("kit", &self.kit);
        let part = at.part("part", &self.part);
        let ((kit, kind), part) = (kit?, part?);
        if kind != PartKind::Kit {
            let message = format!("the part is on record as {kind}, not as kit");
            at.refuse("kit", &self.kit, "not-a-kit", message);
            return None;
        }
        let quantity = i64::from(self.quantity);
        Some(KitLine { id: KitLineId::fresh(), version: 1, kit, part, quantity })
    }

    fn judge(state: &mut Self::State, entry: &KitLine, at: &mut Lookup<'_>) -> Verdict {
        let verdict = state.known.judge((entry.kit, entry.part), values(entry), at);
        if verdict != Verdict::New {
            return verdict;
        }
        if let Some(way) = ring::way(entry.part, entry.kit, |part| state.holds.get(&part)) {
            let way = shown_ring(entry.kit.0, way.iter().map(|part| part.0), at.names);
            let message = format!("a kit can't hold itself: {way}");
            let part = at.names.shown(entry.part.0).unwrap_or_default().to_owned();
            at.refuse("part", &part, "kit-loop", message);
            return Verdict::Refused;
        }
        state.holds.entry(entry.kit).or_default().push(entry.part);
        Verdict::New
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<KitLine>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// Supersessions, and what follows each part.
pub(super) struct SupersessionState {
    known: Known<(PartId, PartId)>,
    follows: HashMap<PartId, Vec<PartId>>,
}

impl Loaded for SupersessionRow {
    type Entry = Supersession;
    type State = SupersessionState;
    const NEEDS: &'static [Needs] = &[Needs::Parts];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Supersession>(transaction, organisation).await?;
        let known = Known::new(all.iter().map(|one| ((one.old_part, one.new_part), values(one))));
        let follows = all.iter().map(|one| (one.old_part, vec![one.new_part])).collect();
        Ok(SupersessionState { known, follows })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Supersession> {
        let old_part = at.part("old_part", &self.old_part);
        let new_part = at.part("new_part", &self.new_part);
        Some(Supersession {
            id: SupersessionId::fresh(),
            version: 1,
            old_part: old_part?,
            new_part: new_part?,
            two_way: self.two_way,
            new_for_old_numerator: self.new_quantity,
            new_for_old_denominator: self.old_quantity,
            use_up_old: self.use_up_old,
            effective_on: self.effective_on,
            source: self.source,
        })
    }

    fn judge(state: &mut Self::State, entry: &Supersession, at: &mut Lookup<'_>) -> Verdict {
        let verdict = state.known.judge((entry.old_part, entry.new_part), values(entry), at);
        if verdict != Verdict::New {
            return verdict;
        }
        let new = at.names.shown(entry.new_part.0).unwrap_or_default().to_owned();
        if let Some(has) = state.follows.get(&entry.old_part).and_then(|parts| parts.first()) {
            let has = at.names.shown(has.0).unwrap_or_default();
            let message = format!("{has} follows that part already; one part has one successor");
            at.refuse("new_part", &new, "supersession-two-successors", message);
            return Verdict::Refused;
        }
        let next = |part| state.follows.get(&part);
        if let Some(way) = ring::way(entry.new_part, entry.old_part, next) {
            let way = shown_ring(entry.old_part.0, way.iter().map(|part| part.0), at.names);
            let message = format!("a part can't follow itself: {way}");
            at.refuse("new_part", &new, "supersession-loop", message);
            return Verdict::Refused;
        }
        state.follows.insert(entry.old_part, vec![entry.new_part]);
        Verdict::New
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Supersession>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}
