//! What the model across parts sees of a history: its level at several memories, how often and
//! how much is asked for, how long ago, and which way it goes.

/// Number of features.
pub const FEATURES: usize = 26;

/// Memories of the discounted means: weight of the newest month.
const MEMORIES: [f64; 5] = [0.02, 0.05, 0.1, 0.2, 0.4];

/// Features of a history; all finite. Quantities are in the part's own unit.
pub fn features_of(history: &[f64]) -> [f32; FEATURES] {
    let months = history.len() as f64;
    let mut weights = [0.0; 5];
    let mut means = [0.0; 5];
    let mut often = [0.0; 5];
    let mut sizes = Sizes::default();
    let (mut sum, mut squares) = (0.0, 0.0);
    let mut since = history.len();
    let mut first = history.len();
    let mut last_size = 0.0;
    for (index, &quantity) in history.iter().enumerate() {
        let asked = f64::from(u8::from(quantity > 0.0));
        for k in 0..5 {
            let keep = 1.0 - MEMORIES[k];
            weights[k] = keep * weights[k] + 1.0;
            means[k] = keep * means[k] + quantity;
            often[k] = keep * often[k] + asked;
        }
        sum += quantity;
        squares += quantity * quantity;
        if quantity > 0.0 {
            sizes.take(quantity);
            since = history.len() - 1 - index;
            first = first.min(index);
            last_size = quantity;
        }
    }
    for k in 0..5 {
        means[k] /= weights[k];
        often[k] /= weights[k];
    }
    let mean = sum / months;
    let variance = (squares / months - mean * mean).max(0.0);
    let tail = |length: usize| &history[history.len().saturating_sub(length)..];
    let average = |slice: &[f64]| slice.iter().sum::<f64>() / slice.len().max(1) as f64;
    let largest = |slice: &[f64]| slice.iter().copied().fold(0.0, f64::max);
    let year_ago = |ahead: usize| -> f64 {
        // The same months a year before, as far as there are any.
        let Some(start) = history.len().checked_sub(12) else { return mean };
        average(&history[start..(start + ahead).min(history.len())])
    };
    let values = [
        means[0],
        means[1],
        means[2],
        means[3],
        means[4],
        often[0],
        often[2],
        often[3],
        often[4],
        since as f64,
        (history.len() - first) as f64,
        months,
        sizes.count,
        sizes.mean(),
        sizes.variation(),
        sizes.smallest,
        last_size,
        largest(history),
        largest(tail(12)),
        average(tail(3)),
        average(tail(6)),
        average(tail(12)),
        year_ago(3),
        year_ago(6),
        if mean > 0.0 { variance / mean } else { 0.0 },
        (means[3] + 0.05) / (means[0] + 0.05),
    ];
    values.map(|value| value as f32)
}

#[derive(Default)]
struct Sizes {
    count: f64,
    sum: f64,
    squares: f64,
    smallest: f64,
}

impl Sizes {
    fn take(&mut self, size: f64) {
        self.smallest = if self.count == 0.0 { size } else { self.smallest.min(size) };
        self.count += 1.0;
        self.sum += size;
        self.squares += size * size;
    }

    fn mean(&self) -> f64 {
        if self.count > 0.0 { self.sum / self.count } else { 0.0 }
    }

    /// Squared coefficient of variation.
    fn variation(&self) -> f64 {
        let mean = self.mean();
        if mean > 0.0 { (self.squares / self.count / (mean * mean) - 1.0).max(0.0) } else { 0.0 }
    }
}
