//! From values to places on a sheet.

/// A straight scale: `from` of the data lies at `to` on the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    from: (f64, f64),
    to: (f64, f64),
}

impl Scale {
    /// A scale over `from`, widened by one where it is empty or not finite, so that no picture
    /// holds a NaN.
    pub fn new(from: (f64, f64), to: (f64, f64)) -> Self {
        let (low, high) = from;
        let usable = low.is_finite() && high.is_finite() && high > low;
        let low = if low.is_finite() { low } else { 0.0 };
        Self { from: if usable { from } else { (low, low + 1.0) }, to }
    }

    /// The place of `value`; values beyond the ends stay at the end.
    pub fn at(&self, value: f64) -> f64 {
        let (low, high) = self.from;
        let value = if value.is_finite() { value.clamp(low, high) } else { low };
        self.to.0 + (value - low) / (high - low) * (self.to.1 - self.to.0)
    }

    /// Round values to label the scale with: at most `most` steps of 1, 2 or 5 times a power of
    /// ten, whole numbers where only whole numbers make sense.
    pub fn ticks(&self, most: usize, step_min: f64) -> Vec<f64> {
        let (low, high) = self.from;
        let step = round_step((high - low) / most.max(1) as f64).max(step_min);
        let first = (low / step).ceil();
        let count = ((high / step).floor() - first).max(0.0) as usize;
        (0..=count.min(50)).map(|i| (first + i as f64) * step).collect()
    }
}

/// The next of 1, 2, 5, 10, … at or above `rough`.
fn round_step(rough: f64) -> f64 {
    if !rough.is_finite() || rough <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf(rough.log10().floor());
    let part = rough / power;
    let step = [1.0, 2.0, 5.0].into_iter().find(|step| part <= step + 1e-9);
    step.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_beyond_the_ends_stay_at_the_end() {
        let scale = Scale::new((0.0, 10.0), (100.0, 0.0));
        assert_eq!([-1.0, 0.0, 5.0, 11.0].map(|v| scale.at(v)), [100.0, 100.0, 50.0, 0.0]);
    }

    #[test]
    fn an_empty_or_broken_range_still_places_its_values() {
        for from in [(3.0, 3.0), (f64::NAN, 1.0), (0.0, f64::INFINITY)] {
            let scale = Scale::new(from, (0.0, 1.0));
            assert!([0.0, f64::NAN, 1e9].into_iter().all(|v| scale.at(v).is_finite()));
            assert!(scale.ticks(4, 1.0).len() <= 6);
        }
    }

    #[test]
    fn ticks_are_round_and_no_more_than_asked() {
        assert_eq!(Scale::new((0.0, 36.0), (0.0, 1.0)).ticks(4, 1.0), [0.0, 10.0, 20.0, 30.0]);
        assert_eq!(Scale::new((0.0, 3.0), (0.0, 1.0)).ticks(6, 1.0), [0.0, 1.0, 2.0, 3.0]);
        assert_eq!(Scale::new((0.0, 0.9), (0.0, 1.0)).ticks(3, 0.0), [0.0, 0.5]);
    }
}
