"""Stepping through levels of current: two, by the firmware's timer or on a trigger, or the rows of a list."""

from __future__ import annotations

from collections.abc import Mapping

NEVER_NS = 1 << 62
ROWS = 8
"""A list of levels and times has at most so many rows."""


class Swing:
    """Which level it is at, since when, and until when; `controls` are the plant's, by name."""

    def __init__(self, clock_error_ppm: float) -> None:
        self._rate = 1.0 + clock_error_ppm * 1e-6
        self.upper = False
        self.done = 0
        """Upper levels, or rounds of the list, that have ended."""
        self.row = 0
        """Of the list."""
        self._last: int | None = None
        """The last row in use; None while it is no list that is stepped through."""
        self.edge_ns = NEVER_NS
        """When the timer leads to the other level."""
        self._phase_ns = 0

    def restart(self, now_ns: int) -> None:
        """The stage has been switched: begin at the lower level, none done."""
        self.upper, self.done, self.row, self._phase_ns = False, 0, 0, now_ns

    def level(self, controls: Mapping[str, float | str]) -> float:
        """The current that it is at, A."""
        if controls["stage"] == "steps":
            return float(controls[f"steps.level{self.row}"])
        return float(controls["swing.high" if self.upper else "swing.low"])

    def plan(self, controls: Mapping[str, float | str], now_ns: int) -> None:
        """Work out the next edge, by what is set now."""
        self.edge_ns = NEVER_NS
        self._last = int(float(controls["steps.rows"])) - 1 if controls["stage"] == "steps" else None
        if self._last is not None:
            count = float(controls["steps.count"])
            if not count or self.done < count:
                self._end(float(controls[f"steps.time{self.row}"]), now_ns)
            return
        if controls["stage"] != "swing":
            return
        count = float(controls["swing.count"])
        if not self.upper and (controls["swing.cue"] == "trigger" or (count and self.done >= count)):
            return
        if self.upper and controls["swing.cue"] == "trigger" and controls["swing.hold"] == "stay":
            return
        self._end(float(controls["swing.high_time" if self.upper else "swing.low_time"]), now_ns)

    def _end(self, seconds: float, now_ns: int) -> None:
        """So long after it began the level ends."""
        true_ns = round(seconds * 1e9 / self._rate)
        self.edge_ns = max(self._phase_ns + true_ns, now_ns + (self._phase_ns != now_ns))

    def edge(self, now_ns: int) -> None:
        """Go to the other level, or to the next row."""
        self._phase_ns = now_ns
        if self._last is not None:
            again = self.row >= self._last
            self.done += again
            self.row = 0 if again else self.row + 1
            return
        if self.upper:
            self.done += 1
        self.upper = not self.upper

    def trigger(self, controls: Mapping[str, float | str], now_ns: int) -> None:
        """A pulse on the trigger input."""
        if controls["stage"] != "swing" or controls["swing.cue"] != "trigger":
            return
        count = float(controls["swing.count"])
        if not self.upper and count and self.done >= count:
            return
        if not self.upper or controls["swing.hold"] == "stay":
            self.edge(now_ns)
