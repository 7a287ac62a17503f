"""Series per second of statsforecast 2.1.1 on the series of benches/forecast.rs' kind, to set beside
`cargo bench -p demand --bench forecast`: the same models, four fits a series, two processes.

    python -m venv v && v/bin/pip install statsforecast==2.1.1
    v/bin/python crates/demand/benches/reference_speed.py
"""

import random
import time

import numpy as np
import pandas as pd
from statsforecast import StatsForecast
from statsforecast import models as m

MONTHS, BACKS = 60, (18, 12, 6, 0)


def series(count):
    draw = random.Random(9)
    rows = []
    for part in range(count):
        rate = 0.9 if part % 5 == 0 else draw.uniform(0.05, 0.5)
        size = draw.randint(1, 11)
        rows += [
            (part, month, float(draw.randint(1, size)) if draw.random() < rate else 0.0)
            for month in range(MONTHS)
        ]
    return pd.DataFrame(rows, columns=["unique_id", "ds", "y"])


def measure(name, models, count):
    frame = series(count)
    StatsForecast(models=models, freq=1, n_jobs=1).forecast(df=series(2), h=12)  # compiled
    started = time.time()
    for back in BACKS:
        known = frame[frame.ds < MONTHS - back]
        StatsForecast(models=models, freq=1, n_jobs=2).forecast(df=known, h=12)
    print(f"{name}: {count / (time.time() - started):.0f} series/s")


PLAIN = [
    m.Naive(), m.SeasonalNaive(12), m.WindowAverage(6), m.HistoricAverage(),
    m.SimpleExponentialSmoothing(0.1), m.SimpleExponentialSmoothingOptimized(),
    m.CrostonClassic(), m.CrostonSBA(), m.CrostonOptimized(), m.TSB(0.2, 0.2),
    m.ADIDA(), m.IMAPA(),
]

if __name__ == "__main__":
    np.seterr(all="ignore")
    measure("without Holt-Winters", PLAIN, 1000)
    measure("with Holt-Winters", PLAIN + [m.HoltWinters(12, "A")], 60)
