"""Uncertainty of measured values, after JCGM 100:2008 (GUM).

Values are floats that carry their uncertainty, from the library `uncertainties`: linear propagation (GUM
5.1.2), with every common cause kept, so that two readings of one channel share its gain and offset (GUM
5.2.2). What an instrument's accuracy allows is a rectangular distribution (GUM 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from uncertainties import UFloat, ufloat

from wirevow.protocol.vow import PointEntry

_T95 = {
    1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 6: 2.52, 7: 2.43, 8: 2.37, 9: 2.32, 10: 2.28, 11: 2.25,
    12: 2.23, 13: 2.21, 14: 2.20, 15: 2.18, 16: 2.17, 17: 2.16, 18: 2.15, 19: 2.14, 20: 2.13, 25: 2.11,
    30: 2.09, 35: 2.07, 40: 2.06, 45: 2.06, 50: 2.05, 100: 2.025,
}  # fmt: skip
"""GUM table G.2: Student's t for 95.45 % by degrees of freedom."""


def coverage(freedom: float) -> float:
    """Coverage factor for 95.45 %; 2 for infinite freedom. In between the next lower entry (GUM G.4.1)."""
    if math.isinf(freedom):
        return 2.0
    below = [key for key in _T95 if key <= freedom]
    return _T95[max(below)] if below else _T95[1]


def unknown(u: float, tag: str) -> UFloat:
    """An error whose expectation is nothing, with the standard uncertainty `u` (nothing is allowed)."""
    # The library warns of variables without uncertainty, not of functions without.
    return ufloat(0.0, u, tag) if u > 0 else 0 * ufloat(0.0, 1.0, tag)


def rectangular(half_width: float, tag: str) -> UFloat:
    """An unknown error within +/- `half_width`, none of its values likelier than another (GUM 4.3.7)."""
    return unknown(half_width / math.sqrt(3.0), tag)


@dataclass(frozen=True, slots=True)
class Channel:
    """One reading of an instrument: errors of gain and offset that all its values share, and its step."""

    name: str
    gain: UFloat
    """Relative."""
    offset: UFloat
    """In the reading's unit, or whatever `of` was told to scale it to."""
    step: float

    @classmethod
    def within(cls, name: str, share: float, offset: float, step: float) -> Channel:
        """A channel whose readings are within `share` of reading plus `offset`."""
        return cls(
            name, rectangular(share, f"gain of {name}"), rectangular(offset, f"offset of {name}"), step
        )

    @classmethod
    def of(cls, entry: PointEntry, unit: float = 1.0) -> Channel:
        """The channel behind a reading, by its document's accuracy; `unit` is SI units in one of its."""
        return cls.within(
            entry.name,
            float(entry.reading_error),
            float(entry.range_error) * unit,
            float(entry.number.step) * unit,
        )

    def seen(self, value: float) -> UFloat:
        """What the reading `value` means: the shared errors, and its own rounding."""
        return value * (1 + self.gain) + self.offset + rectangular(self.step / 2, f"step of {self.name}")

    def difference(self, one: float, other: float) -> UFloat:
        """`one` less `other`: the offset cancels."""
        return self.seen(one) - self.seen(other)


@dataclass(frozen=True, slots=True)
class Measured:
    """A result: estimate, standard uncertainty, coverage factor, unit, and where the uncertainty is from."""

    value: float
    u: float
    unit: str
    k: float = 2.0
    causes: tuple[tuple[str, float], ...] = ()
    """Contributions to `u`, largest first."""

    @classmethod
    def of(cls, value: UFloat, unit: str, k: float = 2.0) -> Measured:
        causes: dict[str, float] = {}
        for cause, part in value.error_components().items():
            name = cause.tag or "other"
            causes[name] = math.hypot(causes.get(name, 0.0), part)
        ordered = sorted(causes.items(), key=lambda each: -each[1])
        return cls(
            value.nominal_value, value.std_dev, unit, k, tuple(each for each in ordered if each[1] > 0)
        )

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u (GUM 6.2)."""
        return self.k * self.u

    def __str__(self) -> str:
        digits = _digits(self.expanded)
        unit = f" {self.unit}" if self.unit not in ("", "1") else ""
        return f"({self.value:.{digits}f} ± {self.expanded:.{digits}f}){unit}"

    def as_json(self) -> dict[str, object]:
        """For result files."""
        return {
            "value": self.value,
            "unit": self.unit,
            "standard_uncertainty": self.u,
            "expanded_uncertainty": self.expanded,
            "coverage_factor": self.k,
            "contributions": dict(self.causes),
        }


def _digits(uncertainty: float) -> int:
    """Decimals at which an uncertainty has two digits (GUM 7.2.6); at most nine."""
    if not uncertainty > 0 or not math.isfinite(uncertainty):
        return 6
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), 9)
