"""Corrections of a reading or a level from pairs with a reference meter, with their uncertainties.

The straight line is that of `wirevow.protocol.calibration` (GUM, annex H.3). What its scatter does not
show is added: the meter's own gain and offset, which all points share (GUM 5.2), within its declared
accuracy. No scatter is taken to be smaller than that of rounding to the instrument's step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from uncertainties import UFloat, correlated_values

from wirevow.protocol.calibration import fit_line, quantisation_rms
from wirevow.protocol.jobs.uncertainty import Measured, coverage, rectangular

LEAST_POINTS = 5
INTERVAL_DAYS = 366
"""A meter is calibrated once a year (common practice, no source)."""
SCATTER = "scatter of the points"


@dataclass(frozen=True, slots=True)
class Meter:
    """The reference: within `percent` of its reading and `offset`, as its maker or its certificate says."""

    name: str
    percent: float
    offset: float
    """In V or A."""
    calibrated: date | None = None

    def warnings(self, today: date) -> list[str]:
        """What is doubtful about it."""
        if self.calibrated is None:
            return [f"when {self.name} was calibrated last was not declared: nothing here is traceable"]
        age = (today - self.calibrated).days
        if age < 0:
            return [f"{self.name} was calibrated on {self.calibrated}, it is said, and that is still to come"]
        if age > INTERVAL_DAYS:
            return [
                f"{self.name} was calibrated last on {self.calibrated}, {age} days ago: have it done again"
            ]
        return []

    @property
    def gain(self) -> UFloat:
        return rectangular(self.percent / 100, "gain of the meter")

    @property
    def zero(self) -> UFloat:
        return rectangular(self.offset, "offset of the meter")

    def u(self, value: float) -> float:
        """Standard uncertainty of one reading of it."""
        return math.hypot(value * self.percent / 100, self.offset) / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Pair:
    """One point: what the meter showed, and what the instrument read or was set to."""

    true: float
    seen: float

    @property
    def error(self) -> float:
        """Of a reading: too high when positive."""
        return self.seen - self.true


@dataclass(frozen=True, slots=True)
class Correction:
    """New trims, and how well the points agree with them."""

    gain: Measured
    shift: Measured
    residuals: tuple[float, ...]
    """Of each point, from the line, in V or A."""
    scatter: float


def chosen(low: float, high: float, count: int) -> tuple[list[float], list[float]]:
    """Points to calibrate at, evenly over the range, and others half-way between to verify at."""
    if count < LEAST_POINTS:
        raise ValueError(f"{count} points are too few: take {LEAST_POINTS} or more")
    if not high > low:
        raise ValueError(f"{low:g} to {high:g} is no range: give the lower end first")
    step = (high - low) / (count - 1)
    points = [low + step * n for n in range(count)]
    between = [low + step * (n + 0.5) for n in range(count - 1)]
    return points, between[:: max(1, len(between) // 4)]


def straight(
    x: Sequence[float], y: Sequence[float], step: float
) -> tuple[UFloat, UFloat, float, tuple[float, ...]]:
    """(value at 0, slope, scatter, residuals) of the least-squares line; `step` is that of `y`."""
    mean = math.fsum(x) / len(x)
    line = fit_line(x, y, mean)  # about the mean the two are not correlated
    scatter = max(line.scatter, quantisation_rms(step))
    variance = scatter**2
    sxx = math.fsum((each - mean) ** 2 for each in x)
    middle, slope = correlated_values(
        [line.intercept, line.slope], [[variance / len(x), 0.0], [0.0, variance / sxx]], tags=[SCATTER] * 2
    )
    residuals = tuple(b - line.at(a)[0] for a, b in zip(x, y, strict=True))
    return middle - mean * slope, slope, scatter, residuals


def _measured(value: UFloat, unit: str, freedom: int) -> Measured:
    """With the coverage factor of its effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1)."""
    plain = Measured.of(value, unit)
    scatter = dict(plain.causes).get(SCATTER, 0.0)
    effective = freedom * (plain.u / scatter) ** 4 if scatter > 0 else math.inf
    return Measured(plain.value, plain.u, unit, coverage(effective), plain.causes)


def reading(
    pairs: Sequence[Pair], meter: Meter, gain: float, shift: float, step: float, unit: str
) -> Correction:
    """New trims of a reading, taken with the trims `gain` and `shift`: trimmed = raw * gain + shift."""
    zero, slope, scatter, residuals = straight([p.true for p in pairs], [p.seen for p in pairs], step)
    if slope.nominal_value <= 0:
        raise ValueError("the readings do not follow the meter: check the wiring")
    back = (1 + meter.gain) / slope
    return Correction(
        _measured(back * gain, "1", len(pairs) - 2),
        _measured(back * (shift - zero) + meter.zero, unit, len(pairs) - 2),
        residuals,
        scatter,
    )


def level(
    pairs: Sequence[Pair], meter: Meter, gain: float, shift: float, step: float, unit: str
) -> Correction:
    """New trims of what is held, taken with those in force: the converter gets level * gain + shift."""
    zero, slope, scatter, residuals = straight([p.seen for p in pairs], [p.true for p in pairs], step)
    if slope.nominal_value <= 0:
        raise ValueError("the meter does not follow the level: check the wiring")
    true = 1 + meter.gain
    new = gain / (slope * true)
    return Correction(
        _measured(new, "1", len(pairs) - 2),
        _measured(shift - (zero * true + meter.zero) * new, unit, len(pairs) - 2),
        residuals,
        scatter,
    )
