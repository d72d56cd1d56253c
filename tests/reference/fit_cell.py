"""Fit the cell of `spec/bench/lithium-pack.yaml` to a physical model; run as a module to see the table.

The model is pybamm's Doyle-Fuller-Newman with the parameter set of Chen et al. 2020 (J. Electrochem. Soc. 167
080534, a 5 A.h cylindrical cell). It is discharged at 0.2 It and 1 It (and 0.5 It between them) to 2.5 V; the
table's rest voltage and series resistance and two RC pairs are fitted to the three curves by least squares.
The cell's heating is not modelled here: the run is isothermal at 25 Cel.
"""

from __future__ import annotations

import os
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

Array = NDArray[np.float64]

NOMINAL_AMPERE_HOUR = 5.0
CAPACITY_AMPERE_HOUR = 5.15
"""Charge between state of charge 1 and 0 in the table; the 0.02 It discharge of the model gives 5.15 A.h."""
CUT_OFF_VOLT = 2.5
KNOTS = np.array(
    [0, 0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.13, 0.16, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6,
     0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0]
)  # fmt: skip
PAIR_SECONDS = (30.0, 600.0)
LEAST_OHM = 0.018
"""The drop at once when a current begins, read from the model; keeps the pairs from taking all of it."""


def discharge(c_rate: float) -> tuple[Array, Array]:
    """(seconds, volts) of the physical model's discharge from full to the cut-off."""
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    import pybamm  # type: ignore[import-untyped]

    pybamm.set_logging_level("ERROR")
    amps = c_rate * NOMINAL_AMPERE_HOUR
    simulation = pybamm.Simulation(
        pybamm.lithium_ion.DFN(),
        parameter_values=pybamm.ParameterValues("Chen2020"),
        experiment=pybamm.Experiment([f"Discharge at {amps} A until {CUT_OFF_VOLT} V (20 second period)"]),
    )
    solution: Any = simulation.solve(initial_soc=1.0)
    return np.asarray(solution["Time [s]"].entries), np.asarray(solution["Voltage [V]"].entries)


def fit(curves: dict[float, tuple[Array, Array]]) -> tuple[Array, Array, Array]:
    """(rest volts at the knots, ohms at the knots, ohms of the two pairs) by least squares."""
    n = len(KNOTS)

    def unpack(p: Array) -> tuple[Array, Array, Array]:
        return 2.0 + np.cumsum(np.abs(p[:n])), LEAST_OHM + np.abs(p[n : 2 * n]), np.abs(p[2 * n :])

    def errors(p: Array) -> Array:
        volts, ohms, pairs = unpack(p)
        rest = PchipInterpolator(KNOTS, volts)
        found = []
        for c_rate, (t, v) in curves.items():
            amps = c_rate * NOMINAL_AMPERE_HOUR
            soc = 1.0 - amps * t / 3600.0 / CAPACITY_AMPERE_HOUR
            model = rest(soc) - amps * np.interp(soc, KNOTS, ohms)
            for ohm, second in zip(pairs, PAIR_SECONDS, strict=True):
                model -= amps * ohm * -np.expm1(-t / second)
            found.append((model - v) / np.sqrt(len(t)))
        # A light pull towards a smooth resistance: three curves do not tell each knot's.
        found.append(1e-2 * np.diff(ohms, 2))
        return np.concatenate(found)

    start = np.concatenate([[0.7], np.full(n - 1, 1.4 / (n - 1)), np.full(n, 0.005), [0.008, 0.008]])
    best = least_squares(errors, start, x_scale="jac", max_nfev=400)
    return unpack(best.x)


def main() -> None:
    curves = {c_rate: discharge(c_rate) for c_rate in (0.2, 0.5, 1.0)}
    volts, ohms, pairs = fit(curves)
    for soc, volt, ohm in zip(KNOTS, volts, ohms, strict=True):
        print(f"    - {{soc: {soc:g}, volt: {volt:.4f}, ohm: {ohm:.5f}}}")
    for ohm, second in zip(pairs, PAIR_SECONDS, strict=True):
        print(f"    - {{ohm: {ohm:.5f}, second: {second:g}}}")


if __name__ == "__main__":
    main()
