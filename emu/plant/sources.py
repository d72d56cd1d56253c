"""What feeds a sink, seen from its two output terminals: a voltage that falls with current and with use.

Every source answers three questions about its present state: its rest voltage as a polynomial in the charge
drawn from now on (`rest`), its series resistance as a line in the same charge, and how much charge is left
until those forms change (`room`). State moves only by `draw`. Nonlinear static sources answer `volts`.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import Protocol

from wirevow.emu.bench import BankSource, BatterySource, PanelSource, Source, SupplySource, TheveninSource

_T25 = 298.15
_ZERO_CELSIUS = 273.15
_RESERVE = 0.02
"""Below state of charge 0 the rest voltage falls in a line to nothing over this share of the capacity."""


class Feed(Protocol):
    """A source's electrical behaviour at its present state. `pairs` are (rate 1/s, ohm) of RC pairs."""

    dynamic: bool
    pairs: tuple[tuple[float, float], ...]
    pair_volts: list[float]

    def rest(self) -> tuple[float, ...]: ...

    def line_ohm(self) -> tuple[float, float]: ...

    def room(self) -> float: ...

    def use(self, current: float) -> float: ...

    def draw(self, charge: float, to_room: bool) -> None: ...

    def branch(self, current: float, wanted: float) -> tuple[float, float, float, float]:
        """(voltage at no current, ohm, lowest, highest current) of the straight piece around `current`."""
        ...

    def available(self, extra_ohm: float, drop: float) -> float:
        """The current through `extra_ohm` and a fixed `drop` in V, pairs' voltages included."""
        ...

    def share(self) -> tuple[float, float]:
        """State of charge, and its fall per coulomb used."""
        ...


class Static:
    """Base of the sources without state."""

    dynamic = False
    pairs: tuple[tuple[float, float], ...] = ()

    def __init__(self) -> None:
        self.pair_volts: list[float] = []

    def room(self) -> float:
        return math.inf

    def use(self, current: float) -> float:
        return 1.0

    def draw(self, charge: float, to_room: bool) -> None:
        return None

    def share(self) -> tuple[float, float]:
        return 0.0, 0.0


class Supply(Static):
    """Constant voltage behind a resistance up to a current, then constant current beside one.

    A plain Thevenin source is a supply that never limits.
    """

    def __init__(self, volt: float, ohm: float, limit: float, limit_ohm: float) -> None:
        super().__init__()
        self.volt, self.ohm, self.limit, self.limit_ohm = volt, ohm, limit, limit_ohm

    def rest(self) -> tuple[float, ...]:
        return (self.volt,)

    def line_ohm(self) -> tuple[float, float]:
        return (self.ohm, 0.0)

    def branch(self, current: float, wanted: float) -> tuple[float, float, float, float]:
        near = 1e-9 * (1.0 + self.limit)
        if current > self.limit + near or (current > self.limit - near and wanted > self.limit):
            return self.volt + (self.limit_ohm - self.ohm) * self.limit, self.limit_ohm, self.limit, math.inf
        return self.volt, self.ohm, -math.inf, self.limit

    def available(self, extra_ohm: float, drop: float) -> float:
        plain = max(self.volt - drop, 0.0) / (self.ohm + extra_ohm)
        if plain <= self.limit:
            return plain
        held = self.volt + (self.limit_ohm - self.ohm) * self.limit - drop
        return max(held, 0.0) / (self.limit_ohm + extra_ohm)


class Panel(Static):
    """The single-diode model, solved by Newton's method on the junction voltage."""

    def __init__(self, panel: PanelSource) -> None:
        super().__init__()
        self.panel = panel
        self.irradiance = panel.irradiance

    def current_at(self, junction_volt: float) -> float:
        """Output current at a junction voltage v + i R."""
        p = self.panel
        diode = p.saturation_ampere * math.expm1(min(junction_volt / p.slope_volt, 200.0))
        return p.photo_ampere * self.irradiance - diode - junction_volt / p.shunt_ohm

    def volts(self, current: float) -> float:
        """Terminal voltage at a current, negative when the panel cannot give it."""
        p = self.panel
        light = p.photo_ampere * self.irradiance - current
        # The diode characteristic is steep and convex: from above, Newton's steps never overshoot.
        x = p.slope_volt * math.log1p(light / p.saturation_ampere) if light > 0.0 else light * p.shunt_ohm
        for _ in range(60):
            e = p.saturation_ampere * math.exp(min(x / p.slope_volt, 200.0))
            step = (light - e + p.saturation_ampere - x / p.shunt_ohm) / (
                e / p.slope_volt + 1.0 / p.shunt_ohm
            )
            x += step
            if abs(step) < 1e-14 * (1.0 + abs(x)):
                break
        return x - p.ohm * current

    def rest(self) -> tuple[float, ...]:
        return (self.volts(0.0),)

    def line_ohm(self) -> tuple[float, float]:
        return (0.0, 0.0)

    def branch(self, current: float, wanted: float) -> tuple[float, float, float, float]:
        step = 1e-6
        ohm = (self.volts(current - step) - self.volts(current + step)) / (2.0 * step)
        # A moving current goes from chord to chord, a quarter of the photo current long.
        part = (self.panel.photo_ampere * self.irradiance + 1e-3) / 4.0
        return self.volts(current) + ohm * current, ohm, current - part, current + part

    def available(self, extra_ohm: float, drop: float) -> float:
        p = self.panel
        ohm = p.ohm + extra_ohm
        light = p.photo_ampere * self.irradiance
        # x - ohm i(x) - drop rises and is convex in the junction voltage x: Newton from the open circuit.
        x = p.slope_volt * math.log1p(light / p.saturation_ampere)
        for _ in range(60):
            e = p.saturation_ampere * math.exp(min(x / p.slope_volt, 200.0))
            current = light - e + p.saturation_ampere - x / p.shunt_ohm
            step = (x - ohm * current - drop) / (1.0 + ohm * (e / p.slope_volt + 1.0 / p.shunt_ohm))
            x -= step
            if abs(step) < 1e-15 * (1.0 + abs(x)):
                break
        return max(self.current_at(x), 0.0)


@lru_cache(maxsize=64)
def pchip(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[tuple[float, float, float, float], ...]:
    """Cubic pieces (by rising power of x - x[k]) of the monotone interpolant of Fritsch and Carlson (1980),
    with the weighted harmonic mean of Fritsch and Butland (1984) inside and three-point ends."""
    h = [b - a for a, b in pairwise(x)]
    d = [(b - a) / w for a, b, w in zip(y, y[1:], h, strict=False)]
    slopes = [_end(h[0], h[1], d[0], d[1])]
    for k in range(1, len(h)):
        if d[k - 1] * d[k] <= 0.0:
            slopes.append(0.0)
        else:
            w1, w2 = 2.0 * h[k] + h[k - 1], h[k] + 2.0 * h[k - 1]
            slopes.append((w1 + w2) / (w1 / d[k - 1] + w2 / d[k]))
    slopes.append(_end(h[-1], h[-2], d[-1], d[-2]))
    pieces = []
    for k in range(len(h)):
        c2 = (3.0 * d[k] - 2.0 * slopes[k] - slopes[k + 1]) / h[k]
        c3 = (slopes[k] + slopes[k + 1] - 2.0 * d[k]) / (h[k] * h[k])
        pieces.append((y[k], slopes[k], c2, c3))
    return tuple(pieces)


def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if slope * d0 <= 0.0:
        return 0.0
    if d0 * d1 <= 0.0 and abs(slope) > 3.0 * abs(d0):
        return 3.0 * d0
    return slope


class Battery:
    """Cells in series by table: rest voltage and resistance against state of charge, RC pairs, Peukert."""

    dynamic = True

    def __init__(self, battery: BatterySource) -> None:
        self._of = battery
        self._knots = tuple(row.soc for row in battery.table)
        cells = battery.cells
        self._rest = pchip(self._knots, tuple(cells * row.volt for row in battery.table))
        self._ohms = tuple(cells * row.ohm for row in battery.table)
        self.coulomb = 3600.0 * battery.ampere_hour
        self.soc = battery.soc
        self._interval = self._find(battery.soc)
        self.pair_volts = [0.0] * len(battery.pairs)
        self.set_celsius(battery.celsius)

    def set_celsius(self, celsius: float) -> None:
        """Cells at another temperature: resistances and rest voltage follow at once."""
        of = self._of
        self._factor = math.exp(of.activation_kelvin * (1.0 / (celsius + _ZERO_CELSIUS) - 1.0 / _T25))
        self._shift = of.cells * of.millivolt_per_kelvin * 1e-3 * (celsius - 25.0)
        self.pairs = tuple((1.0 / pair.second, of.cells * pair.ohm * self._factor) for pair in of.pairs)

    def set_soc(self, soc: float) -> None:
        """Another state of charge, rested."""
        self.soc = soc
        self._interval = self._find(soc)
        self.pair_volts = [0.0] * len(self.pair_volts)

    def _find(self, soc: float) -> int:
        """The table interval in which charge is drawn from this state on: the one below a knot."""
        interval = len(self._knots) - 2
        while interval >= 0 and self._knots[interval] >= soc:
            interval -= 1
        return interval

    def rest(self) -> tuple[float, ...]:
        k = self._interval
        q = self.coulomb
        if k >= 0:
            c0, c1, c2, c3 = self._rest[k]
            x = self.soc - self._knots[k]
            return (
                c0 + x * (c1 + x * (c2 + x * c3)) + self._shift,
                -(c1 + x * (2.0 * c2 + x * 3.0 * c3)) / q,
                (c2 + 3.0 * x * c3) / (q * q),
                -c3 / (q * q * q),
            )
        empty = self._rest[0][0] + self._shift
        if k == -1:
            return (empty * (1.0 + self.soc / _RESERVE), -empty / (_RESERVE * q))
        return (0.0,)

    def line_ohm(self) -> tuple[float, float]:
        k = self._interval
        if k < 0:
            return (self._ohms[0] * self._factor, 0.0)
        slope = (self._ohms[k + 1] - self._ohms[k]) / (self._knots[k + 1] - self._knots[k])
        ohm = self._ohms[k] + slope * (self.soc - self._knots[k])
        return (ohm * self._factor, -slope * self._factor / self.coulomb)

    def room(self) -> float:
        k = self._interval
        if k < -1:
            return math.inf
        return (self.soc - (self._knots[k] if k >= 0 else -_RESERVE)) * self.coulomb

    def use(self, current: float) -> float:
        peukert = self._of.peukert
        if peukert is None:
            return 1.0
        rated = self._of.ampere_hour / peukert.hours
        return (current / rated) ** (peukert.exponent - 1.0) if current > rated else 1.0

    def draw(self, charge: float, to_room: bool) -> None:
        if to_room:
            self.soc = self._knots[self._interval] if self._interval >= 0 else -_RESERVE
            self._interval -= 1
        else:
            self.soc -= charge / self.coulomb

    def branch(self, current: float, wanted: float) -> tuple[float, float, float, float]:
        return self.rest()[0] - sum(self.pair_volts), self.line_ohm()[0], -math.inf, math.inf

    def available(self, extra_ohm: float, drop: float) -> float:
        volt, ohm, _, _ = self.branch(0.0, 0.0)
        return max(volt - drop, 0.0) / (ohm + extra_ohm)

    def share(self) -> tuple[float, float]:
        return self.soc, 1.0 / self.coulomb


class Bank:
    """A capacitor bank behind its series resistance."""

    dynamic = True
    pairs: tuple[tuple[float, float], ...] = ()

    def __init__(self, bank: BankSource) -> None:
        self.farad, self.ohm, self.volt = bank.farad, bank.ohm, bank.volt
        self.full = bank.volt
        self.pair_volts: list[float] = []

    def rest(self) -> tuple[float, ...]:
        return (self.volt, -1.0 / self.farad) if self.volt > 0.0 else (0.0,)

    def line_ohm(self) -> tuple[float, float]:
        return (self.ohm, 0.0)

    def room(self) -> float:
        return self.volt * self.farad if self.volt > 0.0 else math.inf

    def use(self, current: float) -> float:
        return 1.0

    def draw(self, charge: float, to_room: bool) -> None:
        self.volt = 0.0 if to_room else max(self.volt - charge / self.farad, 0.0)

    def branch(self, current: float, wanted: float) -> tuple[float, float, float, float]:
        return self.volt, self.ohm, -math.inf, math.inf

    def available(self, extra_ohm: float, drop: float) -> float:
        return max(self.volt - drop, 0.0) / (self.ohm + extra_ohm)

    def share(self) -> tuple[float, float]:
        if self.full <= 0.0:
            return 0.0, 0.0
        return self.volt / self.full, 1.0 / (self.farad * self.full)


def feed(source: Source) -> Feed:
    """The running source of a bench's description."""
    if isinstance(source, SupplySource):
        return Supply(source.volt, source.ohm, source.limit_ampere, source.limit_ohm)
    if isinstance(source, TheveninSource):
        return Supply(source.volt, source.ohm, math.inf, 1.0)
    if isinstance(source, BatterySource):
        return Battery(source)
    if isinstance(source, PanelSource):
        return Panel(source)
    return Bank(source)
