//! What most pages need to name things: sites, pools, boats, engines and where they sit.
//!
//! Read whole: an organisation has hundreds of each, thousands at the most. What grows with time
//! (readings, services, runs) is never read here.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::boat::Boat;
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineModel, EngineStatus};
use fleet::id::{BoatId, EngineId, ModelId, PoolId, SiteId};
use fleet::pool::Pool;
use fleet::site::Site;
use store::{boats, record};

use crate::failure::Failure;
use crate::figures::HoursStyle;
use crate::form::{Choice, choose};
use crate::frame::Link;
use crate::reads::Standing;
use crate::state::PagesState;
use crate::visitor::Visitor;

pub struct Yard {
    pub sites: Vec<Site>,
    pub pools: Vec<Pool>,
    pub models: HashMap<ModelId, EngineModel>,
    pub boats: HashMap<BoatId, Boat>,
    pub engines: HashMap<EngineId, Engine>,
    /// The boat that each engine sits on now.
    boat_of: HashMap<EngineId, BoatId>,
    pub zone: Tz,
    pub now: DateTime<Utc>,
    pub today: NaiveDate,
    pub style: HoursStyle,
}

impl Yard {
    pub async fn read(state: &PagesState, visitor: &Visitor) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let mut sites: Vec<Site> = record::all(connection, organisation).await?;
        sites.retain(|site| !site.archived);
        sites.sort_by(|a, b| a.name.cmp(&b.name));
        let mut pools: Vec<Pool> = record::all(connection, organisation).await?;
        pools.retain(|pool| !pool.archived);
        pools.sort_by(|a, b| a.name.cmp(&b.name));
        let models: Vec<EngineModel> = record::all(connection, organisation).await?;
        let hulls: Vec<Boat> = record::all(connection, organisation).await?;
        let engines: Vec<Engine> = record::all(connection, organisation).await?;
        let fittings = boats::open_fittings(connection, organisation).await?;
        let home = visitor.person.site;
        let site = sites.iter().find(|site| Some(site.id) == home).or_else(|| sites.first());
        let zone = site.and_then(|site| site.time_zone.parse().ok()).unwrap_or(Tz::UTC);
        let now = state.now();
        Ok(Self {
            sites,
            pools,
            models: models.into_iter().map(|model| (model.id, model)).collect(),
            boats: hulls.into_iter().map(|boat| (boat.id, boat)).collect(),
            engines: engines.into_iter().map(|engine| (engine.id, engine)).collect(),
            boat_of: fittings.into_iter().map(|fitting| (fitting.engine, fitting.boat)).collect(),
            zone,
            now,
            today: day_of(now, zone),
            style: HoursStyle::default(),
        })
    }

    pub fn boat_of(&self, engine: EngineId) -> Option<&Boat> {
        self.boats.get(self.boat_of.get(&engine)?)
    }

    /// Writes hours as those of `standings` are written.
    pub fn write_hours_as<'a>(&mut self, standings: impl Iterator<Item = &'a Standing>) {
        self.style = HoursStyle::of(standings.map(|standing| standing.shown.seconds()));
    }

    pub fn pool(&self, id: PoolId) -> Option<&Pool> {
        self.pools.iter().find(|pool| pool.id == id)
    }

    pub fn site_of(&self, engine: &Engine) -> Option<SiteId> {
        self.pool(engine.pool).map(|pool| pool.site)
    }

    /// An engine as the jetty names it: by its boat where it sits on one, else by its serial.
    pub fn name(&self, engine: EngineId) -> String {
        let boat = self.boat_of(engine).map(|boat| boat.name.clone());
        let serial = || self.engines.get(&engine).map(|engine| engine.serial.clone());
        boat.or_else(serial).unwrap_or_default()
    }

    pub fn site_name(&self, id: SiteId) -> &str {
        self.sites.iter().find(|site| site.id == id).map_or("", |site| site.name.as_str())
    }

    pub fn link(&self, engine: EngineId) -> Link {
        Link::new(self.name(engine), engine_path(engine))
    }

    /// Engines that may be asked for: sold and retired ones are history.
    pub fn working_engines(&self) -> impl Iterator<Item = &Engine> {
        let works = |engine: &&Engine| {
            matches!(engine.status, EngineStatus::InService | EngineStatus::LaidUp)
        };
        self.engines.values().filter(works)
    }

    pub fn pool_choices(&self, chosen: &str) -> Vec<Choice> {
        let pools = self.pools.iter().map(|pool| Choice::new(pool.id.to_string(), &pool.name));
        choose([Choice::new("", "All")].into_iter().chain(pools), chosen)
    }

    pub fn site_choices(&self, chosen: &str) -> Vec<Choice> {
        let sites = self.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
        choose([Choice::new("", "All")].into_iter().chain(sites), chosen)
    }
}

pub fn engine_path(engine: EngineId) -> String {
    format!("/fleet/engines/{engine}")
}
