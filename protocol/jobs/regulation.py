"""A source under test: load regulation, internal resistance and step response, with their uncertainties.

Load regulation here is the fall of the voltage from the least to the greatest current, in percent of the
voltage at the least (common practice, no source). The internal resistance is the slope of the straight line
through all points (GUM, annex H.3), with the gains of both channels (GUM 5.2); offsets do not change a slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from wirevow.protocol.jobs.trimming import SCATTER, straight
from wirevow.protocol.jobs.uncertainty import Channel, Measured, coverage

BAND = 0.1
"""Share of the step within which the voltage counts as settled (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Point:
    """One level of a sweep, settled."""

    level: float
    amperes: float
    volts: float

    @property
    def watts(self) -> float:
        return self.amperes * self.volts


@dataclass(frozen=True, slots=True)
class Regulation:
    """What a sweep shows."""

    percent: Measured
    ohms: Measured
    open_volts: float
    """Where the line meets no current."""
    residuals: tuple[float, ...]
    """V, of each point from the line: a source that is not a resistance bends."""


def regulation(points: Sequence[Point], volts: Channel, amperes: Channel) -> Regulation:
    """From three points or more, by rising current. `ValueError` otherwise."""
    x, y = [each.amperes for each in points], [each.volts for each in points]
    zero, slope, _, residuals = straight(x, y, volts.step)
    ohms = Measured.of(-slope * (1 + volts.gain) / (1 + amperes.gain), "Ohm")
    scatter = dict(ohms.causes).get(SCATTER, 0.0)
    freedom = (len(points) - 2) * (ohms.u / scatter) ** 4 if scatter else math.inf
    first = volts.seen(y[0])
    fall = 100 * volts.difference(y[0], y[-1]) / first
    return Regulation(
        Measured.of(fall, "%"),
        Measured(ohms.value, ohms.u, "Ohm", coverage(freedom), ohms.causes),
        zero.nominal_value,
        residuals,
    )


@dataclass(frozen=True, slots=True)
class Capture:
    """Current and voltage, sampled together across a rising edge of the current."""

    every_s: float
    amperes: Sequence[float]
    volts: Sequence[float]


@dataclass(frozen=True, slots=True)
class Step:
    """The mean response of a source to a step of its load."""

    seconds: tuple[float, ...]
    """From the edge: the first sample above the middle of the step is at 0."""
    amperes: tuple[float, ...]
    volts: tuple[float, ...]
    captures: int
    before: float
    """V"""
    after: float
    """V, at the end of what was captured."""
    lowest: float
    recovery_s: float | None
    """Until the voltage stays within a tenth of the step; None if it does not."""

    @property
    def dip(self) -> float:
        """How far the voltage goes below where it ends, in V."""
        return max(self.after - self.lowest, 0.0)

    @property
    def ohms(self) -> float:
        """Fall of the voltage over rise of the current, at the end."""
        early = fmean(a for t, a in zip(self.seconds, self.amperes, strict=True) if t < 0)
        return (self.before - self.after) / (self.amperes[-1] - early)


def edge_of(capture: Capture) -> int | None:
    """The sample at which the current first is above the middle of its step; None without a rising edge."""
    middle = 0.5 * (min(capture.amperes) + max(capture.amperes))
    for index in range(1, len(capture.amperes)):
        if capture.amperes[index - 1] < middle <= capture.amperes[index]:
            return index
    return None


def step_response(captures: Sequence[Capture], ahead: int = 4, behind: int = 10) -> Step:
    """The mean of captures that hold a rising edge with so many samples around it.

    `ValueError` when none does.
    """
    cut: list[tuple[Sequence[float], Sequence[float]]] = []
    for each in captures:
        edge = edge_of(each)
        if edge is None or edge < ahead or edge + behind > len(each.volts):
            continue
        part = slice(edge - ahead, edge + behind)
        cut.append((each.amperes[part], each.volts[part]))
    if not cut:
        raise ValueError("no capture holds the edge: make the step larger, or the capture longer")
    every = captures[0].every_s
    amps = tuple(fmean(each[0][n] for each in cut) for n in range(ahead + behind))
    volts = tuple(fmean(each[1][n] for each in cut) for n in range(ahead + behind))
    seconds = tuple((n - ahead) * every for n in range(ahead + behind))
    before, after = fmean(volts[: ahead - 1]), fmean(volts[-3:])
    band = BAND * abs(before - after)
    outside = [n for n in range(ahead, len(volts)) if abs(volts[n] - after) > band]
    last = max(outside, default=ahead - 1)
    recovery = None if last >= len(volts) - 3 else max(seconds[last + 1], 0.0)
    return Step(seconds, amps, volts, len(cut), before, after, min(volts[ahead:]), recovery)
