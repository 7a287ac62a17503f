//! One part's lives: the sentence, the picture, what to do with its interval, and a person who
//! accepts that or does not.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use fleet::id::{IntervalId, PartId};
use fleet::run::RunKind;
use runs::lives::kept::{Group, GroupOf, ItemLives, LivesKept, Proposal};
use runs::{RunError, lives as computed};
use store::Transaction;
use uuid::Uuid;

use crate::chart::life::LifePicture;
use crate::chart::{Picture, Table};
use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{capital, count};
use crate::form::{Act, Field};
use crate::frame::{Frame, Link, Notice, Room};
use crate::lives::{life_path, read};
use crate::run::Latest;
use crate::state::PagesState;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "life.html")]
pub struct LifePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    /// Governing water first.
    pub sentences: Vec<String>,
    pub proposals: Vec<ProposalLine>,
    pub picture: Picture,
    pub picture_says: String,
    /// What the figures rest on.
    pub rests_on: Vec<String>,
    pub comparisons: Vec<String>,
    pub groups: Table,
    pub parts: Vec<Link>,
}

/// What the lives say of one row of the programme.
#[derive(Clone, Debug)]
pub struct ProposalLine {
    pub id: String,
    pub sentence: String,
    pub why: String,
    /// For those who may change the programme, where there is something to change.
    pub act: Option<Act>,
    pub note: Field,
}

/// What was typed beside a proposal that could not be accepted.
struct Typed {
    interval: IntervalId,
    note: Field,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(part): Path<Uuid>,
) -> Result<Response, Failure> {
    let seen = Seen::read(&state, &visitor, PartId(part)).await?;
    shown(&seen.page(&visitor, None)?)
}

/// Accepts a proposal: the programme's row gets the hours, with the reason in its history.
pub async fn accept(
    State(state): State<PagesState>,
    Path(part): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Plan)?;
    let seen = Seen::read(&state, &visitor, PartId(part)).await?;
    let interval: Uuid = fields.get("interval").parse().map_err(|_| Failure::Unreadable)?;
    let interval = IntervalId(interval);
    let item = seen.item()?;
    let proposal = item.proposals.iter().find(|it| it.interval == interval);
    let proposal = proposal.ok_or(Failure::NotFound)?;
    let note = fields.get("note").to_owned();
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let change = async |tx: &Transaction| {
        computed::accept(tx, organisation, &author, (item, proposal), &note).await
    };
    match state.store.write(change).await {
        Ok(_) => {
            let to_h = proposal.to_h.unwrap_or(proposal.every_h);
            let says = format!(
                "The interval of {} is now {to_h:.0} h on {}; it was {:.0} h. The next due run \
                 counts by it.",
                item.task_name.as_deref().unwrap_or(&item.name),
                proposal.model_name,
                proposal.every_h
            );
            Ok(onward(&state, &life_path(PartId(part)), &Notice::done(says)))
        }
        Err(RunError::Refused { what, .. }) => {
            let note = Field { value: note, fault: sentence(&what) };
            shown_again(&seen.page(&visitor, Some(Typed { interval, note }))?)
        }
        Err(error) => Err(error.into()),
    }
}

/// The lives as the last run kept them.
struct Seen {
    yard: Yard,
    latest: Latest,
    kept: Option<LivesKept>,
    part: PartId,
    numbers: Vec<(PartId, String)>,
    /// Intervals that were changed since the run.
    changed: Vec<IntervalId>,
}

impl Seen {
    async fn read(state: &PagesState, visitor: &Visitor, part: PartId) -> Result<Self, Failure> {
        let yard = Yard::read(state, visitor).await?;
        let latest = Latest::of(state, visitor.organisation, RunKind::Life).await?;
        let kept = read(state, visitor, &latest).await?;
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let item = kept.as_ref().and_then(|kept| kept.of_part(part));
        let ids = item.map(|item| item.parts.clone()).unwrap_or_default();
        let parts: Vec<fleet::part::Part> =
            store::record::by_ids(connection, organisation, &ids).await?;
        let proposals = item.map(|item| &item.proposals[..]).unwrap_or_default();
        let intervals: Vec<IntervalId> = proposals.iter().map(|it| it.interval).collect();
        let rows: Vec<fleet::programme::ProgrammeInterval> =
            store::record::by_ids(connection, organisation, &intervals).await?;
        let same = |proposal: &&Proposal| {
            rows.iter().any(|row| row.id == proposal.interval && row.version == proposal.version)
        };
        let changed = proposals.iter().filter(|it| !same(it)).map(|it| it.interval).collect();
        Ok(Self {
            yard,
            latest,
            part,
            numbers: parts.into_iter().map(|part| (part.id, part.number)).collect(),
            changed,
            kept,
        })
    }

    fn item(&self) -> Result<&ItemLives, Failure> {
        let kept = self.kept.as_ref().ok_or(Failure::NotFound)?;
        kept.of_part(self.part).ok_or(Failure::NotFound)
    }

    fn page(&self, visitor: &Visitor, typed: Option<Typed>) -> Result<LifePage, Failure> {
        let item = self.item()?;
        let whole = item.whole().ok_or(Failure::NotFound)?;
        let currency = self.kept.as_ref().map(|kept| kept.currency.to_string());
        // One interval for all models can be drawn; several can't be one line.
        let mut every = item.proposals.iter().map(|it| it.every_h * it.severity);
        let first = every.next();
        let interval = first.filter(|first| every.all(|other| (other - first).abs() < 0.5));
        let picture = LifePicture {
            subject: item.name.to_lowercase(),
            group: whole,
            currency: currency.unwrap_or_default(),
            interval,
        };
        let line = |proposal| self.line(visitor, proposal, typed.as_ref());
        Ok(LifePage {
            frame: visitor.frame(&item.name, Room::Fleet),
            heading: format!("{}: how long it lasts", item.name),
            lead: match &item.task_name {
                Some(task) if item.on_condition => {
                    format!(
                        "Looked at by “{task}”, renewed where it must be. {}",
                        self.latest.says(&self.yard)
                    )
                }
                Some(task) => format!("Renewed by “{task}”. {}", self.latest.says(&self.yard)),
                None => self.latest.says(&self.yard),
            },
            sentences: item.by_water().iter().map(|it| capital(&it.sentence) + ".").collect(),
            proposals: item.proposals.iter().map(line).collect(),
            picture_says: picture.describe(),
            picture: picture.draw("life"),
            rests_on: rests_on(item, whole, &picture.currency),
            comparisons: item.comparisons.iter().map(|it| capital(&it.sentence) + ".").collect(),
            groups: groups(item),
            parts: self
                .numbers
                .iter()
                .map(|(id, number)| Link::new(number, format!("/stores/parts/{id}")))
                .collect(),
        })
    }

    fn line(&self, visitor: &Visitor, proposal: &Proposal, typed: Option<&Typed>) -> ProposalLine {
        let changed = self.changed.contains(&proposal.interval);
        let may = visitor.may(Right::Plan) && !changed;
        let act = proposal.to_h.filter(|_| may).map(|to_h| {
            let text = format!("Change it to {to_h:.0} h on {}", proposal.model_name);
            Act::new(text, format!("{}/accept", life_path(self.part)))
                .with("interval", proposal.interval)
        });
        let severity = if (proposal.severity - 1.0).abs() > 0.005 {
            format!(
                " Its engines' use multiplies the interval by {:.2} on the mean; that is taken out \
                 of the figure.",
                proposal.severity
            )
        } else {
            String::new()
        };
        let maker = if proposal.of_maker && proposal.to_h.is_some() {
            " The interval in use is the maker's own figure: a longer one is against the manual, and \
             a warranty may hang on it."
        } else {
            ""
        };
        let since =
            if changed { " The row was changed since; the next run looks again." } else { "" };
        ProposalLine {
            id: proposal.interval.to_string(),
            sentence: capital(&proposal.sentence) + ".",
            why: format!("Rests on {}.{severity}{maker}{since}", proposal.rests_on),
            note: typed
                .filter(|typed| typed.interval == proposal.interval)
                .map_or_else(Field::default, |typed| typed.note.clone()),
            act,
        }
    }
}

fn rests_on(item: &ItemLives, whole: &Group, currency: &str) -> Vec<String> {
    let mut said = Vec::new();
    let in_service = whole.lives - whole.failures;
    let intervals = if whole.intervals > 0 {
        format!(" Of the failures {} are known to lie between two looks only.", whole.intervals)
    } else {
        String::new()
    };
    said.push(format!(
        "{} ended in a failure; {} were renewed sound or are still in an engine.{intervals}",
        count(whole.failures, "life", "lives"),
        in_service
    ));
    if item.left_out > 0 {
        said.push(format!(
            "{} left out: their beginning, or the hours at it, is not on record.",
            count(item.left_out, "renewal is", "renewals are")
        ));
    }
    if item.unknown_reason > 0 {
        said.push(format!(
            "{} no reason on record: taken as sound then.",
            count(item.unknown_reason, "renewal has", "renewals have")
        ));
    }
    if let Some(law) = &whole.law {
        let bound = |bound: Option<f64>, digits: usize| {
            bound.map_or("no bound".to_owned(), |bound| format!("{bound:.digits$}"))
        };
        said.push(format!(
            "Weibull law: shape {:.2} ({} to {}), scale {:.0} h ({} to {}), at 95 %. A shape above 1 \
             wears out.",
            law.shape,
            bound(law.shape_low, 2),
            bound(law.shape_high, 2),
            law.scale,
            bound(law.scale_low, 0),
            bound(law.scale_high, 0)
        ));
    }
    if let Some(range) = &whole.range {
        said.push(capital(&range.reason) + ".");
    }
    if let Some(costs) = &whole.costs {
        said.push(format!(
            "A planned renewal costs {:.0} {currency}, one after a failure {:.0} {currency} ({}).",
            costs.planned, costs.failure, costs.basis
        ));
    }
    if let Some(cheapest) = &whole.cheapest
        && let (Some(low), Some(high)) = (cheapest.at_shape_low, cheapest.at_shape_high)
    {
        let (low, high) = (low.min(high), low.max(high));
        said.push(format!(
            "With the shape at its bounds the age that costs least would be {low:.0} or {high:.0} h."
        ));
    }
    said
}

/// Every group in figures.
fn groups(item: &ItemLives) -> Table {
    let head = ["Lives", "Number", "Failed", "Mean life", "Costs least at"];
    let row = |group: &Group| {
        let of = match group.of {
            GroupOf::All => "All together".to_owned(),
            _ => capital(&group.name),
        };
        let range = |range: &runs::lives::kept::MeanRange| match (range.low, range.high) {
            (Some(low), Some(high)) => format!("{low:.0} to {high:.0} h"),
            (Some(low), None) => format!("at least {low:.0} h"),
            (None, Some(high)) => format!("at most {high:.0} h"),
            (None, None) => "–".to_owned(),
        };
        let mean = group.mean_life.map(|mean| format!("{mean:.0} h"));
        let mean = mean.or_else(|| group.range.as_ref().map(range));
        let best = group.cheapest.as_ref().map(|cheapest| match cheapest.best {
            Some(best) => format!("{:.0} h", best.age),
            None => "no age".to_owned(),
        });
        vec![
            of,
            group.lives.to_string(),
            group.failures.to_string(),
            mean.unwrap_or_else(|| "–".to_owned()),
            best.unwrap_or_else(|| "–".to_owned()),
        ]
    };
    Table { head: head.map(str::to_owned).to_vec(), rows: item.groups.iter().map(row).collect() }
}
