"""Hands on an instrument: the bench events that its document knows, and what they do at its front panel.

A key that takes or gives up control is `panel.control`, a setting that is keyed in `panel.POINT` with its
value, and an encoder that is turned `panel.POINT` with `+3 steps`. So it is on a rig, too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from wirevow.emu.bench import Bench, Mishap
from wirevow.emu.plant.agenda import PANEL, Planned
from wirevow.emu.plant.interface import Plant
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.inputs import decimal_of
from wirevow.protocol.units import si_per_unit
from wirevow.protocol.vow import PointEntry, Vow

_STEPS = re.compile(r"([+-][0-9]{1,5}) steps?")


def declared_event(events: Mapping[str, BenchEvent], event: str) -> BenchEvent:
    """The event of that name. ValueError if the document has none."""
    declared = events.get(event)
    if declared is None:
        raise ValueError(f"no bench event {event!r}: write one of {', '.join(sorted(events))}")
    return declared


def bench_value(
    vow: Vow, event: str, declared: BenchEvent, value: float | str | None
) -> Decimal | str | None:
    """The value of a bench event: a number in its own unit, or a word. ValueError if it does not fit."""
    if declared.choice is not None:
        if value not in declared.choice:
            raise ValueError(f"{event} cannot be {value!r}: write one of {', '.join(declared.choice)}")
        return str(value)
    if declared.value is None:
        return None
    try:
        return decimal_of(value)
    except ValueError as wrong:
        unit = vow.document.quantities[declared.value].unit
        raise ValueError(f"{event} needs a number in {unit}, not {str(value)[:40]!r}: {wrong}") from None


def happen(
    plant: Plant, vow: Vow, event: str, declared: BenchEvent, given: Decimal | str | None, now_ns: int
) -> None:
    """Something happens around the plant, `given` as `bench_value` has it. ValueError if it cannot."""
    if isinstance(given, Decimal):
        assert declared.value is not None
        unit = vow.document.quantities[declared.value].unit
        plant.bench(event, float(given) * si_per_unit(unit), now_ns)
    else:
        plant.bench(event, given or 1.0, now_ns)


def counts_given(entry: PointEntry, given: Decimal | str | None) -> int:
    """What is keyed in at a front panel, in steps or as a choice's number."""
    return (
        entry.number.nearest(Fraction(given))
        if isinstance(given, Decimal)
        else entry.choices.index(str(given))
    )


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
