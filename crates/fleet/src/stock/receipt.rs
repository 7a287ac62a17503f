//! Goods against an order line: in part, too many, back to the supplier, the rest given up.

use serde::{Deserialize, Serialize};

use super::{Overruled, StockError};

/// How far an order line has come, in bought units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineProgress {
    pub ordered: u32,
    pub received: u32,
    pub returned: u32,
    /// No more is expected, whatever is open.
    pub closed: bool,
}

impl LineProgress {
    /// Still to come: the back order. What went back to the supplier is to come again.
    pub const fn open(&self) -> u32 {
        if self.closed {
            return 0;
        }
        self.ordered.saturating_sub(self.received - self.returned)
    }

    /// The line after a receipt.
    ///
    /// # Errors
    /// Nothing received, a closed line, more than is open that no named person accepts.
    pub fn receive(self, quantity: u32, accepted: Option<&Overruled>) -> Result<Self, StockError> {
        if quantity == 0 {
            return Err(StockError::NothingMoved);
        }
        if self.closed {
            return Err(StockError::LineClosed);
        }
        if quantity > self.open() {
            let before = self.received - self.returned;
            let broken =
                StockError::MoreThanOrdered { ordered: self.ordered, before, received: quantity };
            accepted.map_or(Err(broken), Overruled::check)?;
        }
        Ok(Self { received: self.received.saturating_add(quantity), ..self })
    }

    /// The line after a return to the supplier.
    ///
    /// # Errors
    /// Nothing returned, or more than is here.
    pub const fn give_back(self, quantity: u32) -> Result<Self, StockError> {
        if quantity == 0 {
            return Err(StockError::NothingMoved);
        }
        let received = self.received - self.returned;
        if quantity > received {
            return Err(StockError::MoreReturnedThanReceived { received, returned: quantity });
        }
        Ok(Self { returned: self.returned + quantity, ..self })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::id::PersonId;

    #[test]
    fn a_line_comes_in_parts_and_not_above_what_was_ordered() {
        let line = LineProgress { ordered: 10, ..LineProgress::default() };
        let line = line.receive(6, None).expect("part");
        assert_eq!(line.open(), 4);
        let error = line.receive(5, None).expect_err("one too many");
        assert_eq!(error.rule(), "received-more-than-ordered");
        let accepted = Overruled { by: PersonId::fresh(), reason: "free of charge".into() };
        assert_eq!(line.receive(5, Some(&accepted)).map(|line| line.open()), Ok(0));
        assert_eq!(line.receive(4, None).map(|line| line.open()), Ok(0));
    }

    #[test]
    fn what_went_back_is_to_come_again_until_the_line_is_closed() {
        let line = LineProgress { ordered: 10, ..LineProgress::default() };
        let line = line.receive(10, None).expect("all").give_back(3).expect("faulty");
        assert_eq!(line.open(), 3);
        let rule =
            |result: Result<LineProgress, StockError>| result.err().map(|error| error.rule());
        assert_eq!(rule(line.give_back(8)), Some("returned-more-than-received"));
        assert_eq!(rule(line.give_back(0)), Some("stock-nothing-moved"));
        let closed = LineProgress { closed: true, ..line };
        assert_eq!(closed.open(), 0);
        assert_eq!(rule(closed.receive(1, None)), Some("order-line-closed"));
    }
}
