//! A distribution of a whole quantity, ready for questions about stock levels.

/// A distribution of a whole quantity: distinct values with their chances.
#[derive(Clone, Debug)]
pub struct Samples {
    /// Rising.
    values: Vec<u32>,
    /// `from[i]` is the chance of `values[i]` or more; one entry more than values, the last 0.
    from: Vec<f64>,
    /// `tail[i]` is the sum of value times chance from `i` on.
    tail: Vec<f64>,
}

/// Chances as they come, any value any number of times.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    entries: Vec<(u32, f64)>,
}

/// Chances this close to a share reach it: sums of chances carry the error of their last bits.
const SLACK: f64 = 1e-9;
/// Values within such a span are added up in a table rather than sorted.
const TABLE_SPAN: u32 = 4_096;

impl Tally {
    pub fn add(&mut self, value: u32, chance: f64) {
        self.entries.push((value, chance));
    }

    /// # Panics
    /// Without an entry.
    pub fn finish(mut self) -> Samples {
        let least = self.entries.iter().map(|entry| entry.0).min();
        let most = self.entries.iter().map(|entry| entry.0).max();
        let (Some(least), Some(most)) = (least, most) else {
            panic!("a distribution has at least one sample");
        };
        if most - least <= TABLE_SPAN {
            let mut table = vec![0.0; (most - least) as usize + 1];
            for (value, chance) in &self.entries {
                table[(value - least) as usize] += chance;
            }
            let rows = table.into_iter().enumerate().filter(|(_, chance)| *chance > 0.0);
            return Samples::collect(rows.map(|(place, chance)| (least + place as u32, chance)));
        }
        self.entries.sort_by_key(|entry| entry.0);
        let rows = self.entries.chunk_by(|a, b| a.0 == b.0);
        Samples::collect(rows.map(|same| (same[0].0, same.iter().map(|entry| entry.1).sum())))
    }
}

impl Samples {
    /// Samples of equal weight.
    ///
    /// # Panics
    /// Without a sample.
    pub fn new(values: Vec<u32>) -> Self {
        let chance = 1.0 / values.len() as f64;
        Tally { entries: values.into_iter().map(|value| (value, chance)).collect() }.finish()
    }

    /// From distinct rising values and their chances, which are scaled to add up to 1.
    fn collect(rows: impl Iterator<Item = (u32, f64)>) -> Self {
        let (values, chances): (Vec<u32>, Vec<f64>) = rows.unzip();
        let whole: f64 = chances.iter().sum();
        let mut from = vec![0.0; values.len() + 1];
        let mut tail = vec![0.0; values.len() + 1];
        for place in (0..values.len()).rev() {
            let chance = chances[place] / whole;
            from[place] = from[place + 1] + chance;
            tail[place] = tail[place + 1] + chance * f64::from(values[place]);
        }
        Self { values, from, tail }
    }

    pub fn mean(&self) -> f64 {
        self.tail[0]
    }

    pub fn largest(&self) -> u32 {
        self.values[self.values.len() - 1]
    }

    fn first_above(&self, level: i64) -> usize {
        self.values.partition_point(|value| i64::from(*value) <= level)
    }

    /// Mean of what `level` does not cover: `E[(X - level)⁺]`.
    pub fn shortage(&self, level: i64) -> f64 {
        let place = self.first_above(level);
        (self.tail[place] - level as f64 * self.from[place]).max(0.0)
    }

    /// `P(X > level)`: what one unit more than `level` keeps from being short.
    pub fn share_above(&self, level: i64) -> f64 {
        self.from[self.first_above(level)]
    }

    /// Smallest `x` with `P(X <= x) >= share`.
    pub fn quantile(&self, share: f64) -> u32 {
        let place = self.from[1..].partition_point(|above| 1.0 - above < share - SLACK);
        self.values[place.min(self.values.len() - 1)]
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_quantile_is_the_smallest_value_that_reaches_the_share() {
        let samples = Samples::new(vec![4, 1, 3, 2]);
        let quantiles = [0.0, 0.25, 0.26, 0.75, 1.0].map(|share| samples.quantile(share));
        assert_eq!(quantiles, [1, 1, 2, 3, 4]);
        assert_eq!((samples.mean(), samples.largest()), (2.5, 4));
    }

    proptest! {
        #[test]
        fn shortage_is_what_adding_up_gives(
            values in prop::collection::vec(0_u32..50, 1..40), far in any::<bool>(), level in -20_i64..70,
        ) {
            // One far value takes the sorted way.
            let values = if far { [values, vec![9_000]].concat() } else { values };
            let samples = Samples::new(values.clone());
            let count = values.len() as f64;
            let short: i64 = values.iter().map(|value| (i64::from(*value) - level).max(0)).sum();
            let above = values.iter().filter(|value| i64::from(**value) > level).count();
            prop_assert!((samples.shortage(level) - short as f64 / count).abs() < 1e-9);
            prop_assert!((samples.share_above(level) - above as f64 / count).abs() < 1e-9);
            let mut sorted = values;
            sorted.sort_unstable();
            prop_assert_eq!(samples.quantile(0.5), sorted[(sorted.len() - 1) / 2]);
        }
    }
}
