//! Climbing a concave curve, and finding where it has fallen by a given drop.

/// Where a climb ended.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Climb {
    pub at: f64,
    pub value: f64,
}

/// Newton's method on a concave function given by `(value, slope, curvature)`, each step cut to
/// size by `limit(at, step)` and then halved until the value does not fall. Ends where steps no
/// longer matter; where the curve is flat that is at once.
pub(crate) fn climb(
    function: impl Fn(f64) -> (f64, f64, f64),
    start: f64,
    limit: impl Fn(f64, f64) -> f64,
) -> Climb {
    let mut at = start;
    let (mut value, mut slope, mut curvature) = function(at);
    for _ in 0..200 {
        // Uphill by the limit where the value or its curvature can't be told.
        let newton = if curvature < 0.0 { -slope / curvature } else { f64::INFINITY * slope };
        let mut step = limit(at, if newton.is_nan() { 0.0 } else { newton });
        if step.abs() <= 1e-9 * (1e-3 + at.abs()) {
            break;
        }
        let slack = 1e-13 * (1.0 + value.abs());
        let mut next = function(at + step);
        let rises = |next: f64| next >= value - slack; // false for NaN too
        while !rises(next.0) && step.abs() > 1e-14 * (1e-3 + at.abs()) {
            step *= 0.5;
            next = function(at + step);
        }
        if !rises(next.0) {
            break;
        }
        at += step;
        (value, slope, curvature) = next;
    }
    Climb { at, value }
}

/// The point beyond `peak_at`, on the side of `first_step`, where `profile` (value, slope) is
/// `drop` below `peak_value`; `None` where it is not so within `reach` of the peak.
///
/// Newton's method on the root of twice the fall, which is nearly a straight line (exactly one
/// for a normal likelihood), fenced in by what is known to be too near and too far.
pub(crate) fn find_bound(
    mut profile: impl FnMut(f64) -> (f64, f64),
    peak_at: f64,
    peak_value: f64,
    drop: f64,
    first_step: f64,
    reach: f64,
) -> Option<f64> {
    let target = (2.0 * drop).sqrt();
    let (mut near, mut far) = (0.0, f64::INFINITY); // distances from the peak
    let (mut distance, direction) = (first_step.abs(), first_step.signum());
    for _ in 0..400 {
        let (value, slope) = profile(peak_at + direction * distance);
        let fall = if value.is_finite() { (peak_value - value).max(0.0) } else { f64::INFINITY };
        if fall < drop {
            near = distance;
        } else {
            far = distance;
        }
        let root = (2.0 * fall).sqrt();
        let rise = -slope * direction / root; // of the root, per unit of distance
        let next = distance + (target - root) / rise;
        let found = (next - distance).abs() <= 1e-11 * (distance + peak_at.abs());
        let fenced = far.is_finite() && far - near <= 1e-14 * (far + peak_at.abs());
        if found || fenced {
            return Some(peak_at + direction * next.clamp(near, far));
        }
        distance = if far.is_infinite() {
            if near >= reach {
                return None;
            }
            let sensible = if next.is_finite() { next } else { 4.0 * distance };
            sensible.clamp(1.01 * distance, 4.0 * distance).min(reach)
        } else if next > near && next < far {
            next
        } else {
            0.5 * (near + far)
        };
    }
    None
}
