//! What opening brings to light: the chance of a finding behind an access, and how unsure it is.
//!
//! A gearcase that is opened shows worn seals with a probability that nobody knows; it is a beta
//! law, learnt from the openings so far. Over many engines the number found is beta-binomial, wider
//! than a binomial of the mean chance, because all of them share the one unknown chance: Skellam
//! (1948), J. Royal Statistical Society B 10, 257-261. So whoever simulates draws a chance once a
//! path, not once an opening.

use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Distribution};
use statrs::function::beta::ln_beta;
use statrs::function::factorial::ln_binomial;

/// A beta law of a probability. Invariant: both shapes are at least 0 and finite, one above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chance {
    yes: f64,
    no: f64,
}

impl Chance {
    /// Jeffreys' prior: says nothing.
    pub const UNKNOWN: Self = Self { yes: 0.5, no: 0.5 };
    /// Certain.
    pub const ALWAYS: Self = Self { yes: 1.0, no: 0.0 };

    /// What somebody says, worth `openings` of experience: `share` is taken within 0 to 1.
    pub fn said(share: f64, openings: f64) -> Self {
        let share = share.clamp(0.0, 1.0);
        let worth = openings.max(f64::MIN_POSITIVE);
        Self { yes: share * worth, no: (1.0 - share) * worth }
    }

    /// The law of chances of one kind, from `(opened, found)` of several; [`Self::UNKNOWN`] where
    /// there are too few.
    ///
    /// By the moments of the shares (Kleinman 1973, J. American Statistical Association 68, 46-54).
    pub fn of_kind(counts: &[(u32, u32)]) -> Self {
        let known: Vec<(f64, f64)> = counts
            .iter()
            .filter(|(opened, _)| *opened > 0)
            .map(|&(opened, found)| (f64::from(opened), f64::from(found.min(opened))))
            .collect();
        let opened: f64 = known.iter().map(|(opened, _)| opened).sum();
        if known.len() < 3 || opened < 20.0 {
            return Self::UNKNOWN;
        }
        let mean = (known.iter().map(|(_, found)| found).sum::<f64>() + 0.5) / (opened + 1.0);
        let chance = mean * (1.0 - mean);
        let squares: f64 =
            known.iter().map(|(n, found)| n * (found / n - mean).powi(2)).sum::<f64>();
        let spare = known.len() as f64 - 1.0;
        let weights = opened - known.iter().map(|(n, _)| n * n).sum::<f64>() / opened;
        // Share of the variance that lies between kinds, bounded: few counts can't pin it down.
        let between =
            ((squares - spare * chance) / (chance * (weights - spare).max(1.0))).clamp(0.01, 0.5);
        let strength = 1.0 / between - 1.0;
        Self { yes: mean * strength, no: (1.0 - mean) * strength }
    }

    /// The law after `opened` more openings of which `found` showed it; more found than opened
    /// counts as all.
    #[must_use]
    pub fn after(self, opened: u32, found: u32) -> Self {
        let found = found.min(opened);
        Self { yes: self.yes + f64::from(found), no: self.no + f64::from(opened - found) }
    }

    /// Expected chance.
    pub fn mean(self) -> f64 {
        self.yes / (self.yes + self.no)
    }

    /// One possible chance.
    pub fn draw(self, random: &mut ChaCha8Rng) -> f64 {
        // Where one shape is 0 the law is a point, and the mean is that point.
        Beta::new(self.yes, self.no).map_or_else(|_| self.mean(), |law| law.sample(random))
    }

    /// Probability of `found` findings in `openings`.
    ///
    /// ```text
    /// P(k) = C(n, k) · B(k + a, n − k + b) / B(a, b)
    /// ```
    ///
    /// 0 where more are found than opened. Skellam (1948).
    pub fn probability(self, openings: u32, found: u32) -> f64 {
        if found > openings {
            return 0.0;
        }
        let (a, b) = (self.yes, self.no);
        if a == 0.0 || b == 0.0 {
            let certain = if b == 0.0 { openings } else { 0 };
            return f64::from(u8::from(found == certain));
        }
        let (n, k) = (f64::from(openings), f64::from(found));
        let ways = ln_binomial(openings.into(), found.into());
        (ways + ln_beta(k + a, n - k + b) - ln_beta(a, b)).exp()
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};

    use super::*;

    /// Constructed instance, figures by scipy's `betabinom` and quadrature: prior Beta(0.5, 0.5),
    /// 2 of 20 seen, next 5. Skellam (1948).
    #[test]
    fn findings_in_five_openings_are_as_computed_elsewhere() {
        let printed =
            [0.561125644, 0.311736469, 0.101495595, 0.022279521, 0.003141984, 0.000220788];
        let chance = Chance::UNKNOWN.after(20, 2);
        for (found, printed) in (0..).zip(printed) {
            let our = chance.probability(5, found);
            assert!((our - printed).abs() < 1e-9, "{found}: {our} {printed}");
        }
    }

    /// Prior Beta(1, 1), 1 of 4 seen, next 2: 10/21, 8/21, 3/21 exactly.
    #[test]
    fn a_uniform_prior_gives_the_exact_fractions() {
        let chance = Chance::said(0.5, 2.0).after(4, 1);
        for (found, over_21) in (0..).zip([10.0, 8.0, 3.0]) {
            let our = chance.probability(2, found);
            assert!((our - over_21 / 21.0).abs() < 1e-12, "{found}: {our}");
        }
    }

    /// A chance drawn once for five openings: the number found is the beta-binomial of the first
    /// test. Four standard errors of 20,000 draws.
    #[test]
    fn draws_follow_the_closed_form() {
        let chance = Chance::UNKNOWN.after(20, 2);
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut counts = [0.0_f64; 6];
        for _ in 0..20_000 {
            let drawn = chance.draw(&mut random);
            let found = (0..5).filter(|_| random.random::<f64>() < drawn).count();
            counts[found] += 1.0 / 20_000.0;
        }
        for (found, share) in (0..).zip(counts) {
            let exact = chance.probability(5, found);
            let error = (exact * (1.0 - exact) / 20_000.0).sqrt();
            assert!((share - exact).abs() < 4.0 * error + 1e-4, "{found}: {share} {exact}");
        }
    }

    #[test]
    fn what_is_certain_stays_so() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let always = Chance::ALWAYS.after(3, 3);
        assert_eq!((always.mean(), always.draw(&mut random)), (1.0, 1.0));
        assert_eq!((always.probability(4, 4), always.probability(4, 3)), (1.0, 0.0));
        assert_eq!(Chance::said(0.0, 4.0).probability(2, 0), 1.0);
        assert_eq!(Chance::UNKNOWN.probability(2, 3), 0.0);
    }

    #[test]
    fn kinds_that_differ_little_give_a_strong_prior_and_few_give_none() {
        let even = Chance::of_kind(&[(100, 10), (120, 12), (80, 8), (90, 9)]);
        assert!(even.mean() > 0.09 && even.yes + even.no > 50.0, "{even:?}");
        let uneven = Chance::of_kind(&[(100, 1), (120, 60), (80, 2), (90, 50)]);
        assert!(uneven.yes + uneven.no < 5.0, "{uneven:?}");
        assert_eq!(Chance::of_kind(&[(4, 1)]), Chance::UNKNOWN);
    }
}
