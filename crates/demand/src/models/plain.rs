//! Models without a parameter.

/// The last value. Empty in: `None`.
pub fn naive(values: &[f64]) -> Option<f64> {
    values.last().copied()
}

/// The value of the same month of the last year known, for each of `months` ahead; `None` where
/// there is no such month yet.
pub fn seasonal_naive(values: &[f64], season: usize, months: usize) -> Vec<Option<f64>> {
    (0..months)
        .map(|ahead| {
            let back = season - ahead % season;
            values.len().checked_sub(back).map(|index| values[index])
        })
        .collect()
}

/// Mean of the last `window` values; `None` where there are fewer.
pub fn moving_average(values: &[f64], window: usize) -> Option<f64> {
    let start = values.len().checked_sub(window)?;
    Some(values[start..].iter().sum::<f64>() / window as f64)
}

/// Mean of all values; `None` without one.
pub fn historic_average(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}
