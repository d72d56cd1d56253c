"""Hands at the front panel: what a bench's timeline lets them do, and the steps of an encoder.

A key that takes or gives up control is `panel.control`, a setting that is keyed in `panel.POINT` with its
value, and an encoder that is turned `panel.POINT` with `+3 steps`. So it is on a rig, too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from wirevow.emu.bench import Bench, Mishap
from wirevow.emu.plant.agenda import PANEL, Planned
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.inputs import decimal_of

_STEPS = re.compile(r"([+-][0-9]{1,5}) steps?")


def steps_of(declared: BenchEvent, value: float | str | None) -> int | None:
    """By how many of its own steps an encoder moves a number; None if the value is none of that kind."""
    found = _STEPS.fullmatch(value) if isinstance(value, str) and declared.value is not None else None
    return None if found is None else int(found[1])


def hand_of(mishap: Mishap, events: Mapping[str, BenchEvent]) -> Planned:
    """A hand of the timeline. `ValueError` when the document has no such thing at its panel."""
    declared = events.get(mishap.event)
    if declared is None:
        known = ", ".join(sorted(name for name in events if name.startswith(PANEL)))
        raise ValueError(f"there is no {mishap.event} at this panel: write one of {known or '(none)'}")
    if declared.choice is not None and mishap.value not in declared.choice:
        raise ValueError(f"{mishap.event} cannot be {mishap.value!r}: write {', '.join(declared.choice)}")
    if declared.value is not None and steps_of(declared, mishap.value) is None:
        try:
            decimal_of(mishap.value)
        except ValueError:
            raise ValueError(
                f"{mishap.event} cannot be {str(mishap.value)[:40]!r}: write a number, or +3 steps"
            ) from None
    return Planned(round(mishap.at_second * 1e9), mishap.event, mishap.value)


def hands_of(bench: Bench | None, events: Mapping[str, BenchEvent]) -> list[Planned]:
    """All hands of the timeline, the last one first. `ValueError` as above."""
    planned = [] if bench is None else [each for each in bench.timeline if each.event.startswith(PANEL)]
    return [hand_of(each, events) for each in reversed(planned)]
