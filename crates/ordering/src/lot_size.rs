//! How many months one order should cover where an order itself costs something.

use crate::error::{OrderingError, not_negative};

/// Orders by period, and what they cost.
#[derive(Clone, Debug, PartialEq)]
pub struct LotPlan {
    /// Quantity ordered at the start of each period.
    pub orders: Vec<u64>,
    /// Set-up costs and holding costs of all periods.
    pub cost: f64,
}

/// Demand by period, the cost of an order in each, and of holding a unit over the end of each.
#[derive(Clone, Debug, PartialEq)]
pub struct LotProblem {
    pub demand: Vec<u64>,
    pub setup: Vec<f64>,
    pub holding: Vec<f64>,
}

impl LotProblem {
    /// # Errors
    /// Lists of different lengths, or a cost that is not a number of zero or more.
    pub fn new(
        demand: Vec<u64>,
        setup: Vec<f64>,
        holding: Vec<f64>,
    ) -> Result<Self, OrderingError> {
        for costs in [&setup, &holding] {
            if costs.len() != demand.len() {
                let (left, right) = (costs.len(), demand.len());
                return Err(OrderingError::LengthsDiffer { left, right });
            }
        }
        for cost in &setup {
            not_negative("order cost", *cost)?;
        }
        for cost in &holding {
            not_negative("holding cost", *cost)?;
        }
        Ok(Self { demand, setup, holding })
    }

    /// Costs of ordering at the start of the given periods, each order covering all until the next.
    /// `None` where a demand comes before the first order.
    pub fn cost_of(&self, orders: &[u64]) -> Option<f64> {
        let (mut stock, mut cost) = (0_u64, 0.0);
        for (period, order) in orders.iter().enumerate() {
            if *order > 0 {
                cost += self.setup[period];
            }
            stock = (stock + order).checked_sub(self.demand[period])?;
            cost += stock as f64 * self.holding[period];
        }
        Some(cost)
    }

    /// The cheapest plan: exact, by dynamic programming over the period of the last order. `O(n²)`.
    ///
    /// Wagner and Whitin (1958), Management Science 5:89-96: some cheapest plan orders only when
    /// nothing is left, so an order covers whole periods. Leading periods without demand need no
    /// order. No demand at all costs nothing.
    pub fn cheapest(&self) -> LotPlan {
        let periods = self.demand.len();
        // best[t]: least cost of the first t periods; from[t]: where the last order stands.
        let mut best = vec![f64::INFINITY; periods + 1];
        let mut from = vec![None; periods + 1];
        best[0] = 0.0;
        for start in 0..periods {
            if self.demand[start] == 0 && best[start] < best[start + 1] {
                best[start + 1] = best[start];
                from[start + 1] = None;
            }
            let mut cost = best[start] + self.setup[start];
            let mut held = 0.0;
            for end in start..periods {
                if end > start {
                    held += self.holding[end - 1];
                }
                cost += held * self.demand[end] as f64;
                // Ties go to the later order, as the source's table has it.
                if cost <= best[end + 1] {
                    best[end + 1] = cost;
                    from[end + 1] = Some(start);
                }
            }
        }
        let mut orders = vec![0; periods];
        let mut end = periods;
        while end > 0 {
            match from[end] {
                Some(start) => {
                    orders[start] = self.demand[start..end].iter().sum();
                    end = start;
                }
                None => end -= 1,
            }
        }
        LotPlan { orders, cost: best[periods] }
    }

    /// Least cost of the first 1, 2, … periods.
    pub fn cheapest_by_length(&self) -> Vec<f64> {
        let first = |length: usize| Self {
            demand: self.demand[..length].to_vec(),
            setup: self.setup[..length].to_vec(),
            holding: self.holding[..length].to_vec(),
        };
        (1..=self.demand.len()).map(|length| first(length).cheapest().cost).collect()
    }

    /// The plan of a simple rule, for comparison: an order covers further periods while the cost per
    /// period covered does not rise.
    ///
    /// Silver and Meal (1973), Production and Inventory Management 14(2):64-74; their one set-up
    /// cost is here the ordering period's own.
    pub fn silver_meal(&self) -> LotPlan {
        let periods = self.demand.len();
        let mut orders = vec![0; periods];
        let mut start = 0;
        while start < periods {
            if self.demand[start] == 0 {
                start += 1;
                continue;
            }
            let mut cost = self.setup[start];
            let (mut held, mut end) = (0.0, start + 1);
            while end < periods {
                held += self.holding[end - 1];
                let longer = cost + held * self.demand[end] as f64;
                let (now, then) = ((end - start) as f64, (end + 1 - start) as f64);
                if longer / then > cost / now {
                    break;
                }
                cost = longer;
                end += 1;
            }
            orders[start] = self.demand[start..end].iter().sum();
            start = end;
        }
        let cost = self.cost_of(&orders).unwrap_or(f64::INFINITY);
        LotPlan { orders, cost }
    }
}

/// Quantity at which order and holding costs balance under steady demand.
///
/// `sqrt(2 K D / h)`: Harris (1913), Factory, The Magazine of Management 10(2):135-136, 152. Zero
/// where nothing is demanded or an order costs nothing.
///
/// # Errors
/// A cost or demand that is not a number of zero or more, or holding that costs nothing: then no
/// quantity is too large.
pub fn economic_quantity(
    demand_per_year: f64,
    order_cost: f64,
    holding_per_unit_year: f64,
) -> Result<f64, OrderingError> {
    not_negative("demand", demand_per_year)?;
    not_negative("order cost", order_cost)?;
    not_negative("holding cost", holding_per_unit_year)?;
    if holding_per_unit_year <= 0.0 {
        let value = holding_per_unit_year;
        return Err(OrderingError::Negative { name: "holding cost above zero", value: -value });
    }
    Ok((2.0 * order_cost * demand_per_year / holding_per_unit_year).sqrt())
}
