"""Solves the equations of oxygen and water in a container with scipy.

Writes the table ode.csv to standard output:

    python3 ode.py > ode.csv

The equations are written here from the literature a second time, so that the
table is a check of the program's own steps and not a copy of them.
"""

import math
import sys

import numpy
import scipy
from scipy.integrate import solve_ivp

R = 8.314462618e-3  # kJ/(mol K)
TAU = 2 * math.pi
EXACT = dict(method="LSODA", rtol=1e-10, atol=1e-13, max_step=0.1)


def saturation(t):
    """Hyland and Wexler 1983 over liquid water, kPa; t in degrees Celsius."""
    k = t + 273.15
    return math.exp(
        -5.8002206e3 / k + 1.3914993 - 4.8640239e-2 * k + 4.1764768e-5 * k**2
        - 1.4452093e-8 * k**3 + 6.5459673 * math.log(k)) / 1000


def arrhenius(ea, t, ref):
    return math.exp(ea / R * (1 / (ref + 273.15) - 1 / (t + 273.15)))


# The room, t in days.
def temperature(t, mean, year, day):
    return mean + year * math.sin(TAU * (t - 110) / 365) + day * math.sin(TAU * t)


def humidity(t):
    return 0.55 + 0.12 * math.sin(TAU * (t - 200) / 365) + 0.04 * math.cos(TAU * t)


def oxygen(days):
    """A two-litre bottle of rice with an absorber; x in atm, left in cm3."""
    volume, wall, wall_ea, closure, air = 800.0, 0.8268, 32.8, 0.02, 0.209
    rate, rate_ea, rated = 0.306 * 24, 49.8, 300.0
    eats, eats_ea, mass = 0.002, 50.0, 1.66

    def change(t, y, working):
        core = temperature(t, 18, 7, 1.5)
        come = (wall * arrhenius(wall_ea, core, 23) + closure) * (air - y[0])
        take = rate * arrhenius(rate_ea, core, 25) * volume * y[0] if working else 0.0
        eaten = eats * mass * arrhenius(eats_ea, core, 23) * y[0] / air
        return [(come - take - eaten) / volume, -take]

    def spent(t, y, working):
        return y[1]

    spent.terminal, spent.direction = True, -1
    first = solve_ivp(change, (0, days[-1]), [air, rated], args=(True,), events=spent, dense_output=True, **EXACT)
    end = first.t[-1]
    second = solve_ivp(change, (end, days[-1]), [first.y[0, -1], 0.0], args=(False,), dense_output=True, **EXACT)
    yield "oxygen-spent", end, 0.0
    for d in days:
        x, left = first.sol(d) if d <= end else second.sol(d)
        yield "oxygen", d, x
        yield "absorber", d, left


def water(name, days, activity, permeance, dry, start, mean, year, day):
    """Moisture on the dry basis; permeance g/(d kPa), dry matter g."""

    def change(t, y):
        room = temperature(t, mean, year, day)
        outside = humidity(t) * saturation(room)
        return [permeance * (outside - activity(y[0], room) * saturation(room)) / dry]

    solution = solve_ivp(change, (0, days[-1]), [start], dense_output=True, **EXACT)
    for d in days:
        yield name, d, solution.sol(d)[0]


def henderson(k, n, c):
    return lambda m, t: 1 - math.exp(-k * (t + c) * (100 * m) ** n)


def chung_pfost(a, b, c):
    return lambda m, t: math.exp(-a / (t + c) * math.exp(-b * m))


def halsey(a, b, c):
    return lambda m, t: math.exp(-math.exp(a + b * t) * (100 * m) ** -c)


def gab(xm, c, k):
    def moisture(a):
        return xm * c * k * a / ((1 - k * a) * (1 - k * a + c * k * a))

    def activity(m, t):
        low, high = 0.0, 1.0  # halving: slow, and nothing like the closed form
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if moisture(middle) < m else (low, middle)
        return low

    return activity


def main():
    years = [0.5, 1, 7, 30, 91, 182, 365, 547, 730, 1095, 1460]
    weeks = [0.25, 1, 2, 5, 10, 20, 40, 91, 182, 273, 365]
    rows = [
        *oxygen([0.05, 0.25, *years]),
        # rice in a two-litre PET bottle
        *water("water-pet", years, henderson(1.9187e-5, 2.4451, 51.161), 0.03052, 1467.0, 0.12, 18, 7, 1.5),
        # flour in a paper bag, a made-up set of the usual size
        *water("water-paper", weeks, gab(0.075, 15, 0.75), 4.2, 1100.0, 0.14, 20, 4, 2),
        # wheat in a woven sack in a shed
        *water("water-sack", weeks, chung_pfost(529.43, 17.609, 50.998), 20.0, 8900.0, 0.10, 16, 12, 3),
        # beans in a net, the stiffest: a time constant of a day
        *water("water-net", weeks, halsey(4.4181, -0.011875, 1.7571), 300.0, 450.0, 0.20, 18, 7, 1.5),
    ]
    out = sys.stdout
    out.write("# Oxygen (atm), absorber left (cm3) and moisture (fraction of dry matter) over days in a varying room.\n")
    out.write(f"# Source: ode.py with scipy {scipy.__version__}, numpy {numpy.__version__} (solve_ivp, LSODA, relative tolerance 1e-10).\n")
    out.write("# Tolerance: 0.1 % of the value, and 1e-6 atm, 1e-3 cm3.\n")
    out.write("case,days,value\n")
    for name, days, value in rows:
        out.write(f"{name},{days:.10g},{value:.10g}\n")


main()
