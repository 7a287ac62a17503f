//! The rule that most yards use: at or below a minimum, order up to a maximum.

use super::{ReplayPart, ReplaySettings, Review, replay};
use crate::error::{OrderingError, share};

/// A minimum and a maximum, in stock units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MinMax {
    pub minimum: u64,
    pub maximum: u64,
}

impl MinMax {
    /// Units to order at a position.
    ///
    /// # Errors
    /// A minimum above the maximum.
    pub fn order(&self, position: i64) -> Result<u64, OrderingError> {
        let Self { minimum, maximum } = *self;
        if minimum > maximum {
            return Err(OrderingError::MinimumAboveMaximum { minimum, maximum });
        }
        let (minimum, maximum) = (i64::try_from(minimum), i64::try_from(maximum));
        let (Ok(minimum), Ok(maximum)) = (minimum, maximum) else {
            return Err(OrderingError::TooLarge);
        };
        if position > minimum { Ok(0) } else { Ok(u64::try_from(maximum - position).unwrap_or(0)) }
    }
}

/// A rule for [`replay`] with one minimum and maximum a part.
pub fn min_max_rule(
    levels: &[MinMax],
) -> impl FnMut(&Review) -> Result<Vec<u64>, OrderingError> + '_ {
    move |review| {
        let position = |supply: &crate::requirement::Supply| supply.count(review.on).position();
        let rows = levels.iter().zip(&review.supply);
        rows.map(|(level, supply)| level.order(position(supply))).collect()
    }
}

/// Minimums tried for a part, and distances from minimum to maximum.
const MINIMUMS: u64 = 24;
const DISTANCES: [f64; 6] = [0.0, 0.5, 1.0, 2.0, 3.0, 6.0];

/// The minimum and maximum that would have served at least `target` of a part's past demand at once
/// with the least money tied up; where none would, those that would have served most. The part's
/// `asked` is the past that it is tuned on.
///
/// # Errors
/// A target that is not a share, or terms that break a rule.
pub fn tune_min_max(
    part: &ReplayPart,
    settings: &ReplaySettings,
    target: f64,
) -> Result<MinMax, OrderingError> {
    share("target", target)?;
    let months = part.asked.len().max(1) as f64;
    let asked: u64 = part.asked.iter().map(|units| u64::from(*units)).sum();
    let a_month = asked as f64 / months;
    let lead = part.terms.lead.usual;
    let covered = f64::from(lead.worst_days.max(lead.median_days) + settings.review_days) / 30.0;
    // Four times the mean need until the worst delivery is more than any yard keeps.
    let most = (a_month * covered.max(1.0) * 4.0).ceil() as u64 + 2;
    let stride = most.div_ceil(MINIMUMS).max(1);
    let mut best: Option<(bool, f64, MinMax)> = None;
    for minimum in (0..=most).step_by(stride as usize) {
        for distance in DISTANCES {
            let maximum = minimum + ((a_month * distance).ceil() as u64).max(1);
            let level = MinMax { minimum, maximum };
            let one = std::slice::from_ref(part);
            let tried = replay(one, settings, min_max_rule(&[level]))?.total;
            let served = tried.fill_rate().unwrap_or(1.0);
            let enough = served >= target;
            let rank = if enough { -tried.money_tied_up } else { served };
            let better = best.is_none_or(|(had_enough, had_rank, _)| {
                (enough && !had_enough) || (enough == had_enough && rank > had_rank)
            });
            if better {
                best = Some((enough, rank, level));
            }
        }
    }
    Ok(best.map_or(MinMax { minimum: 0, maximum: 1 }, |(_, _, level)| level))
}
