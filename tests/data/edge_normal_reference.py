#!/usr/bin/env python3
"""Makes edge_normal_reference.json: robust fits and clustered standard errors of
statsmodels, for pipeline/ops/src/edge_normal_fit.rs.

    python3 -m venv v && v/bin/pip install numpy==2.4.6 scipy==1.17.1 statsmodels==0.15.0
    v/bin/python tests/data/edge_normal_reference.py > tests/data/edge_normal_reference.json
"""

import json
import sys

import numpy as np
import statsmodels
import statsmodels.api as sm

rng = np.random.default_rng(20262)


def design(x, y, nx, ny):
    """Columns: dx, dy, turn, stretch x, stretch y, shear, retreat."""
    return np.column_stack([nx, ny, ny * x - nx * y, nx * x, ny * y, nx * y + ny * x, -np.ones_like(x)])


def case(pieces, per_piece, outliers):
    n = pieces * per_piece
    piece = np.repeat(np.arange(pieces), per_piece)
    centre = rng.uniform([-90, -60], [90, 60], (pieces, 2))[piece]
    angle = (rng.uniform(0, 2 * np.pi, pieces)[piece] + np.tile(np.linspace(-0.2, 0.2, per_piece), pieces))
    nx, ny = np.cos(angle), np.sin(angle)
    along = np.tile(np.linspace(-2.5, 2.5, per_piece), pieces)
    x, y = centre[:, 0] - ny * along, centre[:, 1] + nx * along
    truth = np.array([0.21, -0.12, 0.0011, 0.0006, -0.0009, 0.0002, 0.04])
    r = design(x, y, nx, ny) @ truth + 0.008 * rng.standard_normal(n) + 0.012 * rng.standard_normal(pieces)[piece]
    far = rng.choice(n, outliers, replace=False)
    r[far] += rng.uniform(0.1, 0.6, outliers)
    rows = np.column_stack([np.round(x, 4), np.round(y, 4), np.round(nx, 6), np.round(ny, 6), np.round(r, 6)])
    x, y, nx, ny, r = rows.T
    norm = np.hypot(nx, ny)
    nx, ny = nx / norm, ny / norm
    a = design(x, y, nx, ny)
    ols = sm.OLS(r, a).fit(cov_type="cluster", cov_kwds={"groups": piece})
    rlm = sm.RLM(r, a, M=sm.robust.norms.HuberT(1.345)).fit(
        scale_est="mad", conv="coefs", tol=1e-12, maxiter=500)
    return {"pieces": piece.tolist(), "rows": rows.tolist(),
            "least_squares": ols.params.tolist(), "clustered_se": ols.bse.tolist(),
            "huber": rlm.params.tolist(), "huber_scale": float(rlm.scale)}


json.dump({"source": f"statsmodels {statsmodels.__version__}, numpy {np.__version__}: tests/data/edge_normal_reference.py",
           "cases": [case(30, 6, 0), case(24, 8, 20)]}, sys.stdout, separators=(",", ":"))
print()
