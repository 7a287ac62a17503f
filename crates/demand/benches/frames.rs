//! Five million service lines to monthly demand: `cargo bench -p demand --bench frames`.

use chrono::{Days, NaiveDate};
use demand::Month;
use demand::frames::{
    DoneAt, KitContent, PartRecord, PartUsed, Records, ServiceRecord, SiteCalendar, Supersession,
    monthly_demand,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const LINES: u32 = 5_000_000;
const PARTS: u32 = 20_000;

fn main() {
    divan::main();
}

fn records() -> Records {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let start = NaiveDate::default() + Days::new(18_000);
    let zones = [chrono_tz::Europe::Oslo, chrono_tz::Europe::Lisbon, chrono_tz::Pacific::Auckland];
    Records {
        sites: zones
            .iter()
            .enumerate()
            .map(|(place, &zone)| SiteCalendar { name: format!("site {place}"), zone })
            .collect(),
        pools: (0..8).map(|pool| format!("pool {pool}")).collect(),
        parts: (0..PARTS)
            .map(|part| PartRecord { name: format!("P{part}"), exists_from: None })
            .collect(),
        services: (0..LINES / 4)
            .map(|_| {
                let day = start + Days::new(random.random_range(0..1_800));
                let done_at = if random.random_range(0..2) == 0 {
                    DoneAt::Day(day)
                } else {
                    DoneAt::Instant(day.and_time(chrono::NaiveTime::MIN).and_utc())
                };
                let (site, pool) = (random.random_range(0..3), random.random_range(0..8));
                ServiceRecord { site, pool, done_at }
            })
            .collect(),
        used: (0..LINES)
            .map(|line| PartUsed {
                service: line / 4,
                part: random.random_range(0..PARTS),
                quantity: f64::from(random.random_range(1..4)),
            })
            .collect(),
        kits: (0..600)
            .map(|line| KitContent { kit: line / 3, part: 1_000 + line, quantity: 1.0 })
            .collect(),
        supersessions: (0..500)
            .map(|link| Supersession { part: 5_000 + link, successor: 6_000 + link, factor: 1.0 })
            .collect(),
    }
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn five_million_lines(bencher: divan::Bencher<'_, '_>) {
    let records = records();
    let until = Month::of(NaiveDate::default() + Days::new(19_800));
    bencher.bench_local(|| monthly_demand(&records, until).map(|demand| demand.len()));
}
