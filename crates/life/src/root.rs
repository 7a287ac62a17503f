//! Where a function crosses zero.

/// The point in `[low, high]` where `function`, rising through zero, crosses it, to the last bit.
///
/// Halving was kept over faster searches: it cannot fail on a rising function, and nothing here
/// is called often enough for 60 more evaluations to be noticed. The caller has checked that the
/// crossing lies inside; otherwise the nearer end is returned.
pub(crate) fn find_crossing(function: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if function(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
}
