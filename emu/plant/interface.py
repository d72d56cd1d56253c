"""The seam between the instrument and its physics.

The instrument sets controls, arms watches, lets time run and reads samples; everything continuous is on the
other side. So are the firmware's own loops where their tick cuts what is continuous; those live in
`wirevow.emu.control`, and a plant calls them when they are due.

Rules of the seam:

- Time is integer nanoseconds and never goes back. `control` and `bench` act at `now_ns`; a later instant is
  an error, because crossings between would be lost: call `advance` first.
- Reads change nothing. The values of `at` and `sample`, and all that happens later, are bitwise the same
  however reads and `advance` calls cut the time up.
- A watch is a truth, not an alarm: `advance` stops at each change of it, in the order of time and, at one
  instant, of the watches' keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from wirevow.emu.bench import Bench
from wirevow.emu.control.cooling import Cooling
from wirevow.protocol.document.terminals import Control, Signal


@dataclass(frozen=True, slots=True)
class Crossing:
    """A watch changed its truth at `when_ns`."""

    key: int
    when_ns: int
    true: bool


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a plant is built with besides its parameters.

    `horizon_ns` is how far back values will be read: the longest sample period or series, and some more.
    `cooling` is what the instrument's firmware does about heat; None where that is done by somebody's own.
    """

    bench: Bench | None
    seed: int
    horizon_ns: int
    cooling: Cooling | None = None


class Plant(Protocol):
    """Physics on a virtual clock. Names are dotted; values are floats in SI units, or words."""

    @property
    def signals(self) -> Mapping[str, Signal]:
        """What `at`, `sample` and `watch` know."""
        ...

    @property
    def controls(self) -> Mapping[str, Control]:
        """What the instrument may drive."""
        ...

    @property
    def events(self) -> Mapping[str, Control]:
        """What may happen on the bench around it."""
        ...

    @property
    def now_ns(self) -> int:
        """Where time stands."""
        ...

    @property
    def horizon_ns(self) -> int:
        """How far back from now `at` and `sample` can look."""
        ...

    def quiet_until_ns(self) -> int:
        """Before this instant no watch changes its truth, if nothing is driven; may be early, never late."""
        ...

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        """Drive controls at `now_ns`. `ValueError` for an unknown name, a bad value, or another time."""
        ...

    def bench(self, event: str, value: float | str | None, now_ns: int) -> None:
        """Something happens on the bench at `now_ns`. `ValueError` as for `control`."""
        ...

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        """Watch whether `signal` is above (below) `threshold`; returns whether it is. Same key: re-arm."""
        ...

    def unwatch(self, key: int) -> None:
        """Forget the watch; unknown keys are ignored."""
        ...

    def advance(self, to_ns: int) -> Crossing | None:
        """Run to `to_ns`, or stop earlier at the first change of truth of a watch and return it."""
        ...

    def at(self, signal: str, when_ns: int) -> float:
        """True SI value at an instant from `now_ns - horizon_ns` to `now_ns`."""
        ...

    def sample(self, signal: str, tick: int, period_ns: int) -> float:
        """What the instrument's converter made of the signal at `tick * period_ns` (same span as `at`).

        A pure function of history, seed, signal and tick: noise does not depend on who reads, or how often.
        """
        ...


@runtime_checkable
class LooksAhead(Protocol):
    """A plant whose `quiet_until_ns` may be early by choice, because to know better costs something."""

    def look_ahead(self) -> None:
        """Let it be no earlier than it has to."""


@runtime_checkable
class Foretelling(Protocol):
    """A plant that knows what will be measured as long as nothing is driven and nothing happens."""

    def foretold(self, signal: str, tick: int, period_ns: int) -> float:
        """What `sample` will give, for an instant from now on and before `quiet_until_ns`."""
        ...
