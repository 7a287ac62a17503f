//! Service records to monthly demand: calendar, kits, supersession, zeros.

use chrono::{DateTime, NaiveDate};
use demand::Month;
use demand::frames::{
    DoneAt, KitContent, PartRecord, PartUsed, Records, ServiceRecord, SiteCalendar, Supersession,
    by_part, monthly_demand,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a day")
}

fn month(text: &str) -> Month {
    text.parse().expect("a month")
}

fn part(name: &str) -> PartRecord {
    PartRecord { name: name.to_owned(), exists_from: None }
}

fn yard() -> Records {
    Records {
        sites: vec![
            SiteCalendar { name: "Sandvik".into(), zone: chrono_tz::Europe::Oslo },
            SiteCalendar { name: "Palm Quay".into(), zone: chrono_tz::America::Los_Angeles },
        ],
        pools: vec!["rental 15".into()],
        parts: ["seal kit", "seal", "o-ring", "old impeller", "impeller"].map(part).to_vec(),
        kits: vec![
            KitContent { kit: 0, part: 1, quantity: 2.0 },
            KitContent { kit: 0, part: 2, quantity: 1.0 },
        ],
        supersessions: vec![Supersession { part: 3, successor: 4, factor: 2.0 }],
        ..Records::default()
    }
}

fn service(site: u32, done_at: DoneAt) -> ServiceRecord {
    ServiceRecord { site, pool: 0, done_at }
}

/// Half past midnight on 1 July UTC is July in Oslo and still June in Los Angeles.
#[test]
fn a_month_is_a_month_of_the_sites_calendar() {
    let mut records = yard();
    let instant = DateTime::parse_from_rfc3339("2025-07-01T00:30:00Z").unwrap().to_utc();
    records.services = vec![
        service(0, DoneAt::Instant(instant)),
        service(1, DoneAt::Instant(instant)),
        service(1, DoneAt::Day(day("2025-07-31"))),
    ];
    records.used = (0..3).map(|service| PartUsed { service, part: 1, quantity: 1.0 }).collect();
    let demand = monthly_demand(&records, month("2025-08")).unwrap();
    let of = |site: &str| demand.iter().find(|one| one.site == site).unwrap();
    // The part exists from June on, at both sites.
    assert_eq!(of("Sandvik").first, month("2025-06"));
    assert_eq!(of("Sandvik").quantities, [0.0, 1.0, 0.0]);
    assert_eq!(of("Palm Quay").quantities, [1.0, 1.0, 0.0]);
}

#[test]
fn kits_count_as_their_parts_and_history_follows_the_successor() {
    let mut records = yard();
    records.parts[3].exists_from = Some(day("2025-01-10"));
    records.services = vec![service(0, DoneAt::Day(day("2025-03-02")))];
    records.used = vec![
        PartUsed { service: 0, part: 0, quantity: 3.0 },
        PartUsed { service: 0, part: 1, quantity: 1.0 },
        PartUsed { service: 0, part: 3, quantity: 1.0 },
    ];
    let demand = monthly_demand(&records, month("2025-04")).unwrap();
    let named: Vec<(&str, Month, &[f64])> =
        demand.iter().map(|one| (&*one.part, one.first, &*one.quantities)).collect();
    assert_eq!(
        named,
        [
            ("seal", month("2025-03"), &[7.0, 0.0][..]),
            ("o-ring", month("2025-03"), &[3.0, 0.0]),
            // From the month its predecessor existed; two for each of the old.
            ("impeller", month("2025-01"), &[0.0, 0.0, 2.0, 0.0]),
        ]
    );
}

#[test]
fn circles_and_bad_factors_are_refused_by_name() {
    let rule = |change: &dyn Fn(&mut Records)| {
        let mut records = yard();
        change(&mut records);
        monthly_demand(&records, month("2025-04")).map_err(|error| error.rule())
    };
    let link = |part, successor, factor| Supersession { part, successor, factor };
    assert_eq!(rule(&|r| r.supersessions.push(link(4, 3, 1.0))), Err("supersession-circle"));
    assert_eq!(
        rule(&|r| r.kits.push(KitContent { kit: 1, part: 0, quantity: 1.0 })),
        Err("kit-circle")
    );
    assert_eq!(rule(&|r| r.supersessions.push(link(1, 2, 0.0))), Err("supersession-factor"));
    assert_eq!(rule(&|r| r.supersessions.push(link(1, 9, 1.0))), Err("frame"));
    assert_eq!(rule(&|_| {}), Ok(Vec::new()));
}

/// The same sums by loops over maps, on seeded lines.
#[test]
fn lazy_frames_and_plain_loops_agree() {
    let mut records = yard();
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let start = day("2023-01-01");
    for _ in 0..400 {
        let done = start + chrono::Days::new(random.random_range(0..900));
        records.services.push(service(random.random_range(0..2), DoneAt::Day(done)));
    }
    for _ in 0..3_000 {
        records.used.push(PartUsed {
            service: random.random_range(0..400),
            part: random.random_range(0..5),
            quantity: f64::from(random.random_range(1..5)),
        });
    }
    let mut slow: BTreeMap<(String, String, Month), f64> = BTreeMap::new();
    for used in &records.used {
        let service = &records.services[used.service as usize];
        let DoneAt::Day(done) = service.done_at else { unreachable!("only days were drawn") };
        let counted: &[(&str, f64)] = match used.part {
            0 => &[("seal", 2.0), ("o-ring", 1.0)],
            1 => &[("seal", 1.0)],
            2 => &[("o-ring", 1.0)],
            3 => &[("impeller", 2.0)],
            _ => &[("impeller", 1.0)],
        };
        for (name, each) in counted {
            let site = records.sites[service.site as usize].name.clone();
            let key = ((*name).to_owned(), site, Month::of(done));
            *slow.entry(key).or_default() += used.quantity * each;
        }
    }
    let until = month("2025-12");
    let demand = monthly_demand(&records, until).unwrap();
    let mut seen = 0;
    for one in &demand {
        for (offset, quantity) in one.quantities.iter().enumerate() {
            let key = (one.part.clone(), one.site.clone(), one.first.plus(offset as i32));
            assert_eq!(*quantity, slow.get(&key).copied().unwrap_or(0.0), "{key:?}");
            seen += usize::from(*quantity > 0.0);
        }
    }
    assert_eq!(seen, slow.len());
    let total: f64 = slow.values().sum();
    let histories = by_part(&demand);
    assert_eq!(histories.len(), 3);
    assert!(histories.iter().all(|history| history.last() == until));
    assert_eq!(histories.iter().flat_map(|history| &history.quantities).sum::<f64>(), total);
}
