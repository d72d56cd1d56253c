"""Things that are numbered, timed and keyed the same in every plant: the bench timeline and the watches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from wirevow.emu.bench import Bench, Mishap
from wirevow.protocol.document.terminals import Control

PANEL = "panel."
"""Events of that name are hands at the instrument's front panel, and nothing that a plant knows."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A bench event of the timeline."""

    when_ns: int
    event: str
    value: float | str | None


@dataclass(slots=True)
class Watch:
    """An armed comparison and its last reported truth."""

    signal: str
    above: bool
    threshold: float
    true: bool

    def holds(self, value: float) -> bool:
        return value > self.threshold if self.above else value < self.threshold


def timeline(bench: Bench, events: Mapping[str, Control]) -> list[Planned]:
    """The bench's timeline, as far as it happens to the plant. `ValueError` for what cannot."""
    planned = []
    for number, mishap in enumerate(bench.timeline, 1):
        if mishap.event.startswith(PANEL):
            continue
        try:
            planned.append(planned_of(mishap, events))
        except ValueError as wrong:
            raise ValueError(f"timeline item {number}: {wrong}") from None
    return planned


def planned_of(mishap: Mishap, events: Mapping[str, Control]) -> Planned:
    """One event of a timeline. `ValueError` when it cannot happen to the plant."""
    known = events.get(mishap.event)
    if known is None:
        close = get_close_matches(mishap.event, events, n=1, cutoff=0.7)
        remedy = f'write "{close[0]}"' if close else f"write one of {', '.join(sorted(events)) or '(none)'}"
        raise ValueError(f"this plant has no bench event {mishap.event!r}: {remedy}")
    value = known.checked(mishap.event, 1.0 if known.pulse and mishap.value is None else mishap.value)
    return Planned(round(mishap.at_second * 1e9), mishap.event, value)
