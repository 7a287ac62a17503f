//! The stock file: what lies on the shelf, is promised and is on order.

use std::collections::HashMap;
use std::io::Read;

use exchange::table::{Column, Faults, Row, read_all};
use ordering::{Arrival, ShelfLot, Supply};

const COLUMNS: [Column; 6] = [
    Column::required("part", "part number or name"),
    Column::required("on_hand", "units on the shelf"),
    Column::optional("reserved", "units of them promised to jobs"),
    Column::optional("on_order", "units on order"),
    Column::optional("due_on", "day on which they are due; within the lead time where left out"),
    Column::optional("expires_on", "last good day of the units on the shelf"),
];

/// Several rows of a part add up: a lot each, an order each.
pub fn read(reader: impl Read) -> Result<HashMap<String, Supply>, Faults> {
    let mut stock: HashMap<String, Supply> = HashMap::new();
    read_all(reader, &COLUMNS, |row| {
        let part = row.text("part");
        let quantity = row.count("on_hand");
        let reserved = row.optional("reserved", Row::count);
        let on_order = row.optional("on_order", Row::count);
        let due_on = row.optional("due_on", Row::date);
        let expires_on = row.optional("expires_on", Row::date);
        let (part, quantity, reserved) = (part?, quantity?, reserved?.unwrap_or(0));
        let (on_order, due_on, expires_on) = (on_order?.unwrap_or(0), due_on?, expires_on?);
        let supply = stock.entry(part.to_owned()).or_default();
        let Some(reserved) = supply.reserved.checked_add(reserved) else {
            return Err(row.refuse(
                "reserved",
                "count-too-large",
                "the part's rows add up to too much",
            ));
        };
        supply.reserved = reserved;
        if quantity > 0 {
            supply.lots.push(ShelfLot { quantity, expires_on });
        }
        if on_order > 0 {
            supply.arrivals.push(Arrival { quantity: on_order, due_on });
        }
        Ok(())
    })?;
    Ok(stock)
}
