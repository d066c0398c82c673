#!/usr/bin/env python3
"""Makes drift_reference.json: trend and change-point results of general-purpose
libraries on random series, for the statistics in pipeline/ops.

    python3 -m venv v && v/bin/pip install numpy==2.4.6 scipy==1.15.3 pymannkendall==1.4.3 ruptures==1.1.10
    v/bin/python tests/data/drift_reference.py > tests/data/drift_reference.json
"""

import json
import sys
from importlib.metadata import version

import numpy as np
import pymannkendall as mk
import ruptures as rpt
import scipy
from scipy import stats

rng = np.random.default_rng(20260)


def series(n, rho, slope, step, decimals):
    e = rng.standard_normal(n)
    y = np.empty(n)
    last = rng.standard_normal()
    for i in range(n):
        last = rho * last + np.sqrt(1 - rho * rho) * e[i]
        y[i] = last
    y += slope * np.arange(n)
    y[n // 2:] += step
    return np.round(y, decimals)


def trend(n, rho, slope, step, decimals, gaps):
    y = series(n, rho, slope, step, decimals)
    if gaps:
        x = np.cumsum(rng.integers(1, 5, n)).astype(float)
    else:
        x = np.arange(1.0, n + 1)
    out = {"x": x.tolist(), "y": y.tolist()}
    t = stats.theilslopes(y, x, alpha=0.95)
    out["theilslopes"] = [t.slope, t.intercept, t.low_slope, t.high_slope]
    o = mk.original_test(y)
    out["mann_kendall"] = [o.s, o.var_s, o.z, o.p]
    h = mk.hamed_rao_modification_test(y, lag=3)
    out["hamed_rao_lag3"] = [h.var_s, h.z, h.p]
    return out


def changes(n, levels, penalty, shortest):
    y = rng.standard_normal(n)
    edges = np.sort(rng.choice(np.arange(shortest, n - shortest), levels, replace=False))
    for e in edges:
        y[e:] += rng.normal(0, 2)
    y = np.round(y, 3)
    pelt = rpt.Pelt(model="l2", min_size=shortest, jump=1).fit(y)
    bkps = pelt.predict(pen=penalty)
    return {"y": y.tolist(), "penalty": penalty, "shortest": shortest,
            "changes": [int(b) for b in bkps[:-1]], "cost": float(pelt.cost.sum_of_costs(bkps))}


def editions(sizes, years):
    groups = []
    for year in years:
        centre = 0.01 * (year - 1960) + rng.normal(0, 0.3)
        groups.append([year, np.round(centre + 0.05 * rng.standard_normal(sizes), 4).tolist()])
    means = [float(np.mean(v)) for _, v in groups]
    r = stats.linregress(years, means)
    return {"groups": groups, "slope": r.slope, "se": r.stderr, "p": r.pvalue,
            "intercept": r.intercept}


def exact(n):
    y = rng.permutation(n)
    r = stats.kendalltau(np.arange(n), y, method="exact")
    return {"y": y.tolist(), "p": float(r.pvalue)}


out = {
    "source": "scipy %s stats.theilslopes, linregress, kendalltau; pymannkendall 1.4.3; ruptures %s Pelt"
    % (scipy.__version__, version("ruptures")),
    "trends": [
        trend(12, 0.0, 0.0, 0.0, 3, False),
        trend(40, 0.0, 0.02, 0.0, 3, True),
        trend(60, 0.5, 0.0, 0.0, 3, False),
        trend(80, 0.3, 0.01, 0.0, 1, False),
        trend(100, 0.0, 0.0, 1.0, 0, True),
        trend(450, 0.4, 0.002, 0.0, 2, True),
        trend(700, 0.0, 0.0, 0.0, 0, False),
    ],
    "changes": [
        changes(60, 1, 8.0, 2),
        changes(120, 3, 9.0, 3),
        changes(250, 5, 12.0, 5),
        changes(400, 0, 15.0, 5),
    ],
    "editions": [editions(6, [1961, 1978, 1994, 2026]), editions(9, [1950, 1960, 1975, 1980, 2001])],
    "exact": [exact(5), exact(9), exact(14)],
}
json.dump(out, sys.stdout)
print()
