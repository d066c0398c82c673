#!/usr/bin/env python3
"""Makes grading_reference.json: tails, quantiles and intervals of scipy.stats,
for the statistics of yields in pipeline/ops.

    python3 -m venv v && v/bin/pip install numpy==2.4.6 scipy==1.17.1
    v/bin/python tests/data/grading_reference.py > tests/data/grading_reference.json
"""

import json
import sys

import numpy as np
import scipy
from scipy import stats

rng = np.random.default_rng(20261)


def intervals():
    out = []
    for n in [1, 2, 5, 12, 18, 50, 200, 1000, 20000]:
        for good in sorted({0, 1, n // 3, n // 2, n - n // 10, n - 1, n}):
            for level in [0.90, 0.95, 0.99]:
                tail = (1 - level) / 2
                ci = stats.binomtest(good, n).proportion_ci(level, method="exact")
                a, b = good + 0.5, n - good + 0.5
                out.append({
                    "good": good, "n": n, "level": level,
                    "exact": [ci.low, ci.high],
                    "jeffreys": [0.0 if good == 0 else stats.beta.ppf(tail, a, b),
                                 1.0 if good == n else stats.beta.ppf(1 - tail, a, b)],
                })
    return out


def tails():
    out = []
    for _ in range(60):
        n = int(rng.choice([3, 20, 75, 300, 2000]))
        a, b = np.round(rng.uniform(0.5, 60, 2), 1)
        p = float(np.round(rng.uniform(0.02, 0.98), 2))
        k = int(rng.integers(0, n + 1))
        out.append({"n": n, "need": k, "alpha": float(a), "beta": float(b), "p": p,
                    "beta_binomial": stats.betabinom.sf(k - 1, n, a, b),
                    "binomial": stats.binom.sf(k - 1, n, p)})
    return out


def least(need, sf):
    n = need
    while sf(n) < 0.95:
        n += 1
    return n


def sheets():
    out = []
    for good, bad in [(3, 0), (11, 1), (18, 4), (46, 4), (95, 5), (400, 100)]:
        for need in [1, 10, 60, 250]:
            a, b = good + 0.5, bad + 0.5
            out.append({"good": good, "bad": bad, "need": need,
                        "sheets": least(need, lambda n: stats.betabinom.sf(need - 1, n, a, b))})
    return out


def halves():
    out = []
    for none, one, two in [(0, 0, 3), (1, 2, 9), (2, 3, 20), (5, 10, 60)]:
        alpha = np.array([none, one, two]) + 0.5
        for n, need in [(5, 7), (12, 20), (30, 52), (60, 100)]:
            d = stats.dirichlet_multinomial(alpha, n)
            p = sum(d.pmf([n - c1 - c2, c1, c2])
                    for c2 in range(n + 1) for c1 in range(n - c2 + 1) if c1 + 2 * c2 >= need)
            out.append({"sheets_with": [none, one, two], "n": n, "need": need, "at_least": float(p)})
    return out


json.dump({"source": f"scipy {scipy.__version__}, numpy {np.__version__}: tests/data/grading_reference.py",
           "intervals": intervals(), "tails": tails(), "sheets": sheets(), "halves": halves()},
          sys.stdout, indent=None, separators=(",", ":"))
print()
