//! Every page on invented figures: what all pages promise is tested here, and with
//! `SLACKWATER_GALLERY=DIR` set the pages are also written to DIR, to be looked at.

use std::path::Path;

use askama::Template;
use chrono::{Days, NaiveDate};
use fleet::part::Unit;

use crate::afloat::{AfloatPage, DueRow, HeldRow, PoolBoats, UnknownRow};
use crate::board::{BoardLine, BoardPage, Jetty};
use crate::bundles::{BundlesPage, EngineBundle, TaskChoice};
use crate::chart::Table;
use crate::chart::boats::{BoatDay, describe, draw as draw_boats};
use crate::chart::curve::{Curve, Point};
use crate::chart::fan::{Expected, Used, draw as draw_fan};
use crate::chart::hours::{Ahead as HoursAhead, EngineHours, Event, EventKind, Shown};
use crate::chart::life::LifePicture;
use crate::chart::load::{SkillLoad, Week, draw as draw_load};
use crate::chart::tide::{Ahead, Tide};
use crate::check::{CheckLine, CheckPage, CheckSeen};
use crate::engine::{EnginePage, FindingLine, HoldLine, ReadingRow};
use crate::failure::FailurePage;
use crate::files::{FaultRow, FilesPage, Keep, Looked, TemplateRow};
use crate::finding::{FindingPage, KindChoice};
use crate::fleet_list::{EngineRow, FleetPage};
use crate::form::{Act, Choice, Column, Fact, Field, Mark, choose};
use crate::frame::{Frame, Link, Notice, Room, Who};
use crate::lay_up::{DayHead, LayUpPage, LeftOutLine, VersionLine, VisitLine, WeekShown};
use crate::life::{LifePage, ProposalLine};
use crate::lives::{LivesPage, LivesRow, paths};
use crate::look;
use crate::meter::MeterPage;
use crate::order::{AdviceLine, OrderPage, PointForm, SupplierLines};
use crate::orders::{OrderRow, OrdersPage};
use crate::part::PartPage;
use crate::plan_run::PlanRunPage;
use crate::retire::{EngineOutlook, RetirePage, RetireRow};
use crate::rotation::{RotationDay, RotationLine};
use crate::sign_in::SignInPage;
use crate::spare::{SpareBox, SpareOffer, SparePage};
use crate::stores::{PartRow, StoresPage};
use crate::surplus::{SurplusPage, SurplusRow};
use crate::swap_correction::SwapCorrectionPage;
use crate::visit::{OpeningLine, VisitPage};
use crate::what_if::WhatIfPage;

fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 7, 6).unwrap()
}

fn frame(title: &str, room: Room) -> Frame {
    let who = Who { name: "Ina Falk".into(), role: "planner".into(), form_key: "key".into() };
    Frame::of(title, room, who)
}

fn due_rows() -> Vec<DueRow> {
    let row = |engine: &str, task: &str, mark, tide: Tide, sentence: &str, aside: &str| DueRow {
        engine: Link::new(engine, "/fleet/engines/x"),
        task: task.into(),
        mark,
        strip: tide.draw(sentence),
        sentence: sentence.into(),
        aside: aside.into(),
    };
    let tide = |level, low, median, high, calendar| Tide {
        level: Some(level),
        ahead: Some(Ahead { low, median, high }),
        calendar: Some(calendar),
    };
    vec![
        row(
            "Wherry 14",
            "Gear oil",
            Some(Mark::soon("next 7 days")),
            tide(0.93, 0.98, 1.08, 1.22, 0.8),
            "50 h limit reached Thu 9 Jul",
            "80 %: 7 to 13 Jul · 3:30 h left · yard: salt use",
        ),
        row(
            "Tender 08",
            "Gear oil",
            Some(Mark::stop("over")),
            tide(1.12, 1.2, 1.28, 1.5, 0.75),
            "6 h over since Tue 30 Jun",
            "boat is back at 18:00",
        ),
        row(
            "Skiff 03",
            "Impeller and pump kit",
            None,
            tide(0.71, 0.74, 0.77, 0.81, 0.96),
            "twelve months on Tue 21 Jul, before the hours",
            "29 h left, 23 % by the end of July",
        ),
    ]
}

fn boat_days() -> Vec<BoatDay> {
    (0..42)
        .map(|i| BoatDay {
            day: today() + Days::new(i),
            wanted: 20 + (i as u32 % 7) * 2,
            there: if i == 18 { 26 } else { 33 },
        })
        .collect()
}

fn fan() -> crate::chart::Picture {
    let month = |i: u32| NaiveDate::from_ymd_opt(2024 + (i / 12) as i32, i % 12 + 1, 1).unwrap();
    let level = |i: u32| 6.0 + f64::from((i * 7) % 11);
    let past: Vec<_> = (6..30).map(|i| Used { month: month(i), quantity: level(i) }).collect();
    let ahead = |i: u32| Expected {
        month: month(i),
        planned: level(i) * 0.6,
        on_finding: level(i) * 0.25,
        unplanned: level(i) * 0.15,
        q10: (level(i) - 4.0).max(0.0),
        q25: (level(i) - 2.0).max(0.0),
        q50: level(i),
        q75: level(i) + 3.0,
        q90: level(i) + 6.0,
    };
    draw_fan(
        "fan",
        ("Seal kit", Unit::Each),
        &past,
        &(30..42).map(ahead).collect::<Vec<_>>(),
        today(),
    )
}

fn afloat() -> AfloatPage {
    AfloatPage {
        frame: frame("Afloat", Room::Afloat).with_notice(Some(Notice::done("12 readings saved."))),
        heading: "Due, seen from Monday 6 July".into(),
        lead: "Three of 64 engines need a decision by Sun 12 Jul.".into(),
        paths: vec![],
        thin_days: vec!["Wherries: 6 short on Fri 24 Jul (32 wanted, 26 there).".into()],
        act: Some(Link::new("Enter Sunday's hours", "/fleet/hours")),
        by: "2026-07-12".into(),
        pools: choose([Choice::new("", "All"), Choice::new("w", "Wherries")], "w"),
        sites: choose([Choice::new("", "All")], ""),
        nothing_due: String::new(),
        band_says: "Band: where the hours will stand on Sun 12 Jul, eight times in ten.".into(),
        rows: due_rows(),
        folded: due_rows(),
        folded_says: "3 more tasks, less urgent".into(),
        more: Some(Link::new("All 190 tasks, also those that are quiet", "/afloat?all=yes")),
        unknown: vec![UnknownRow {
            engine: Link::new("Skiff 11", "/fleet/engines/y"),
            task: "Impeller".into(),
            by: "Sun 19 Jul".into(),
            why: "when it was last done is not on record".into(),
        }],
        unknown_lead: "Unknown is not overdue.".into(),
        unknown_count: "1 task on 1 engine".into(),
        rotation: rotation_days(),
        rotation_says: "Published Mon 6 Jul, 02:10.".into(),
        accept: Some(Act::new("Accept Rotation, version 2", "/plans/x/publish").with("version", 1)),
        spares: vec!["Wherries: KV-2090, KV-2091".into()],
        boats: vec![PoolBoats {
            name: "Wherries".into(),
            says: describe(&boat_days(), today()),
            picture: draw_boats("boats-1", "Wherries", &boat_days(), today()),
        }],
        held: vec![HeldRow {
            engine: Link::new("Skiff 02", "/fleet/engines/z"),
            sentence: "pops out of gear, since Sun 5 Jul".into(),
        }],
    }
}

fn rotation_days() -> Vec<RotationDay> {
    let line = RotationLine {
        engine: Link::new("Wherry 14", "/fleet/engines/x"),
        mark: Some(Mark::plain("locked")),
        sentence: "Gear oil: due between Wed 8 Jul and Sat 11 Jul (eight times in ten). 0:25 h of \
                   work before hire begins; the boat misses no day."
            .into(),
        move_to: "/plans/visits/x".into(),
    };
    vec![RotationDay { name: "Thursday 9 July".into(), lines: vec![line] }]
}

fn lay_up() -> LayUpPage {
    let day = |name: &str, over| DayHead {
        name: name.into(),
        on: "2026-11-02".into(),
        load: "5:30 of 7:00 h".into(),
        over,
    };
    let visit = VisitLine {
        engine: Link::new("Wherry 14", "/fleet/engines/x"),
        mark: Some(Mark::plain("locked")),
        when: "Mon 2 Nov to Tue 3 Nov".into(),
        days: vec![true, true],
        tasks: "Gear oil, impeller".into(),
        place: "Bench 1, Aksel Moe".into(),
        time: "2:15 h".into(),
        move_to: "/plans/visits/v".into(),
    };
    let week = |number: u32, planned_h| Week {
        label: number.to_string(),
        skills: vec![SkillLoad { planned_h, there_h: 60.0 }],
    };
    let table = |head: [&str; 2]| Table {
        head: head.map(str::to_owned).to_vec(),
        rows: vec![["mechanic, an hour", "12.00 EUR"].map(str::to_owned).to_vec()],
    };
    LayUpPage {
        frame: frame("Lay-up", Room::LayUp),
        heading: "Lay-up, version 1: 40 engines in 12 weeks, 1 left out".into(),
        lead: "A draft of Mon 2 Nov, 08:00: nothing holds until it is published.".into(),
        sites: choose([Choice::new("s", "North"), Choice::new("t", "Pier")], "s"),
        under_way: Some(Link::new("A plan is being made", "/plans/runs/r")),
        failed: "The last plan could not be made.".into(),
        acts: vec![
            Act::new("Publish this plan", "/plans/x/publish").with("version", 1),
            Act::new("Plan again, locked visits stay", "/plans/ask").with("from", "x"),
        ],
        links: vec![Link::new("What if", "/plans/x/what-if")],
        says: vec!["Proven within 0.6 %.".into()],
        left_out: vec![LeftOutLine {
            engine: Link::new("Skiff 3", "/fleet/engines/y"),
            tasks: "Reseal".into(),
            reason: "K-12 is not there in time".into(),
            ways: vec!["1 piece of K-12 9 days earlier".into()],
            move_to: Some(Link::new("Give it a day", "/plans/visits/w")),
        }],
        short: vec!["2:00 h of mechanic too little, 2 to 6 Nov.".into()],
        picture: Some(draw_load(
            "load",
            &["mechanic".into()],
            &[week(45, 50.0), week(46, 66.0)],
            None,
        )),
        weeks: vec![WeekShown {
            name: "Week 45, from Mon 2 Nov".into(),
            days: vec![day("Mon 2", false), day("Tue 3", true)],
            visits: vec![visit],
        }],
        to_order: vec!["2 of K-12, needed from Mon 9 Nov on: order by Fri 30 Oct".into()],
        worth: table(["One more", "Saves"]),
        prices: table(["Price", "Amount"]),
        notes: vec!["6 of 6 prices are those shipped with the program.".into()],
        versions: vec![VersionLine {
            plan: Link::new("Lay-up, version 1", "/lay-up?plan=x"),
            mark: Some(Mark::soon("draft")),
            stands: "A draft.".into(),
            beside: Some(Link::new("Compare", "/plans/x/beside/y")),
        }],
        missing: vec![],
        nothing: String::new(),
    }
}

fn visit() -> VisitPage {
    VisitPage {
        frame: frame("Wherry 14", Room::LayUp),
        plan: Link::new("Lay-up, version 1", "/lay-up?plan=x"),
        engine: Link::new("Wherry 14", "/fleet/engines/x"),
        heading: "Wherry 14: Mon 2 Nov".into(),
        lead: "A draft.".into(),
        mark: None,
        why: vec!["Gear oil: due by hours.".into()],
        costs: vec![Fact::new("Hire lost", "4.00 EUR")],
        facts: vec![Fact::new("Bench time", "2:15 h")],
        on: Field::of("2026-11-05"),
        path: "/plans/visits/v".into(),
        asked: "On Thu 5 Nov: the plan costs 12.00 EUR more.".into(),
        keep: Some(Act::new("Put it on Thu 5 Nov", "/plans/visits/v/move").with("version", 1)),
        others: vec![OpeningLine {
            day: Link::new("Fri 6 Nov", "/plans/visits/v?on=2026-11-06"),
            costs: "14.00 EUR more".into(),
            why: "overtime (14.00 EUR)".into(),
        }],
        acts: vec![Act::new("Lock it on this day", "/plans/visits/v/lock").with("version", 1)],
    }
}

fn bundles() -> BundlesPage {
    let task = TaskChoice {
        value: "e t".into(),
        id: "s-e-0".into(),
        name: "Impeller".into(),
        why: "due by the calendar, Mon 4 Jan 2027; 35 min (shipped)".into(),
        struck: true,
    };
    BundlesPage {
        frame: frame("What each engine needs", Room::LayUp),
        heading: "140:00 h of work on 40 engines before the season".into(),
        lead: "Tick what is not to be done.".into(),
        sites: vec![],
        site: "s".into(),
        from: "x".into(),
        added: vec!["e t".into()],
        tasks: vec![Choice::new("", "nothing"), Choice::new("t", "Impeller")],
        engines: vec![EngineBundle {
            id: "e".into(),
            engine: Link::new("Wherry 14", "/fleet/engines/x"),
            mark: Some(Mark::soon("finding")),
            time: "2:15 h".into(),
            tasks: vec![task],
        }],
        may_plan: true,
        nothing: String::new(),
    }
}

fn what_if() -> WhatIfPage {
    WhatIfPage {
        frame: frame("What if", Room::LayUp),
        back: Link::new("Lay-up, version 1", "/lay-up?plan=x"),
        heading: "What if".into(),
        lead: "Solved beside the plan.".into(),
        to: "/plans/x/what-if".into(),
        kind: Field { value: "order".into(), fault: "Choose an order.".into() },
        skills: vec![Choice::new("mechanic", "mechanic")],
        people: Field { value: "x".into(), fault: "Write a whole number.".into() },
        orders: vec![Choice::new("o", "PO-12")],
        days: Field::of("7"),
        pools: vec![Choice::new("p", "Wherries")],
        engines: Field::of("10"),
    }
}

fn plan_run() -> PlanRunPage {
    PlanRunPage {
        frame: frame("Plan", Room::LayUp),
        heading: "The plan is being made".into(),
        lead: "Asked for by Ina Falk.".into(),
        under_way: true,
        permille: 400,
        note: "Costs 412.00 EUR, no plan can cost less than 400.00 EUR: within 2.91 %.".into(),
        path: "/plans/runs/r".into(),
        stop: Some(Act::new("Stop with what it has", "/plans/runs/r/stop")),
        facts: vec![],
        compared: None,
        left_out: vec![],
        notes: vec![],
        back: Some(Link::new("Back to Lay-up", "/lay-up")),
        refused: vec![],
    }
}

fn stores() -> StoresPage {
    let column = |text: &str, number, to: &str, sorted| Column {
        text: text.into(),
        number,
        to: to.into(),
        sorted,
    };
    StoresPage {
        frame: frame("Stores", Room::Stores),
        heading: "1 204 parts".into(),
        lead: "Forecast of Mon 6 Jul, 02:00.".into(),
        paths: vec![
            Link::new("Parts", "/stores").seen_from("/stores"),
            Link::new("What to order", "/stores/order"),
        ],
        find: String::new(),
        columns: vec![
            column("Part", false, "/stores?sort=part", "ascending"),
            column("Name", false, "", ""),
            column("On hand", true, "/stores?sort=on-hand", ""),
            column("On order", true, "", ""),
            column("Needed in 3 months", true, "/stores?sort=needed", ""),
        ],
        rows: vec![PartRow {
            part: Link::new("K-12", "/stores/parts/k"),
            name: "Seal kit, 6 hp case".into(),
            mark: Some(Mark::stop("short")),
            on_hand: "4".into(),
            on_order: "0".into(),
            needed: "12 to 19".into(),
        }],
        nothing: String::new(),
        more: None,
    }
}

fn part() -> PartPage {
    PartPage {
        frame: frame("Seal kit", Room::Stores),
        heading: "Seal kit for the 6 hp case, K-12".into(),
        lead: "Seen from Monday 6 July.".into(),
        decision: vec!["Order 20 by Wed 15 Jul: 4 on hand, 12 to 19 needed in 3 months.".into()],
        fan: Some(fan()),
        fan_says: "Most of it is planned work.".into(),
        no_forecast: String::new(),
        reasons: vec!["TSB was best on 18 months that were already known.".into()],
        scores: Table {
            head: ["Way", "Scaled pinball loss"].map(str::to_owned).to_vec(),
            rows: vec![["Chosen", "0.41"].map(str::to_owned).to_vec()],
        },
        changed: None,
        then: None,
        lines: vec!["20 from Halden Parts for 412.00 EUR by Wed 15 Jul.".into()],
        facts: vec![Fact::new("Unit", "piece")],
        lots: crate::chart::Table::default(),
        places: Vec::new(),
        moves: Link::new("All moves", "/stores/parts/k/moves"),
    }
}

fn order() -> OrderPage {
    let points = (0..40)
        .map(|i| Point { money: f64::from(i) * 50.0, lost: 60.0 * (-f64::from(i) / 9.0).exp() });
    let curve = Curve { currency: "EUR".into(), points: points.collect(), spent: 412.0 };
    OrderPage {
        frame: frame("What to order", Room::Stores),
        heading: "What to order, seen from Monday 6 July".into(),
        lead: "Three lines from one supplier.".into(),
        paths: vec![Link::new("Parts", "/stores")],
        suppliers: vec![SupplierLines {
            key: "s".into(),
            supplier: Link::new("Halden Parts", "/stores/suppliers/s"),
            window: "Pre-season window 2 Nov to 10 Dec: 8 % off.".into(),
            drafted: None,
            says: "Order minimum of 150.00 EUR is met.".into(),
            lines: vec![AdviceLine {
                part: Link::new("K-12", "/stores/parts/k"),
                name: "Seal kit".into(),
                quantity: "20".into(),
                by: "Wed 15 Jul".into(),
                mark: Some(Mark::soon("next 14 days")),
                money: "412.00 EUR".into(),
                why: "4 on hand, 17 needed until the next order can be there.".into(),
                waiting: "Waiting a month risks 1.2 boat-days.".into(),
            }],
            total: "412.00 EUR".into(),
            buys_now: true,
        }],
        nothing: String::new(),
        curve_says: curve.describe(),
        curve: Some(curve.draw("curve")),
        point: PointForm {
            currency: "EUR".into(),
            points: "0.00:60.0;400.00:25.0".into(),
            ..PointForm::default()
        },
        cash: vec!["With 300.00 EUR a month, waiting risks 2.0 boat-days in all.".into()],
        kits: vec!["Seal kit: 3 of kit K-12 cost less loose.".into()],
        sums: vec!["All together 421.00 EUR with freight.".into()],
        may_buy: true,
        run: "r".into(),
        sites: vec![Choice::new("n", "North quay")],
    }
}

fn orders() -> OrdersPage {
    OrdersPage {
        frame: frame("Orders", Room::Stores),
        heading: "1 order".into(),
        lead: "1 is later than expected.".into(),
        paths: vec![Link::new("Parts", "/stores")],
        states: vec![Choice::new("", "Open")],
        rows: vec![OrderRow {
            order: Link::new("2026-014", "/stores/orders/o"),
            supplier: "Halden Parts".into(),
            state: "with the supplier".into(),
            mark: Some(Mark::soon("late")),
            lines: "6".into(),
            money: "412.00 EUR".into(),
            ordered: "Mon 1 Jun".into(),
            expected: "Fri 3 Jul".into(),
        }],
        onward: vec![Link::new("Older orders", "/stores/orders?page=1")],
        nothing: String::new(),
    }
}

fn surplus() -> SurplusPage {
    SurplusPage {
        frame: frame("Too much", Room::Stores),
        heading: "1 part has too much on the shelf".into(),
        lead: "More than a year needs.".into(),
        paths: vec![Link::new("Parts", "/stores")],
        rows: vec![SurplusRow {
            part: Link::new("P-9", "/stores/parts/p"),
            name: "Old impeller".into(),
            marks: vec![Mark::plain("stop buying")],
            excess: "14".into(),
            excess_money: "140.00 EUR".into(),
            expiring: "2.0".into(),
            expiring_money: "20.00 EUR".into(),
        }],
        sums: vec!["Tied up beyond a year: 140.00 EUR.".into()],
        nothing: String::new(),
    }
}

fn fleet_list() -> FleetPage {
    FleetPage {
        frame: frame("Fleet", Room::Fleet),
        heading: "64 engines".into(),
        lead: "Hours by the readings of Sun 5 Jul.".into(),
        paths: paths("/fleet"),
        act: Some(Link::new("Enter the hours from the board", "/fleet/hours")),
        find: "kv".into(),
        pools: choose([Choice::new("", "All")], ""),
        columns: ["Engine", "Boat", "Model", "Pool", "Hours", "Last read"]
            .map(|text| Column { text: text.into(), number: text == "Hours", ..Column::default() })
            .to_vec(),
        rows: vec![EngineRow {
            engine: Link::new("KV-2041", "/fleet/engines/x"),
            mark: Some(Mark::stop("hold")),
            boat: "Wherry 14".into(),
            model: "Kvalsund 6".into(),
            pool: "Wherries".into(),
            hours: "412.5".into(),
            read: "Sun 5 Jul".into(),
        }],
        nothing: String::new(),
        more: None,
    }
}

fn engine() -> EnginePage {
    let shown: Vec<_> = (0..300)
        .map(|i| Shown { day: today() - Days::new(900 - i * 3), hours: (i as f64).powf(1.05) })
        .collect();
    let last = shown[299].hours;
    let ahead: Vec<_> = (1..12)
        .map(|i| HoursAhead {
            day: today() + Days::new(i * 14),
            low: last + i as f64 * 4.0,
            median: last + i as f64 * 6.0,
            high: last + i as f64 * 9.0,
        })
        .collect();
    let event =
        |days, kind| Event { day: today() - Days::new(days), kind, what: "Gear oil".into() };
    let events = [event(300, EventKind::Service), event(200, EventKind::MeterSwap)];
    let drawn = EngineHours {
        engine: "KV-2041".into(),
        shown,
        ahead,
        events: events.to_vec(),
        today: today(),
    };
    EnginePage {
        frame: frame("KV-2041", Room::Fleet),
        heading: "KV-2041, on Wherry 14".into(),
        lead: drawn.describe(),
        holds: vec![HoldLine {
            sentence: "Pops out of gear, since Sun 5 Jul.".into(),
            clear_to: "/holds/x/clear".into(),
            note: Field::of("dogs renewed"),
            asks: true,
            settled: Field {
                fault: "Say whether what was found is settled.".into(),
                ..Field::default()
            },
        }],
        spare: Some(SpareBox {
            heading: "A spare for Wherry 14".into(),
            lead:
                "KV-2041 is on hold: pops out of gear. Boats of Wherries are booked from today on."
                    .into(),
            spares: vec![SpareOffer {
                act: Act::new("Fit KV-2090 now", "/fleet/engines/x/spare").with("spare", "y"),
                says: "Free. Next on it: Gear oil (50 h limit reached about Thu 9 Jul).".into(),
            }],
            more: Link::new("All spares, or swap with another boat", "/fleet/engines/x/spare"),
        }),
        acts: vec![Link::new("Record a finding", "/fleet/engines/x/finding")],
        due: due_rows(),
        due_says: "Computed Mon 6 Jul, 03:10.".into(),
        nothing_due: String::new(),
        picture: drawn.draw("hours"),
        usage_says: "70 % of this answer is the engine's own record.".into(),
        findings: vec![FindingLine {
            mark: Some(Mark::stop("stop")),
            sentence: "Pops out of gear, Sun 5 Jul".into(),
        }],
        checks: vec![CheckSeen {
            mark: Some(Mark::soon("not good")),
            sentence: "Return of Wherry 14, Sun 5 Jul, 18:02, not good: stop cord".into(),
        }],
        services: vec!["Gear oil, Thu 7 May, at 362.1 h".into()],
        readings: vec![ReadingRow {
            day: "Sun 5 Jul".into(),
            what: "read".into(),
            meter: "412.5".into(),
            life: "512.5".into(),
        }],
        outlook: Some(EngineOutlook {
            mark: Some(Mark::plain("too close to call")),
            sentences: vec![
                "Next season is expected to cost 140 (60 to 230) with it, 120 with a new one."
                    .into(),
            ],
            seasons: Table {
                head: ["Season", "Ran", "Repairs", "Money", "Days lost"]
                    .map(str::to_owned)
                    .to_vec(),
                rows: vec![["2026", "188 h", "1", "97 EUR", "3"].map(str::to_owned).to_vec()],
            },
        }),
        facts: vec![Fact::new("Model", "Kvalsund 6")],
    }
}

fn lives() -> LivesPage {
    LivesPage {
        frame: frame("How long parts last", Room::Fleet),
        heading: "How long 7 parts last, 1 interval to look at".into(),
        lead: "From services, findings and hours on record.".into(),
        paths: paths("/fleet/lives"),
        rows: vec![LivesRow {
            part: Link::new("Impeller", "/fleet/lives/x"),
            mark: Some(Mark::soon("shorten?")),
            sentences: vec![
                "Impeller in salt: 9 failures in 212 lives; replacing at 180 h costs least; between \
                 140 and 260 h it hardly matters."
                    .into(),
            ],
            proposals: vec![
                "Kvalsund 6: consider shortening the interval of 300 h to 180 h.".into(),
            ],
        }],
        nothing: String::new(),
    }
}

fn life() -> LifePage {
    let group = crate::chart::life::tests::group();
    let picture = LifePicture {
        subject: "impeller".into(),
        group: &group,
        currency: "EUR".into(),
        interval: Some(300.0),
    };
    let row = |cells: [&str; 5]| cells.map(str::to_owned).to_vec();
    let line = |id: &str, act, note| ProposalLine {
        id: id.into(),
        sentence: "Kvalsund 6: consider shortening the interval of 300 h to 180 h.".into(),
        why: "Rests on impeller: 9 failures in 212 lives.".into(),
        act,
        note,
    };
    let act = Act::new("Change it to 180 h on Kvalsund 6", "/fleet/lives/x/accept");
    let fault = "Say why the interval is changed: it is kept with the change.";
    LifePage {
        frame: frame("Impeller", Room::Fleet),
        heading: "Impeller: how long it lasts".into(),
        lead: "Renewed by “Renew the water-pump kit”.".into(),
        sentences: vec!["Impeller in salt: 9 failures in 212 lives.".into()],
        proposals: vec![
            line(
                "a",
                Some(act.with("interval", "a")),
                Field { value: String::new(), fault: fault.into() },
            ),
            line("b", None, Field::default()),
        ],
        picture: picture.draw("life"),
        picture_says: picture.describe(),
        rests_on: vec!["9 lives ended in a failure.".into()],
        comparisons: vec!["No clear difference between salt and fresh water.".into()],
        groups: Table {
            head: row(["Lives", "Number", "Failed", "Mean life", "Costs least at"]),
            rows: vec![row(["All together", "212", "9", "297 h", "180 h"])],
        },
        parts: vec![Link::new("KV-IM", "/stores/parts/x")],
    }
}

fn retire() -> RetirePage {
    RetirePage {
        frame: frame("Repair or retire", Room::Fleet),
        heading: "1 of 64 engines look dearer than a new one".into(),
        lead: "What the coming twelve months are expected to cost.".into(),
        paths: paths("/fleet/retire"),
        pools: choose([Choice::new("", "All")], ""),
        rows: vec![RetireRow {
            engine: Link::new("Wherry 14", "/fleet/engines/x"),
            marks: vec![Mark::soon("a new one looks cheaper"), Mark::plain("worth more in parts")],
            pool: "Wherries".into(),
            keep: "410 EUR (300 to 560)".into(),
            new: "250 EUR".into(),
            so_far: "880 EUR".into(),
            days: "17".into(),
        }],
        more: Some(Link::new("Show also 4 engines", "/fleet/retire?all=yes")),
        nothing: String::new(),
        assumptions: vec!["A new engine costs 1,800 EUR.".into()],
    }
}

fn board() -> BoardPage {
    let line = |id: &str, name: &str, field, refused| BoardLine {
        id: id.into(),
        name: name.into(),
        engine: "KV-2041".into(),
        field,
        refused,
        last: "412.5 h".into(),
        last_h: "412.5".into(),
        most_h: "168".into(),
        last_says: "412.5 h on Sun 28 Jun".into(),
        swap_to: format!("/fleet/engines/{id}/meter"),
    };
    let wrong = |value: &str, fault: &str| Field { value: value.into(), fault: fault.into() };
    BoardPage {
        frame: frame("Hours", Room::Fleet),
        heading: "Hours from the board".into(),
        nothing_to: None,
        lead: "In jetty order.".into(),
        sites: choose([Choice::new("s", "North jetty")], "s"),
        site: "s".into(),
        read_at: Field::of("2026-07-05T20:00"),
        groups: vec![Jetty {
            name: "North jetty".into(),
            lines: vec![
                line("a", "Wherry 14", Field::default(), false),
                line("b", "Wherry 15", wrong("41", "41 h is below 412.5 h, shown before."), true),
            ],
        }],
        nothing: String::new(),
    }
}

fn meter() -> MeterPage {
    MeterPage {
        frame: frame("Meter swapped", Room::Fleet),
        engine: Link::new("KV-2041", "/fleet/engines/x"),
        heading: "Meter swapped on KV-2041".into(),
        lead: "Two numbers, and life hours go on without a break.".into(),
        action: "/fleet/engines/x/meter".into(),
        onward: "/fleet/hours".into(),
        old_hint: "412.5 h when it was last read.".into(),
        old_last: Field { value: "41".into(), fault: "41 h is below 412.5 h.".into() },
        new_first: Field::of("0"),
        swapped_at: Field::of("2026-07-05T20:00"),
    }
}

fn swap_correction() -> SwapCorrectionPage {
    SwapCorrectionPage {
        frame: frame("Correct the meter swap", Room::Fleet),
        engine: Link::new("KV-2041", "/fleet/engines/x"),
        heading: "Correct the meter swap on Wherry 14".into(),
        lead: "Nothing is overwritten.".into(),
        action: "/fleet/engines/x/meter/correction".into(),
        swap: "2026-07-05T18:00:00+00:00".into(),
        was: "On record for Sun 5 Jul: the old meter ended at 421.5 h.".into(),
        old_last: Field { value: "41".into(), fault: "41 h is below 412.5 h.".into() },
        new_first: Field::of("0"),
        swapped_at: Field::of("2026-07-05T20:00"),
        reason: Field { fault: "Say why, in a few words.".into(), ..Field::default() },
        shown: Field::of("421.5"),
        undo_reason: Field::default(),
    }
}

fn spare() -> SparePage {
    let others = [Choice::new("", "choose"), Choice::new("y", "Wherry 15, KV-2042")];
    SparePage {
        frame: frame("Fit a spare", Room::Fleet),
        engine: Link::new("KV-2041", "/fleet/engines/x"),
        heading: "A spare for Wherry 14, or another boat's engine".into(),
        lead: "Boats of Wherries are booked from today on.".into(),
        path: "/fleet/engines/x/spare".into(),
        spares: vec![SpareOffer {
            act: Act::new("Fit KV-2090 now", "/fleet/engines/x/spare").with("spare", "y"),
            says: "Free; nothing falls due on it.".into(),
        }],
        no_spare: String::new(),
        others: choose(others, ""),
        other: Field {
            fault: "Choose the engine to change places with.".into(),
            ..Field::default()
        },
    }
}

fn check() -> CheckPage {
    let line = |name, text, outcome: &str| CheckLine {
        name,
        text,
        follows: "holds the engine",
        outcome: outcome.into(),
    };
    CheckPage {
        frame: frame("Check", Room::Fleet),
        engine: Link::new("KV-2041", "/fleet/engines/x"),
        heading: "Look over Wherry 14".into(),
        path: "/fleet/engines/x/check".into(),
        nowhere: String::new(),
        kinds: choose(
            [Choice::new("hand_over", "Goes out"), Choice::new("return", "Came back")],
            "return",
        ),
        kind: Field { fault: "Say whether it goes out or came back.".into(), ..Field::default() },
        lines: vec![
            line("stop_cord", "Stop cord stops the engine", "bad"),
            line("tell_tale", "Water at the tell-tale", ""),
        ],
        meter: Field { value: "41".into(), fault: "41 h is below 412.5 h.".into() },
        meter_hint: "It last showed 412.5 h.".into(),
        note: Field::of("cord frayed"),
    }
}

fn finding() -> FindingPage {
    FindingPage {
        frame: frame("Finding", Room::Fleet),
        engine: Link::new("KV-2041", "/fleet/engines/x"),
        heading: "Record a finding on KV-2041".into(),
        lead: "On Wherry 14.".into(),
        action: "/fleet/engines/x/finding".into(),
        kinds: vec![KindChoice {
            value: "k".into(),
            text: "Pops out of gear".into(),
            chosen: true,
            mark: Some(Mark::stop("stop")),
            work: "Adjust or strip".into(),
        }],
        kind: Field { value: String::new(), fault: "Choose what was found.".into() },
        note: Field::default(),
        hold: false,
    }
}

fn files() -> FilesPage {
    FilesPage {
        frame: frame("Load a file", Room::Yard),
        heading: "Load a file".into(),
        lead: "It is looked at first.".into(),
        paths: vec![Link::new("Sites and people", "/yard")],
        kinds: choose([Choice::new("readings", "Readings: what hour meters showed")], "readings"),
        kind_fault: String::new(),
        file_fault: "Choose a file.".into(),
        looked: Some(Looked {
            heading: "autumn.csv, looked at".into(),
            says: "9 values break a rule: see below where and why.".into(),
            faults: vec![FaultRow {
                line: "14".into(),
                column: "hours".into(),
                value: "41".into(),
                why: "Engine KV-2041: 41 h is below 412.5 h, shown before.".into(),
            }],
            more: "And 8 more.".into(),
            keep: Some(Keep {
                id: "x".into(),
                text: "Load the 403 rows without fault, leave the others out".into(),
                class: "plain",
            }),
        }),
        templates: vec![TemplateRow {
            link: Link::new("readings.csv", "/yard/files/readings"),
            about: "what hour meters showed, and meter swaps".into(),
        }],
    }
}

fn pages() -> Vec<(&'static str, String)> {
    let sign_in = SignInPage {
        frame: Frame::bare("Sign in"),
        email: "ina@slackwater.example".into(),
        onward: "/".into(),
        fault: "Name or password is not right.".into(),
    };
    let failure = FailurePage {
        frame: Frame::bare("Not found"),
        heading: "There is nothing at this address".into(),
        sentence: "It may have been taken away.".into(),
        onward: Link::new("To Afloat", "/afloat"),
    };
    let rendered = [
        ("afloat", afloat().render()),
        ("stores", stores().render()),
        ("part", part().render()),
        ("order", order().render()),
        ("orders", orders().render()),
        ("surplus", surplus().render()),
        ("fleet", fleet_list().render()),
        ("engine", engine().render()),
        ("lives", lives().render()),
        ("life", life().render()),
        ("retire", retire().render()),
        ("board", board().render()),
        ("lay-up", lay_up().render()),
        ("visit", visit().render()),
        ("bundles", bundles().render()),
        ("what-if", what_if().render()),
        ("plan-run", plan_run().render()),
        ("meter", meter().render()),
        ("swap-correction", swap_correction().render()),
        ("spare", spare().render()),
        ("check", check().render()),
        ("files", files().render()),
        ("finding", finding().render()),
        ("sign-in", sign_in.render()),
        ("failure", failure.render()),
    ];
    rendered.map(|(name, page)| (name, page.expect("a template renders"))).to_vec()
}

#[test]
fn every_page_has_one_heading_one_filled_button_at_most_and_no_broken_number() {
    for (name, page) in pages() {
        assert_eq!(page.matches("<h1>").count(), 1, "{name}");
        let filled = page.matches("<button>").count() + page.matches("class=\"button\"").count();
        assert!(filled <= 1, "{name} has {filled} filled buttons");
        assert!(!page.contains("NaN") && !page.contains("inf\""), "{name}");
    }
}

#[test]
fn every_form_that_changes_something_carries_the_key() {
    for (name, page) in pages().into_iter().filter(|(name, _)| *name != "sign-in") {
        let posts = page.matches("method=\"post\"").count();
        let keys = page.matches("name=\"form_key\" value=\"key\"").count();
        assert_eq!(posts, keys, "{name}");
    }
}

#[test]
fn ids_are_unique_on_their_page_and_labels_find_their_fields() {
    for (name, page) in pages() {
        let after = |mark: &str| -> Vec<String> {
            let parts = page.split(mark).skip(1);
            parts.filter_map(|rest| rest.split('"').next()).map(str::to_owned).collect()
        };
        let ids = after(" id=\"");
        let mut once = ids.clone();
        once.sort();
        once.dedup();
        assert_eq!(once.len(), ids.len(), "{name}");
        for field in after(" for=\"") {
            assert!(ids.contains(&field), "{name}: no field {field}");
        }
    }
}

#[test]
fn the_gallery_is_written_where_it_is_asked_for() {
    let Ok(directory) = std::env::var("SLACKWATER_GALLERY") else { return };
    let directory = Path::new(&directory);
    std::fs::create_dir_all(directory).unwrap();
    for file in [look::STYLESHEET, look::SCRIPT] {
        std::fs::write(directory.join(file.path.trim_start_matches("/look/")), file.body).unwrap();
    }
    for (name, page) in pages() {
        let page = page.replace("\"/look/", "\"");
        std::fs::write(directory.join(format!("{name}.html")), page).unwrap();
    }
}
