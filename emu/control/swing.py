"""Stepping between two levels of current, by the firmware's timer or on a trigger."""

from __future__ import annotations

from collections.abc import Mapping

NEVER_NS = 1 << 62


class Swing:
    """Which level a swing is at, since when, and until when; `controls` are the plant's, by name."""

    def __init__(self, clock_error_ppm: float) -> None:
        self._rate = 1.0 + clock_error_ppm * 1e-6
        self.upper = False
        self.done = 0
        """Upper levels that have ended."""
        self.edge_ns = NEVER_NS
        """When the timer leads to the other level."""
        self._phase_ns = 0

    def restart(self, now_ns: int) -> None:
        """The stage has been switched: begin at the lower level, none done."""
        self.upper, self.done, self._phase_ns = False, 0, now_ns

    def plan(self, controls: Mapping[str, float | str], now_ns: int) -> None:
        """Work out the next edge, by what is set now."""
        self.edge_ns = NEVER_NS
        if controls["stage"] != "swing":
            return
        count = float(controls["swing.count"])
        if not self.upper and (controls["swing.cue"] == "trigger" or (count and self.done >= count)):
            return
        if self.upper and controls["swing.cue"] == "trigger" and controls["swing.hold"] == "stay":
            return
        seconds = float(controls["swing.high_time" if self.upper else "swing.low_time"])
        true_ns = round(seconds * 1e9 / self._rate)
        self.edge_ns = max(self._phase_ns + true_ns, now_ns + (self._phase_ns != now_ns))

    def edge(self, now_ns: int) -> None:
        """Go to the other level."""
        if self.upper:
            self.done += 1
        self.upper = not self.upper
        self._phase_ns = now_ns

    def trigger(self, controls: Mapping[str, float | str], now_ns: int) -> None:
        """A pulse on the trigger input."""
        if controls["stage"] != "swing" or controls["swing.cue"] != "trigger":
            return
        count = float(controls["swing.count"])
        if not self.upper and count and self.done >= count:
            return
        if not self.upper or controls["swing.hold"] == "stay":
            self.edge(now_ns)
