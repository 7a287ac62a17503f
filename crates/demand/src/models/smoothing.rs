//! Simple exponential smoothing, the building block of most models here.

/// The next value by simple exponential smoothing of `values` with weight `alpha`.
///
/// ```text
/// f₁ = x₁; f₍ᵢ₊₁₎ = α·xᵢ + (1 − α)·fᵢ
/// ```
///
/// Empty in: 0. `O(n)`. Brown (1959), Statistical Forecasting for Inventory Control; start from
/// the first value as in statsforecast 2.1.1, against which it is checked.
pub fn smooth(values: &[f64], alpha: f64) -> f64 {
    let Some((&first, rest)) = values.split_first() else { return 0.0 };
    rest.iter().fold(first, |level, value| alpha * value + (1.0 - alpha) * level)
}

/// Sum of squared one-step errors of [`smooth`]; the first value is not scored.
pub fn squared_errors(values: &[f64], alpha: f64) -> f64 {
    let Some((&first, rest)) = values.split_first() else { return 0.0 };
    let mut level = first;
    let mut sum = 0.0;
    for value in rest {
        sum += (value - level) * (value - level);
        level = alpha * value + (1.0 - alpha) * level;
    }
    sum
}

/// Weight within `low..=high` with the smallest [`squared_errors`], by golden section.
///
/// The sum of squares need not have a single valley; the search then ends in one of them, as the
/// reference library's does. Where the sum does not depend on the weight the middle is returned.
/// Stops at a width of 1e-8, where the reference goes on to 1e-12: the forecasts agree to 1e-7.
pub fn fit_weight(values: &[f64], low: f64, high: f64) -> f64 {
    const WIDTH: f64 = 1e-8;
    let ratio = (5.0_f64.sqrt() + 1.0) / 2.0;
    let (mut a, mut b) = (low, high);
    let mut c = b - (b - a) / ratio;
    let mut d = a + (b - a) / ratio;
    let mut at_c = squared_errors(values, c);
    let mut at_d = squared_errors(values, d);
    while (b - a).abs() >= WIDTH {
        if at_c < at_d {
            b = d;
            d = c;
            at_d = at_c;
            c = b - (b - a) / ratio;
            at_c = squared_errors(values, c);
        } else if at_d < at_c {
            a = c;
            c = d;
            at_c = at_d;
            d = a + (b - a) / ratio;
            at_d = squared_errors(values, d);
        } else {
            break;
        }
    }
    f64::midpoint(a, b)
}

/// [`smooth`] with the weight of [`fit_weight`].
pub fn smooth_fitted(values: &[f64], low: f64, high: f64) -> f64 {
    smooth(values, fit_weight(values, low, high))
}
