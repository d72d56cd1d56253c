"""Things that are numbered, timed and keyed the same in every plant: the bench timeline and the watches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from wirevow.emu.bench import Bench
from wirevow.protocol.document.terminals import Control


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
    """The bench's timeline with its values checked against what the plant understands."""
    planned = []
    for index, mishap in enumerate(bench.timeline):
        known = events.get(mishap.event)
        if known is None:
            raise ValueError(
                f"timeline[{index}]: this plant has no bench event {mishap.event!r}: "
                f"write one of {', '.join(sorted(events))}"
            )
        value = known.checked(mishap.event, 1.0 if known.pulse and mishap.value is None else mishap.value)
        planned.append(Planned(round(mishap.at_second * 1e9), mishap.event, value))
    return planned
