#!/usr/bin/env python3
"""Makes transient.csv: how far the centre of a body lags behind the air.

    python3 transient.py > transient.csv

Needs scipy (Debian package python3-scipy). The share of a step of the air's
temperature that the centre has yet to follow comes twice: from the Fourier
series with roots by Brent's method, and from the heat equation cut into 400
shells and integrated by an implicit solver that knows nothing of the series.
The two must agree to 2e-4, or the script fails.
"""

import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.sparse import diags
from scipy.special import j0, j1, jn_zeros

BIOT = [0.05, 0.1, 0.5, 1.0, 2.17, 3.6, 9.67, 30.0]
FOURIER = [0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 1.0, 2.0]
MODES = 60


def roots(shape, bi):
    """The first roots of the shape's eigenvalue equation."""
    n = np.arange(MODES)
    if shape == "slab":
        return [brentq(lambda z: z * np.sin(z) - bi * np.cos(z), k * np.pi, (k + 0.5) * np.pi, xtol=1e-14) for k in n]
    if shape == "cylinder":
        low = np.concatenate(([0.0], jn_zeros(1, MODES - 1)))
        return [brentq(lambda z: z * j1(z) - bi * j0(z), a, b, xtol=1e-14) for a, b in zip(low, jn_zeros(0, MODES))]
    # sin z - z cos z = Bi sin z; at 0 every term vanishes, so start above it
    return [
        brentq(lambda z: (1 - bi) * np.sin(z) - z * np.cos(z), k * np.pi + 1e-6, (k + 1) * np.pi, xtol=1e-14) for k in n
    ]


def weight(shape, z):
    """The weight of a mode at the centre."""
    if shape == "slab":
        return 4 * np.sin(z) / (2 * z + np.sin(2 * z))
    if shape == "cylinder":
        return 2 * j1(z) / (z * (j0(z) ** 2 + j1(z) ** 2))
    return 4 * (np.sin(z) - z * np.cos(z)) / (2 * z - np.sin(2 * z))


def series(shape, bi):
    z = np.array(roots(shape, bi))
    return [float(np.sum(weight(shape, z) * np.exp(-z * z * fo))) for fo in FOURIER]


def shells(shape, bi, cells=400):
    """The centre by finite volumes: dT/dt = div grad T, -T' = Bi T outside."""
    power = {"slab": 0, "cylinder": 1, "sphere": 2}[shape]
    edge = np.linspace(0, 1, cells + 1)
    volume = (edge[1:] ** (power + 1) - edge[:-1] ** (power + 1)) / (power + 1)
    h = 1 / cells
    through = edge[1:-1] ** power / h
    out = 1 / (1 / bi + h / 2)  # film and half a cell in series
    main = np.zeros(cells)
    main[:-1] -= through
    main[1:] -= through
    main[-1] -= out
    matrix = diags(1 / volume) @ diags([through, main, through], [-1, 0, 1])
    run = solve_ivp(
        lambda t, y: matrix @ y, (0, FOURIER[-1]), np.ones(cells), "BDF",
        t_eval=FOURIER, jac=matrix.tocsc(), rtol=1e-7, atol=1e-9,
    )
    if not run.success:
        sys.exit(f"cannot integrate {shape}, Bi {bi}: {run.message}")
    return (9 * run.y[0] - run.y[1]) / 8 if power == 0 else run.y[0]


def main():
    print("# Share of a step of the air's temperature that the centre has yet to follow, by Biot and Fourier number,")
    print("# and the first root of the eigenvalue equation.")
    print("# Source: Fourier series with roots by brentq, checked against the heat equation in 400 shells (BDF),")
    print("# both by scipy 1.10.1 (Debian 12, python3-scipy 1.10.1-2) with transient.py.")
    print("# Tolerance: 1e-9 absolute.")
    print("shape,biot,root," + ",".join(f"fo_{fo:g}" for fo in FOURIER))
    for shape in ["slab", "cylinder", "sphere"]:
        for bi in BIOT:
            exact, grid = series(shape, bi), shells(shape, bi)
            gap = max(abs(a - b) for a, b in zip(exact, grid))
            if gap > 2e-4:
                sys.exit(f"series and shells disagree by {gap:.2g} for the {shape} at Bi {bi}")
            print(f"{shape},{bi:g},{roots(shape, bi)[0]:.12f}," + ",".join(f"{v:.12f}" for v in exact))


main()
