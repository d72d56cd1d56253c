"""What the firmware counts while the stage works: charge, energy and time, by its own clock."""

from __future__ import annotations


class Counters:
    """Three counters, as they stood when the plant's present stretch began; SI units."""

    def __init__(self, clock_error_ppm: float) -> None:
        self._rate = 1.0 + clock_error_ppm * 1e-6
        self.charge = self.energy = self.time = 0.0

    def zero(self) -> None:
        """All of them begin again."""
        self.charge = self.energy = self.time = 0.0

    def rate(self, stage: str | float) -> float:
        """Seconds that are counted in a second."""
        return self._rate if stage != "off" else 0.0
