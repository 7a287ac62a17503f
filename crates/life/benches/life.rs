//! Speed of the fits: `cargo bench -p life`.

use divan::{Bencher, black_box};
use life::{
    Life, ReplacementCosts, Weibull, estimate_interval_survival, find_replacement_age, fit_weibull,
    summarise,
};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

fn main() {
    divan::main();
}

/// Ages of a wearing part, about half of them still in service.
fn right_censored(count: usize) -> Vec<Life> {
    let law = Weibull::new(2.2, 240.0).expect("a law");
    let mut random = ChaCha8Rng::seed_from_u64(7);
    (0..count)
        .map(|_| {
            let (life, watched) = (law.quantile(random.random()), 400.0 * random.random::<f64>());
            if life <= watched { Life::failed_at(life) } else { Life::in_service(watched) }
                .expect("a positive age")
        })
        .collect()
}

/// The same part looked at every 50 h from a time of its own.
fn looked_at(count: usize) -> Vec<Life> {
    let law = Weibull::new(2.2, 240.0).expect("a law");
    let mut random = ChaCha8Rng::seed_from_u64(8);
    (0..count)
        .map(|_| {
            let (life, first) = (law.quantile(random.random()), 50.0 * random.random::<f64>());
            let looks = ((life - first) / 50.0).ceil();
            let by = first + 50.0 * looks.max(0.0);
            if by > 400.0 {
                Life::in_service(by - 50.0)
            } else {
                Life::failed_between((by - 50.0).max(0.0), by)
            }
            .expect("bounds in order")
        })
        .collect()
}

#[divan::bench(args = [100, 10_000, 1_000_000], max_time = 10)]
fn summarise_right_censored(bencher: Bencher, count: usize) {
    let lives = right_censored(count);
    bencher.bench(|| summarise(black_box(&lives)));
}

#[divan::bench(args = [100, 10_000, 100_000], max_time = 10)]
fn fit_looked_at(bencher: Bencher, count: usize) {
    let lives = looked_at(count);
    bencher.bench(|| fit_weibull(black_box(&lives)));
}

#[divan::bench(args = [100, 1_000, 10_000], max_time = 20)]
fn turnbull_looked_at(bencher: Bencher, count: usize) {
    let lives = looked_at(count);
    bencher.bench(|| estimate_interval_survival(black_box(&lives)));
}

#[divan::bench]
fn replacement_age(bencher: Bencher) {
    let law = Weibull::new(2.2, 240.0).expect("a law");
    let costs = ReplacementCosts::new(60.0, 400.0).expect("costs");
    bencher.bench(|| find_replacement_age(black_box(&law), &costs));
}
