//! Stock moves: what each must keep to, and what is on hand by them.

use chrono::{DateTime, Utc};

use super::StockError;
use crate::id::{LotId, PartId, SiteId};
use crate::part::{MoveKind, StockMove};

impl MoveKind {
    /// Whether a move of this kind says why it was made.
    pub const fn needs_reason(self) -> bool {
        matches!(self, Self::Adjustment | Self::Count | Self::SupplierReturn | Self::Scrapped)
    }

    /// Whether a move of this kind only ever takes off the shelf, or only ever puts on it.
    const fn direction(self) -> Direction {
        match self {
            Self::Receipt | Self::Return => Direction::In,
            Self::Issue | Self::SupplierReturn | Self::Scrapped => Direction::Out,
            Self::Adjustment | Self::Count | Self::KitOpened | Self::Transfer => Direction::Either,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Direction {
    In,
    Out,
    Either,
}

/// What is on hand of a lot after a move. `on_hand` is what the move's own lot (or, without lots, its
/// part) held at its site before.
///
/// # Errors
/// Nothing moved, a receipt that takes or an issue that puts, a missing reason, more taken than is
/// there.
pub fn after_move(step: &StockMove, on_hand: i64) -> Result<i64, StockError> {
    if step.quantity == 0 {
        return Err(StockError::NothingMoved);
    }
    let wrong_way = match step.kind.direction() {
        Direction::In => step.quantity < 0,
        Direction::Out => step.quantity > 0,
        Direction::Either => false,
    };
    if wrong_way {
        return Err(StockError::WrongWay { kind: step.kind, quantity: step.quantity });
    }
    let reason = step.reason.as_deref().unwrap_or("").trim();
    if step.kind.needs_reason() && reason.is_empty() {
        return Err(StockError::ReasonMissing);
    }
    let after = on_hand.checked_add(step.quantity).ok_or(StockError::TooMany)?;
    if after < 0 {
        return Err(StockError::Negative { on_hand, taken: -step.quantity });
    }
    Ok(after)
}

/// What a site held of a part, or of one of its lots, at an instant. Moves recorded later for an
/// earlier instant count.
pub fn on_hand_at(
    moves: &[StockMove],
    site: SiteId,
    part: PartId,
    lot: Option<LotId>,
    at: DateTime<Utc>,
) -> i64 {
    let of_part = moves.iter().filter(|step| step.site == site && step.part == part);
    let of_lot = of_part.filter(|step| lot.is_none() || step.lot == lot);
    of_lot.filter(|step| step.moved_at <= at).map(|step| step.quantity).sum()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;
    use crate::id::StockMoveId;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}T12:00:00Z").parse().expect("an instant")
    }

    fn step(kind: MoveKind, quantity: i64, reason: Option<&str>) -> StockMove {
        StockMove {
            id: StockMoveId::fresh(),
            part: PartId::fresh(),
            site: SiteId::fresh(),
            lot: Some(LotId::fresh()),
            kind,
            quantity,
            moved_at: at("2026-01-10"),
            job: None,
            receipt_line: None,
            moved_by: None,
            together: None,
            reason: reason.map(str::to_owned),
            reference: None,
            recorded_at: at("2026-01-10"),
        }
    }

    #[rstest]
    #[case::emptied(MoveKind::Issue, -3, None, None)]
    #[case::overdrawn(MoveKind::Issue, -4, None, Some("stock-negative"))]
    #[case::nothing(MoveKind::Receipt, 0, None, Some("stock-nothing-moved"))]
    #[case::taken_by_a_receipt(MoveKind::Receipt, -1, None, Some("stock-wrong-way"))]
    #[case::put_by_an_issue(MoveKind::Issue, 1, None, Some("stock-wrong-way"))]
    #[case::back_from_a_job(MoveKind::Return, 1, None, None)]
    #[case::adjusted_without_a_word(MoveKind::Adjustment, 1, None, Some("stock-reason-missing"))]
    #[case::adjusted_with_a_blank(MoveKind::Adjustment, 1, Some(" "), Some("stock-reason-missing"))]
    #[case::adjusted(MoveKind::Adjustment, -1, Some("broken"), None)]
    #[case::counted(MoveKind::Count, 2, Some("behind the shelf"), None)]
    #[case::kit_opened(MoveKind::KitOpened, -1, None, None)]
    #[case::moved_away(MoveKind::Transfer, -3, None, None)]
    fn a_move_keeps_to_its_kind(
        #[case] kind: MoveKind,
        #[case] quantity: i64,
        #[case] reason: Option<&str>,
        #[case] broken: Option<&str>,
    ) {
        let after = after_move(&step(kind, quantity, reason), 3);
        assert_eq!(after.as_ref().err().map(|error| error.rule()), broken);
        assert_eq!(after.ok(), broken.is_none().then_some(3 + quantity));
    }

    #[test]
    fn stock_at_a_past_day_counts_the_moves_until_then() {
        let first = step(MoveKind::Receipt, 10, None);
        let (site, part, lot) = (first.site, first.part, first.lot);
        let other = Some(LotId::fresh());
        let like = |kind, quantity, moved_at, lot| StockMove {
            site,
            part,
            lot,
            moved_at: at(moved_at),
            ..step(kind, quantity, None)
        };
        let moves = [
            like(MoveKind::Receipt, 10, "2026-01-10", lot),
            like(MoveKind::Issue, -4, "2026-03-05", lot),
            like(MoveKind::Receipt, 5, "2026-02-01", other),
            like(MoveKind::Return, 1, "2026-03-20", lot),
        ];
        let held = |day: &str| on_hand_at(&moves, site, part, lot, at(day));
        assert_eq!(
            ["2026-01-09", "2026-01-10", "2026-03-05", "2026-04-01"].map(held),
            [0, 10, 6, 7]
        );
        assert_eq!(on_hand_at(&moves, site, part, None, at("2026-04-01")), 12);
        assert_eq!(on_hand_at(&moves, SiteId::fresh(), part, lot, at("2026-04-01")), 0);
    }

    proptest! {
        #[test]
        fn what_is_on_hand_is_the_sum_of_the_moves_and_never_below_zero(
            quantities in prop::collection::vec(-20_i64..20, 0..60),
        ) {
            let (mut on_hand, mut sum) = (0, 0);
            for quantity in quantities {
                let step = step(MoveKind::Adjustment, quantity, Some("found"));
                if let Ok(after) = after_move(&step, on_hand) {
                    on_hand = after;
                    sum += quantity;
                }
                prop_assert!(on_hand >= 0 && on_hand == sum);
            }
        }
    }
}
