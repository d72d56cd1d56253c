"""The heat ladder: junction, case, sink and the thermistor's bead, four capacities in a chain to the air.

With the conductance to the air constant the ladder is linear and symmetric: C dT/dt = -G (T - Ta) + P(t) at
the junction. In the coordinates sqrt(C) (T - Ta) its matrix is symmetric, so its eigenvalues are real and its
eigenvectors orthogonal; each mode is a first-order lag, solved in closed form (`wirevow.emu.plant.expoly`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from operator import mul

from wirevow.emu.plant.expoly import Coefficients, Curve, Decay, Term, constant, respond, responses, total
from wirevow.emu.plant.sink_section import Heat, SecondThermistor, Thermistor

JUNCTION, CASE, SINK, BEAD = range(4)
SECOND = 4
"""The bead of a second thermistor: it follows a node of the ladder, or the air, and takes no heat from it."""


@dataclass(frozen=True, slots=True)
class Ladder:
    """The ladder at one conductance to the air, diagonalised.

    `rates` in 1/s; `push[k]` in K/W per second: what a watt at the junction does to mode k;
    `shape[n][k]`: kelvin at node n for a unit of mode k, `most[k]` the largest of them; `back[k][n]`: the
    inverse. `bead_rate` in 1/s and `junction` in J/K are what `HeatStretch.bead_way` needs.
    """

    rates: tuple[float, ...]
    push: tuple[float, ...]
    shape: tuple[tuple[float, ...], ...]
    most: tuple[float, ...]
    back: tuple[tuple[float, ...], ...]
    bead_rate: float
    junction: float


@lru_cache(maxsize=256)
def ladder(heat: tuple[float, ...], air_watt_per_kelvin: float) -> Ladder:
    """Diagonalise; `heat` is the tuple of `constants`. Jacobi's rotations (1846) until nothing is left."""
    g_jc, g_cs, g_sb, cj, cc, cs, cb = heat
    capacity = (cj, cc, cs, cb)
    g = [
        [g_jc, -g_jc, 0.0, 0.0],
        [-g_jc, g_jc + g_cs, -g_cs, 0.0],
        [0.0, -g_cs, g_cs + air_watt_per_kelvin + g_sb, -g_sb],
        [0.0, 0.0, -g_sb, g_sb],
    ]
    root = [math.sqrt(c) for c in capacity]
    a = [[g[m][n] / (root[m] * root[n]) for n in range(4)] for m in range(4)]
    u = [[1.0 if m == n else 0.0 for n in range(4)] for m in range(4)]
    for _ in range(60):
        largest = 0.0
        for p in range(3):
            for q in range(p + 1, 4):
                apq = a[p][q]
                if abs(apq) <= 1e-30 * (abs(a[p][p]) + abs(a[q][q])):
                    continue
                largest = max(largest, abs(apq) / math.sqrt(abs(a[p][p] * a[q][q]) + 1e-300))
                theta = (a[q][q] - a[p][p]) / (2.0 * apq)
                t = math.copysign(1.0, theta) / (abs(theta) + math.hypot(theta, 1.0))
                c = 1.0 / math.hypot(t, 1.0)
                s = t * c
                for n in range(4):
                    x, y = a[n][p], a[n][q]
                    a[n][p], a[n][q] = c * x - s * y, s * x + c * y
                for n in range(4):
                    x, y = a[p][n], a[q][n]
                    a[p][n], a[q][n] = c * x - s * y, s * x + c * y
                for n in range(4):
                    x, y = u[n][p], u[n][q]
                    u[n][p], u[n][q] = c * x - s * y, s * x + c * y
        if largest < 1e-17:
            break
    return Ladder(
        rates=tuple(a[k][k] for k in range(4)),
        push=tuple(u[JUNCTION][k] / root[JUNCTION] for k in range(4)),
        shape=tuple(tuple(u[n][k] / root[n] for k in range(4)) for n in range(4)),
        most=tuple(max(abs(u[n][k]) / root[n] for n in range(4)) for k in range(4)),
        bead_rate=g_sb / cb,
        junction=cj,
        back=tuple(tuple(u[n][k] * root[n] for n in range(4)) for k in range(4)),
    )


def constants(heat: Heat, thermistor: Thermistor) -> tuple[float, ...]:
    """Conductances (W/K) and capacities (J/K) of the chain; the bead's way is its capacity over its lag."""
    return (
        1.0 / heat.junction_to_case_kelvin_per_watt,
        1.0 / heat.case_to_sink_kelvin_per_watt,
        thermistor.bead_joule_per_kelvin / thermistor.lag_second,
        heat.junction_joule_per_kelvin,
        heat.case_joule_per_kelvin,
        heat.sink_joule_per_kelvin,
        thermistor.bead_joule_per_kelvin,
    )


def air_conductance(heat: Heat, exponent: float, speed_share: float, blocked: float) -> float:
    """Sink to air in W/K: forced convection by a power of the air's speed above the still-air floor.

    Blocked vents take their share of the air's speed, and half their share of what still air carries
    (common practice, no source).
    """
    still = (1.0 - 0.5 * blocked) / heat.still_kelvin_per_watt
    moving = speed_share * (1.0 - blocked)
    return max(still, moving**exponent / heat.blown_kelvin_per_watt) if moving > 0.0 else still


_Split = tuple[Coefficients, tuple[Decay, ...], tuple[float, ...], tuple[Term, ...]]
"""A node's curve: polynomial, the forcing's own decays, the modes' factors, the rest."""


class Forced:
    """What one closed form of power (W) does to a ladder without any heat in it, good for `span` seconds.

    The ladder is linear: heat that is in it decays beside this, whatever the power. Where the same power
    comes round (a swing's levels), all but that decay is known already.
    """

    __slots__ = ("_last", "_nodes", "ladder", "modes", "peak", "span")

    def __init__(self, at: Ladder, power: Curve, span: float) -> None:
        self.ladder, self.span = at, span
        idle = power.constant and not power.poly[0]
        self.modes = [_NOTHING] * 4 if idle else responses(at.rates, (0.0,) * 4, at.push, power, span)
        self._nodes: list[_Split | None] = [None] * 4
        self._last: tuple[float, tuple[float, ...], tuple[float, ...]] = (0.0, (0.0,) * 4, (1.0,) * 4)
        self.peak = math.inf
        """The largest power on the way, where `HeatStretch.bead_way` needs it."""
        if span < 0.1:
            low, high = power.limits(span)
            self.peak = max(abs(low), abs(high))

    def values(self, start: list[float], t: float) -> list[float]:
        """The modes after `t` seconds, from `start`."""
        if self._last[0] != t:
            forced = tuple([mode(t) for mode in self.modes])
            self._last = t, forced, tuple([math.exp(-rate * t) for rate in self.ladder.rates])
        _, forced, decayed = self._last
        return [own * decay + value for own, decay, value in zip(start, decayed, forced, strict=True)]

    def node(self, node: int, start: list[float]) -> Curve:
        """Kelvin above ambient of a node, from `start`, as one closed form."""
        ladder = self.ladder
        shape = ladder.shape[node]
        split = self._nodes[node]
        if split is None:
            curve = total(list(zip(shape, self.modes, strict=True)))
            mine = dict(curve.decays)
            split = self._nodes[node] = (
                curve.poly,
                tuple([decay for decay in curve.decays if decay[0] not in ladder.rates]),
                tuple([mine.get(rate, 0.0) for rate in ladder.rates]),
                curve.terms,
            )
        poly, decays, factors, terms = split
        own = [
            (rate, factor + weight * value)
            for rate, factor, weight, value in zip(ladder.rates, factors, shape, start, strict=True)
        ]
        return Curve(poly, (*own, *decays), terms)


class Second:
    """The second thermistor's bead over a stretch: a first-order lag behind where it is.

    `kelvin` above ambient at its start; `condition` as that of `HeatStretch.thermistor`.
    """

    __slots__ = ("_node", "_rate", "condition", "kelvin")

    def __init__(self, at: SecondThermistor, kelvin: float, condition: str | float) -> None:
        self.kelvin, self.condition = kelvin, condition
        self._node = {"case": CASE, "sink": SINK, "air": None}[at.on]
        self._rate = 1.0 / at.lag_second

    def follow(self, heat: HeatStretch) -> Curve:
        """Kelvin above ambient in the stretch."""
        there = constant(0.0) if self._node is None else heat.node(self._node)
        return respond(self._rate, self.kelvin, there.scaled(self._rate), heat.forced.span)


_NOTHING = constant(0.0)


class HeatStretch:
    """The ladder over a stretch with one conductance, one ambient and one closed form of power."""

    __slots__ = (
        "_nodes",
        "ambient",
        "bead_way",
        "forced",
        "ladder",
        "second",
        "start",
        "start_ns",
        "thermistor",
    )

    second: Second | None
    """The second thermistor in this stretch."""

    def __init__(
        self, start_ns: int, forced: Forced, start: list[float], ambient: float, thermistor: str | float
    ) -> None:
        """`start` are the modes' values at `start_ns`; `thermistor` is its condition in this stretch (good,
        open, shorted, or the voltage that drives its divider)."""
        self.start_ns = start_ns
        self.ladder = at = forced.ladder
        self.forced = forced
        self.ambient = ambient
        self.thermistor = thermistor
        self.start = start
        self.second = None
        self._nodes: list[Curve | None] = [None] * 5
        # How far the bead can move at most in this stretch. No node is hotter than the hottest was, or than
        # all of the heat in the junction makes it; good enough to pass over short stretches.
        self.bead_way = math.inf
        span = forced.span
        if span < 0.1:
            hottest = sum(map(mul, at.most, map(abs, start))) + forced.peak * span / at.junction
            self.bead_way = 2.0 * hottest * at.bead_rate * span

    def node(self, node: int) -> Curve:
        """Kelvin above ambient of a node, joined into one closed form when first asked for."""
        curve = self._nodes[node]
        if curve is None:
            if node == SECOND:
                assert self.second is not None
                curve = self.second.follow(self)
            else:
                curve = self.forced.node(node, self.start)
            self._nodes[node] = curve
        return curve

    def values(self, ns: int) -> list[float]:
        """The modes at an instant."""
        return self.forced.values(self.start, (ns - self.start_ns) * 1e-9)


def to_modes(at: Ladder, kelvin: list[float]) -> list[float]:
    return [sum(w * k for w, k in zip(row, kelvin, strict=True)) for row in at.back]


def to_kelvin(at: Ladder, modes: list[float]) -> list[float]:
    return [sum(w * m for w, m in zip(row, modes, strict=True)) for row in at.shape]
