"""Makes windows.json: statistics of windows (t - w, t] by numpy and scipy, for the judge's tests.

Run by hand when the statistics change, never by the tests:
    python3 -m venv .venv && .venv/bin/pip install -r tests/reference/requirements.txt
    .venv/bin/python tests/reference/windows.py > tests/reference/windows.json
"""

import json

import numpy
import scipy
from scipy import stats

TICK_MS, WINDOW_MS, LIMIT = 10_000, 60_000, 80.5
# Whole panes, so that the window ends at the tick; aligned to the Unix epoch.
START_MS = 1_767_225_600_000

rng = numpy.random.default_rng(20260302)
# Samples about a second apart with jitter, one gap of 25 s, values in hundredths.
times = START_MS + 400 + numpy.cumsum(rng.integers(700, 1300, size=600))
times = times[(times < START_MS + 200_000) | (times > START_MS + 225_000)]
drift = 80 + 2 * numpy.sin((times - START_MS) / 60_000)
values = numpy.round(drift + rng.normal(0, 0.8, size=times.size), 2)

rows = []
for tick in range(START_MS + TICK_MS, int(times[-1]), TICK_MS):
    inside = (times > tick - WINDOW_MS) & (times <= tick)
    t, x = times[inside], values[inside]
    row = {"tick_ms": tick, "n": int(x.size)}
    if x.size >= 2:
        seconds = (t - t[0]) / 1000.0
        row |= {
            "mean": float(numpy.mean(x)),
            "min": float(numpy.min(x)),
            "max": float(numpy.max(x)),
            "range": float(numpy.ptp(x)),
            "stdev": float(numpy.std(x, ddof=1)),
            "slope": float(stats.linregress(seconds, x).slope),
            "rate": float((x[-1] - x[0]) / seconds[-1]),
            "slope_error": float(stats.linregress(seconds, x).stderr),
            "q90": float(numpy.quantile(x, 0.9, method="inverted_cdf")),
            "median": float(numpy.median(x)),
            "moving": float(numpy.mean(numpy.abs(numpy.diff(x)))),
            "ewma": float(numpy.average(x, weights=0.9 ** numpy.arange(x.size - 1, -1, -1.0))),
            "time_above": float(numpy.count_nonzero(x > LIMIT)),
            "time_below": float(numpy.count_nonzero(x < LIMIT)),
        }
    # Theil-Sen over the means of the six panes (t - 10 s, t], placed by pane.
    panes = -((t - tick) // -TICK_MS)
    if x.size >= 2 and numpy.unique(panes).size >= 2:
        places = numpy.unique(panes)
        means = numpy.array([numpy.mean(x[panes == place]) for place in places])
        slope = stats.theilslopes(means, places * (TICK_MS / 1000.0)).slope
        row["robust_slope"] = float(slope)
    rows.append(row)

print(json.dumps({
    "made_with": {"numpy": numpy.__version__, "scipy": scipy.__version__},
    "window_ms": WINDOW_MS,
    "limit": LIMIT,
    "times_ms": [int(t) for t in times],
    "values": [float(x) for x in values],
    "windows": rows,
}))
