"""What a plant offers to a document: signals to read, controls to drive, events that may happen to it.

A document is held against it by `vet`, and whoever has plants (`wirevow.emu.plant`) passes it in: nothing
here knows any plant. Names are dotted; units are UCUM codes of what the physics computes in: SI, but for
temperatures in degrees Celsius and speeds in turns a minute (`wirevow.protocol.units`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Signal:
    """What can be read: its unit (UCUM) and its meaning."""

    unit: str
    means: str


@dataclass(frozen=True, slots=True)
class Control:
    """What a control or a bench event takes: a number in `unit` (UCUM) within bounds, or one of `choices`.

    A `pulse` acts on any number other than zero and holds nothing.
    """

    unit: str = "1"
    low: float = float("-inf")
    high: float = float("inf")
    choices: tuple[str, ...] = ()
    pulse: bool = False
    means: str = ""

    def checked(self, name: str, value: float | str | None) -> float | str:
        """The value if it fits; `ValueError` that says what would."""
        if self.choices:
            if value in self.choices:
                return str(value)
            raise ValueError(f"{name} cannot be {value!r}: write one of {', '.join(self.choices)}")
        if isinstance(value, str):
            try:
                value = float(value)
            except ValueError:
                value = None
        if value is None or not self.low <= value <= self.high:
            raise ValueError(f"{name} needs a number {self.takes()}")
        return float(value)

    def takes(self) -> str:
        """What it takes, in words: its choices, or its bounds and unit."""
        if self.choices:
            return f"one of {', '.join(self.choices)}"
        if self.pulse:
            return "an impulse"
        return f"from {self.low:g} to {self.high:g}" + (f", in {self.unit}" if self.unit != "1" else "")


Rests = Callable[[str, Mapping[str, float | str], Mapping[str, float | str]], float | None]
"""Of a signal, with what is driven and what has happened; None where it comes to no rest or nobody knows."""


@dataclass(frozen=True, slots=True)
class Terminals:
    """All that one plant offers. `plant` is what people call it: `sink`, `bath.py:Bath`."""

    plant: str
    signals: Mapping[str, Signal]
    controls: Mapping[str, Control]
    events: Mapping[str, Control]
    rests: Rests | None = None
    """For a plant that can tell: where a signal comes to rest with these controls and events, if it does."""
