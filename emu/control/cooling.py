"""What the firmware follows a temperature with, on a slow tick: the fan's levels, and the derated ceiling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

_INF = math.inf
_SHARE_STEPS = 64
"""The derated ceiling moves in steps of 1/64 of the ceiling, so that a warm sink comes to rest."""


@dataclass(frozen=True, slots=True)
class FanCurve:
    """Fan levels by temperature, evaluated every `tick_ns`, left downwards `hysteresis_kelvin` lower."""

    tick_ns: int
    at_celsius: tuple[float, ...]
    duty: tuple[float, ...]
    hysteresis_kelvin: float

    def __post_init__(self) -> None:
        if len(self.at_celsius) != len(self.duty) or any(b <= a for a, b in pairwise(self.at_celsius)):
            raise ValueError("fan levels need rising temperatures, one duty each")
        if self.tick_ns <= 0:
            raise ValueError("the fan needs a tick above zero")

    def level(self, present: int, celsius: float) -> int:
        """Number of levels reached (0: off) at a tick, coming from `present`."""
        while present < len(self.at_celsius) and celsius >= self.at_celsius[present]:
            present += 1
        while present > 0 and celsius < self.at_celsius[present - 1] - self.hysteresis_kelvin:
            present -= 1
        return present

    def stays(self, present: int) -> tuple[float, float]:
        """The temperatures between which `level` answers `present` again: low <= celsius < high."""
        low = self.at_celsius[present - 1] - self.hysteresis_kelvin if present > 0 else float("-inf")
        high = self.at_celsius[present] if present < len(self.at_celsius) else float("inf")
        return low, high


@dataclass(frozen=True, slots=True)
class DeratingCurve:
    """The power ceiling falls linearly from its full value at `start` to `floor` of it at `end`."""

    start_celsius: float
    end_celsius: float
    floor: float

    def share(self, celsius: float) -> float:
        """Share of the ceiling that is left."""
        x = (celsius - self.start_celsius) / (self.end_celsius - self.start_celsius)
        return 1.0 - (1.0 - self.floor) * min(max(x, 0.0), 1.0)


class Cooling:
    """The slow tick: which level the fan is at, and what share of the power is left."""

    def __init__(
        self, fan: FanCurve | None, derating: DeratingCurve | None, signals: frozenset[str] = frozenset()
    ) -> None:
        self.fan, self.derating = fan, derating
        self.signals = signals
        """Of the plant: what they go by, where the document says it."""
        self.tick_ns = fan.tick_ns if fan is not None else 1_000_000_000
        self.level = 0
        self.share = 1.0
        """Of the ceiling."""
        self._bands: dict[tuple[int, float], tuple[float, float]] = {}

    def duty(self, mode: str, manual: float) -> float:
        """What the fan is driven with: its level's duty, in mode manual at least what is set."""
        duty = self.fan.duty[self.level - 1] if self.fan is not None and self.level else 0.0
        return max(duty, manual) if mode == "manual" else duty

    def step_fan(self, celsius: float) -> bool:
        """Choose the level, at a tick; whether it is another."""
        if self.fan is None:
            return False
        before, self.level = self.level, self.fan.level(self.level, celsius)
        return self.level != before

    def step_ceiling(self, celsius: float) -> bool:
        """Choose the share, at a tick; whether it is another."""
        if self.derating is None:
            return False
        before = self.share
        self.share = math.floor(self.derating.share(celsius) * _SHARE_STEPS + 1e-9) / _SHARE_STEPS
        return self.share != before

    def quiet(self) -> tuple[float, float]:
        """Temperatures between which a tick changes nothing."""
        where = self.level, self.share
        band = self._bands.get(where)
        if band is None:
            band = self._bands[where] = self._quiet_between()
        return band

    def _quiet_between(self) -> tuple[float, float]:
        low, high = -_INF, _INF
        if self.fan is not None:
            low, high = self.fan.stays(self.level)
        if self.derating is not None:
            d = self.derating
            width = (
                (d.end_celsius - d.start_celsius) / (1.0 - d.floor) / _SHARE_STEPS if d.floor < 1.0 else _INF
            )
            down = round((1.0 - self.share) * _SHARE_STEPS)
            if down < round((1.0 - d.floor) * _SHARE_STEPS):
                high = min(high, d.start_celsius + down * width)
            if down > 0:
                low = max(low, d.start_celsius + (down - 1) * width)
        return low, high

    def tick_from(self, when_ns: int, now_ns: int) -> int:
        """The first tick at `when_ns` or later, after `now_ns`."""
        return max((when_ns + self.tick_ns - 1) // self.tick_ns, now_ns // self.tick_ns + 1) * self.tick_ns
