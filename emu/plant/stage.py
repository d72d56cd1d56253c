"""Transistors in parallel: what is left of a stage of which one has failed.

They share the stage's one current loop, equally: each has a resistor in its source for that. The first is the
one that fails. Open, the others carry its share, get the hotter for it, and are fully on sooner. Shorted, it
carries what the source gives, whatever the loop wants; the loop finds more current than asked and turns the
others off.
"""

from __future__ import annotations

from math import inf

from wirevow.emu.plant.sink_section import Stage


class Transistors:
    """The stage's transistors, and the condition of the first: `good`, `open` or `shorted`."""

    def __init__(self, stage: Stage) -> None:
        self.number = stage.transistors
        own = stage.transistor_ohm
        self._own_ohm = own if own is not None else stage.saturation_ohm * self.number
        self._path_ohm = stage.saturation_ohm - self._own_ohm / self.number
        self._good_ohm = stage.saturation_ohm
        self.turn("good")

    def turn(self, condition: str) -> None:
        """The first is in another condition from now on."""
        self.condition = condition
        number = self.number
        self.carrying = {"good": number, "open": number - 1, "shorted": 1}[condition]
        """How many of them the current goes through."""
        first, other = {
            "good": (1.0 / number, 1.0 / number),
            "open": (0.0, 1.0 / max(number - 1, 1)),
            "shorted": (1.0, 0.0),
        }[condition]
        if number == 1:
            other = 0.0
        spread = abs(first - other) if number > 1 else 0.0
        self.shares = {"stage.first": first, "stage.other": other, "stage.spread": spread}
        """Of the current, by signal."""
        self.full_ohm = self._good_ohm
        """Resistance of path and stage with all that carry fully on."""
        if condition != "good":
            self.full_ohm = self._path_ohm + self._own_ohm / self.carrying if self.carrying else inf

    def heated(self, chain: tuple[float, ...]) -> tuple[float, ...]:
        """The heat ladder's constants (`heat.constants`) with only those heated that carry.

        Junctions and cases are that many in parallel. The heat that is in a failed one is left out.
        """
        if self.carrying in (0, self.number):
            return chain
        part = self.carrying / self.number
        g_jc, g_cs, g_sb, cj, cc, cs, cb = chain
        return g_jc * part, g_cs * part, g_sb, cj * part, cc * part, cs, cb
