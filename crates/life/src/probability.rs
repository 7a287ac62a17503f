//! Probabilities and quantiles of the normal and chi-square laws.

use statrs::function::{erf::erfc, gamma};

use crate::root::find_crossing;

/// P(|Z| >= |z|) of a standard normal, exact in the far tail.
pub(crate) fn two_sided_normal(z: f64) -> f64 {
    erfc(z.abs() / std::f64::consts::SQRT_2)
}

/// P(X >= x) of a chi-square with `degrees` > 0 degrees of freedom.
pub(crate) fn chi_square_above(x: f64, degrees: f64) -> f64 {
    if x <= 0.0 { 1.0 } else { gamma::gamma_ur(0.5 * degrees, 0.5 * x) }
}

/// The `p` quantile, `0 < p < 1`, of a chi-square with `degrees` > 0 degrees of freedom.
///
/// Own search rather than the library's, which stops at an absolute tolerance.
pub(crate) fn chi_square_quantile(p: f64, degrees: f64) -> f64 {
    let below = |log_x: f64| gamma::gamma_lr(0.5 * degrees, 0.5 * log_x.exp()) - p;
    let mut high = degrees.max(1.0).ln() + 1.0;
    while below(high) < 0.0 {
        high += 1.0;
    }
    let mut low = high - 1.0;
    while below(low) > 0.0 {
        low -= 1.0;
    }
    find_crossing(below, low, high).exp()
}
