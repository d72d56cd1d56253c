"""The two curves over temperature that the firmware follows on a tick: fan levels and derating."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise


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
