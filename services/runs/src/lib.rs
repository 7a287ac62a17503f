//! From a snapshot of the records to a kept run: due list, forecast, order advice, plan.
