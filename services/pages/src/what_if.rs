//! What if: a person more, an order late, engines more, solved beside a plan that stays as it is.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use fleet::id::{OrderId, PlanId, PoolId};
use fleet::order::{Order, OrderStatus};
use fleet::visit::Plan;
use runs::plan::parameters::{PlanParameters, WhatIf};
use runs::plan::standing::{self, Standing};
use store::record;
use uuid::Uuid;

use crate::failure::{Failure, shown, shown_again};
use crate::form::{Choice, Field, choose};
use crate::frame::{Frame, Link};
use crate::plan_run::{asked, run_path};
use crate::plan_seen::{plan_path, proven, room};
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "what_if.html")]
pub struct WhatIfPage {
    pub frame: Frame,
    pub back: Link,
    pub heading: String,
    pub lead: String,
    pub to: String,
    pub kind: Field,
    pub skills: Vec<Choice>,
    pub people: Field,
    pub orders: Vec<Choice>,
    pub days: Field,
    pub pools: Vec<Choice>,
    pub engines: Field,
}

impl WhatIfPage {
    /// Whether the choice `kind` is ticked; the first is, where nothing was chosen.
    pub fn is(&self, kind: &str) -> bool {
        self.kind.value == kind || (self.kind.value.is_empty() && kind == "hands")
    }
}

const MANY_MAX: u32 = 200;

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(plan): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::Plan)?;
    let standing = read(&state, &visitor, PlanId(plan)).await?;
    shown(&page(&state, &visitor, &standing, &Fields::default(), Faults::default()).await?)
}

async fn read(state: &PagesState, visitor: &Visitor, plan: PlanId) -> Result<Standing, Failure> {
    Ok(standing::read(state.store.connection(), visitor.organisation, plan).await?)
}

/// What is wrong, by field.
#[derive(Default)]
struct Faults {
    kind: String,
    people: String,
    days: String,
    engines: String,
}

pub async fn ask(
    State(state): State<PagesState>,
    Path(plan): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let standing = read(&state, &visitor, PlanId(plan)).await?;
    match wanted(&fields) {
        Ok(what) => {
            let Plan { id, kind, site, .. } = standing.plan;
            let mut parameters = PlanParameters::of(kind);
            (parameters.from, parameters.what_if) = (Some(id), Some(what));
            let run = asked(&state, &visitor, Some(site), &parameters).await?;
            Ok(Redirect::to(&run_path(run.id)).into_response())
        }
        Err(faults) => shown_again(&page(&state, &visitor, &standing, &fields, faults).await?),
    }
}

fn wanted(fields: &Fields) -> Result<WhatIf, Faults> {
    let many = |name| {
        let given: Option<u32> = fields.get(name).parse().ok();
        given.filter(|many| (1..=MANY_MAX).contains(many))
    };
    let fault = || format!("Write a whole number from 1 to {MANY_MAX}.");
    let choose = || "Choose what to try.".to_owned();
    match fields.get("kind") {
        "hands" => match many("people") {
            Some(people) => Ok(WhatIf::MoreHands { skill: fields.get("skill").to_owned(), people }),
            None => Err(Faults { people: fault(), ..Faults::default() }),
        },
        "order" => match (many("days"), fields.get("order").parse().ok()) {
            (Some(days), Some(order)) => Ok(WhatIf::OrderLate { order: OrderId(order), days }),
            (None, _) => Err(Faults { days: fault(), ..Faults::default() }),
            (_, None) => Err(Faults { kind: "Choose an order.".into(), ..Faults::default() }),
        },
        "engines" => match (many("engines"), fields.get("pool").parse().ok()) {
            (Some(engines), Some(pool)) => Ok(WhatIf::MoreEngines { pool: PoolId(pool), engines }),
            (None, _) => Err(Faults { engines: fault(), ..Faults::default() }),
            (_, None) => Err(Faults { kind: choose(), ..Faults::default() }),
        },
        _ => Err(Faults { kind: choose(), ..Faults::default() }),
    }
}

async fn page(
    state: &PagesState,
    visitor: &Visitor,
    standing: &Standing,
    typed: &Fields,
    faults: Faults,
) -> Result<WhatIfPage, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(state, visitor).await?;
    let mut orders: Vec<Order> = record::all(connection, organisation).await?;
    orders.retain(|order| matches!(order.status, OrderStatus::Sent | OrderStatus::PartReceived));
    let plan = &standing.plan;
    let problem = &standing.problem;
    let skills = problem.instance.skills.iter().map(|skill| Choice::new(&skill.id, &skill.id));
    let pools = yard.pools.iter().filter(|pool| pool.site == plan.site);
    let pools = pools.map(|pool| Choice::new(pool.id.to_string(), &pool.name));
    let orders = orders.iter().map(|order| Choice::new(order.id.to_string(), &order.number));
    let field = |name: &str, usual: &str, fault: String| {
        let value = if typed.has(name) { typed.get(name) } else { usual };
        Field { value: value.to_owned(), fault }
    };
    Ok(WhatIfPage {
        frame: visitor.frame("What if", room(plan.kind)),
        back: Link::new(&plan.name, plan_path(plan)),
        heading: "What if".to_owned(),
        lead: format!("Solved beside {}, which stays as it is. {}", plan.name, proven(standing)),
        to: format!("/plans/{}/what-if", plan.id),
        skills: choose(skills, typed.get("skill")),
        people: field("people", "1", faults.people),
        orders: choose(orders, typed.get("order")),
        days: field("days", "7", faults.days),
        pools: choose(pools, typed.get("pool")),
        engines: field("engines", "10", faults.engines),
        kind: Field { value: typed.get("kind").to_owned(), fault: faults.kind },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_is_none_is_asked_about_beside_its_field() {
        let faults = |pairs: &[(&str, &str)]| wanted(&Fields::of(pairs)).err();
        for given in ["", "0", "201", "1.5", "x"] {
            let found = faults(&[("kind", "hands"), ("people", given)]);
            assert!(found.is_some_and(|faults| !faults.people.is_empty()), "{given}");
        }
        assert!(faults(&[]).is_some_and(|faults| !faults.kind.is_empty()));
    }

    #[test]
    fn what_was_chosen_is_asked_for() {
        let pairs = [("kind", "hands"), ("skill", "mechanic"), ("people", "200")];
        let asked = wanted(&Fields::of(&pairs)).ok();
        let hands = WhatIf::MoreHands { skill: "mechanic".to_owned(), people: 200 };
        assert_eq!(asked, Some(hands));
    }
}
