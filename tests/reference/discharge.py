"""A lithium pack on Tarn as plain differential equations, for scipy: the outside view of `wirevow.emu.plant`.

Written from the physics, not from the simulator: state of charge, two RC pairs, junction, case, sink, bead,
charge and energy, with a scalar right-hand side. The table's interpolant is scipy's PchipInterpolator. The
fan is a duty held from outside (its switching instants are events of the caller).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable

import numpy as np
from scipy.interpolate import PchipInterpolator

from wirevow.emu.bench import BatterySource, Bench
from wirevow.emu.control.cooling import Cooling, DeratingCurve, FanCurve
from wirevow.emu.plant.sink_section import SinkPlant

TABLE = [
    (0.0, 3.0, 0.045), (0.02, 3.2, 0.040), (0.05, 3.35, 0.035), (0.1, 3.45, 0.030), (0.15, 3.52, 0.028),
    (0.2, 3.57, 0.027), (0.25, 3.61, 0.026), (0.3, 3.64, 0.026), (0.35, 3.67, 0.026), (0.4, 3.70, 0.025),
    (0.45, 3.73, 0.025), (0.5, 3.77, 0.025), (0.55, 3.82, 0.025), (0.6, 3.87, 0.025), (0.65, 3.92, 0.025),
    (0.7, 3.97, 0.025), (0.75, 4.02, 0.025), (0.8, 4.06, 0.025), (0.85, 4.08, 0.025), (0.9, 4.11, 0.026),
    (0.95, 4.15, 0.026), (1.0, 4.20, 0.027),
]  # fmt: skip
"""An invented cell: state of charge, rest voltage, series resistance."""

FAN = FanCurve(1_000_000_000, (32.0, 45.0, 58.0, 70.0), (0.25, 0.5, 0.75, 1.0), 4.0)
DERATING = DeratingCurve(70.0, 88.0, 0.25)


def cooling() -> Cooling:
    """What the firmware does about heat, from the start."""
    return Cooling(FAN, DERATING)


def section(**changes: object) -> SinkPlant:
    """Tarn-like physics with ideal converters."""
    plain: dict[str, object] = {
        "kind": "sink",
        "stage": {"saturation_ohm": 0.12, "bandwidth_hertz": 8e3},
        "level": {"full_scale_ampere": 8.4},
        "heat": {
            "junction_to_case_kelvin_per_watt": 0.3,
            "case_to_sink_kelvin_per_watt": 0.15,
            "still_kelvin_per_watt": 1.6,
            "blown_kelvin_per_watt": 0.25,
            "junction_joule_per_kelvin": 0.15,
            "case_joule_per_kelvin": 12.0,
            "sink_joule_per_kelvin": 320.0,
        },
        "thermistor": {"law": {"form": "beta", "r25_ohm": 1e4, "b_kelvin": 3950.0}, "divider_ohm": 4700.0},
        "fan": {"full_speed_per_minute": 4200.0},
    }
    return SinkPlant.model_validate({**plain, **changes})


def pack(ampere_hour: float = 22.0, cells: int = 3) -> Bench:
    """A small pack on short leads."""
    return Bench.model_validate(
        {
            "title": "pack for reference runs",
            "source": {
                "kind": "battery",
                "cells": cells,
                "ampere_hour": ampere_hour,
                "table": [{"soc": s, "volt": v, "ohm": r} for s, v, r in TABLE],
                "pairs": [{"ohm": 0.008, "second": 30.0}, {"ohm": 0.012, "second": 900.0}],
            },
            "leads": {"ohm": 0.02},
        }
    )


Rhs = Callable[[float, "np.ndarray[tuple[int], np.dtype[np.float64]]"], list[float]]
STATES = ("soc", "v1", "v2", "junction", "case", "sink", "bead", "charge", "energy")


class Equations:
    """Right-hand side and outputs at constant current or power, one fan duty, in SI units."""

    def __init__(
        self,
        plant: SinkPlant,
        bench: Bench,
        duty: float,
        amps: float | None = None,
        watt: float | None = None,
    ) -> None:
        battery = bench.source
        assert isinstance(battery, BatterySource)
        n = battery.cells
        soc = [row.soc for row in battery.table]
        self.pieces = PchipInterpolator(soc, [n * row.volt for row in battery.table]).c.T.tolist()
        self.knots = soc
        self.ohms = [n * row.ohm for row in battery.table]
        self.pairs = [(n * pair.ohm, pair.second) for pair in battery.pairs]
        self.coulomb = 3600.0 * battery.ampere_hour
        self.lead = bench.leads.loop_ohm
        self.amps, self.watt = amps, watt
        heat = plant.heat
        self.g_jc = 1.0 / heat.junction_to_case_kelvin_per_watt
        self.g_cs = 1.0 / heat.case_to_sink_kelvin_per_watt
        self.g_air = max(
            1.0 / heat.still_kelvin_per_watt, duty**plant.fan.exponent / heat.blown_kelvin_per_watt
        )
        self.g_sb = plant.thermistor.bead_joule_per_kelvin / plant.thermistor.lag_second
        self.c = (
            heat.junction_joule_per_kelvin,
            heat.case_joule_per_kelvin,
            heat.sink_joule_per_kelvin,
            plant.thermistor.bead_joule_per_kelvin,
        )
        self.ambient = bench.ambient_celsius

    def start(self) -> list[float]:
        return [1.0, 0.0, 0.0, *[self.ambient] * 4, 0.0, 0.0]

    def circuit(self, soc: float, v1: float, v2: float) -> tuple[float, float]:
        """(current, voltage at the terminals)."""
        k = min(max(bisect_right(self.knots, soc) - 1, 0), len(self.knots) - 2)
        x = soc - self.knots[k]
        c3, c2, c1, c0 = self.pieces[k]
        ohm = (
            self.ohms[k]
            + (self.ohms[k + 1] - self.ohms[k]) * x / (self.knots[k + 1] - self.knots[k])
            + self.lead
        )
        e = c0 + x * (c1 + x * (c2 + x * c3)) - v1 - v2
        if self.amps is not None:
            i = self.amps
        else:
            assert self.watt is not None
            i = 2.0 * self.watt / (e + math.sqrt(e * e - 4.0 * ohm * self.watt))
        return i, e - ohm * i

    def __call__(self, t: float, y: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
        soc, v1, v2, tj, tc, ts, tb, _, _ = y.tolist()
        i, v = self.circuit(soc, v1, v2)
        (r1, s1), (r2, s2) = self.pairs
        cj, cc, cs, cb = self.c
        jc = (tj - tc) * self.g_jc
        sc = (tc - ts) * self.g_cs
        sb = (ts - tb) * self.g_sb
        return [
            -i / self.coulomb,
            (r1 * i - v1) / s1,
            (r2 * i - v2) / s2,
            (v * i - jc) / cj,
            (jc - sc) / cc,
            (sc - sb - (ts - self.ambient) * self.g_air) / cs,
            sb / cb,
            i,
            v * i,
        ]
