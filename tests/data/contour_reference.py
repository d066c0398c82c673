#!/usr/bin/env python3
"""Makes contour_reference.json: iso-contours that scikit-image's find_contours
gives on small rasters, for pipeline/ops/src/contour.rs.

    python3 -m venv v && v/bin/pip install numpy==2.4.6 scikit-image==0.26.0
    v/bin/python tests/data/contour_reference.py > tests/data/contour_reference.json

Saddles are resolved differently there (all high or all low corners joined), so
rasters with an alternating cell at the level are not taken. Places are [x, y]
in samples; lines are as find_contours gives them, a closed one ends where it
starts, with higher values on the left (positive_orientation='low').
"""

import json
import sys
from importlib.metadata import version

import numpy as np
from skimage.measure import find_contours

rng = np.random.default_rng(31)


def smooth(n, m, waves):
    y, x = np.mgrid[0:n, 0:m].astype(float)
    v = np.zeros((n, m))
    for _ in range(waves):
        fx, fy = rng.uniform(-0.8, 0.8, 2)
        v += rng.normal() * np.cos(fx * x + fy * y + rng.uniform(0, 6.283))
    return np.round(v, 3)


def has_saddle(v, level):
    s = v > level
    a, b, c, d = s[:-1, :-1], s[:-1, 1:], s[1:, 1:], s[1:, :-1]
    return bool(np.any((a == c) & (b == d) & (a != b)))


cases = []
while len(cases) < 12:
    n, m = rng.integers(6, 15, 2)
    v = smooth(n, m, 5)
    level = float(np.round(rng.normal() * 0.5, 2))
    if has_saddle(v, level) or np.any(v == level):
        continue
    if len(cases) % 4 == 3:
        v[rng.integers(1, n - 1), rng.integers(1, m - 1)] = np.nan
    lines = find_contours(v, level, positive_orientation="low")
    if not lines:
        continue
    cases.append({
        "width": int(m),
        "level": level,
        "values": [None if np.isnan(x) else float(x) for x in v.ravel()],
        "lines": [[[round(float(x), 7), round(float(y), 7)] for y, x in l] for l in lines],
    })

json.dump({
    "source": f"scikit-image {version('scikit-image')} measure.find_contours",
    "cases": cases,
}, sys.stdout, separators=(",", ":"))
print()
