"""Least costs of lot-sizing problems by a mixed-integer model, solved by HiGHS.

Reads a JSON list of {"demand": [...], "setup": [...], "holding": [...]} from standard input and
writes the list of least costs to the file named (the solver itself writes on standard output). Needs highspy and numpy. The model: order x, stock s, order placed y;
s[t-1] + x[t] = demand[t] + s[t], x[t] <= (sum of demand) * y[t], y binary.
"""

import json
import sys

import highspy
import numpy as np


def least_cost(problem):
    demand, setup, holding = (problem[name] for name in ("demand", "setup", "holding"))
    periods = len(demand)
    most = float(sum(demand))
    solver = highspy.Highs()
    solver.silent()
    for _ in range(periods):
        solver.addVar(0.0, most)  # x
    for period in range(periods):
        solver.addVar(0.0, highspy.kHighsInf)  # s
        solver.changeColCost(periods + period, float(holding[period]))
    for period in range(periods):
        column = 2 * periods + period
        solver.addVar(0.0, 1.0)  # y
        solver.changeColCost(column, float(setup[period]))
        solver.changeColIntegrality(column, highspy.HighsVarType.kInteger)
    for period in range(periods):
        columns, values = [period, periods + period], [1.0, -1.0]
        if period > 0:
            columns.append(periods + period - 1)
            values.append(1.0)
        need = float(demand[period])
        solver.addRow(need, need, len(columns), np.array(columns, dtype=np.int32), np.array(values))
        solver.addRow(
            -highspy.kHighsInf,
            0.0,
            2,
            np.array([period, 2 * periods + period], dtype=np.int32),
            np.array([1.0, -most]),
        )
    solver.setOptionValue("mip_rel_gap", 0.0)
    solver.setOptionValue("mip_abs_gap", 1e-7)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise SystemExit(f"no optimum: {solver.getModelStatus()}")
    return solver.getInfo().objective_function_value


if __name__ == "__main__":
    costs = [least_cost(problem) for problem in json.load(sys.stdin)]
    with open(sys.argv[1], "w", encoding="utf-8") as out:
        json.dump(costs, out)
