"""What a plant offers, for a person or a program: every name with its unit or words, and its meaning."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from math import isfinite

from wirevow.protocol.document.terminals import Control, Signal, Terminals

_SECTIONS = ("signals", "controls", "events")


def lines(terminals: Terminals) -> Iterator[str]:
    """One line a name, in columns, under its heading: `signals`, `controls`, `events`."""
    yield f"plant {terminals.plant}"
    for section in _SECTIONS:
        offered: Mapping[str, Signal | Control] = getattr(terminals, section)
        rows = [(name, _takes(each), each.means) for name, each in offered.items()]
        first, second = (max((len(row[column]) for row in rows), default=0) for column in (0, 1))
        yield f"{section}:" if rows else f"{section}: none"
        for name, takes, means in rows:
            yield f"  {name:{first}}  {takes:{second}}  {means}".rstrip()


def json_text(terminals: Terminals) -> str:
    """The same as one JSON object; a number without an end has no `low` or `high`."""
    told = {
        section: {name: _members(each) for name, each in getattr(terminals, section).items()}
        for section in _SECTIONS
    }
    return json.dumps({"plant": terminals.plant, **told}, indent=1, ensure_ascii=False)


def _takes(each: Signal | Control) -> str:
    if isinstance(each, Signal):
        return each.unit
    if each.choices:
        return " | ".join(each.choices)
    if each.pulse:
        return "impulse"
    return f"{each.low:g} to {each.high:g} {each.unit}"


def _members(each: Signal | Control) -> dict[str, object]:
    if isinstance(each, Signal):
        return {"unit": each.unit, "means": each.means}
    if each.choices:
        return {"choices": list(each.choices), "means": each.means}
    if each.pulse:
        return {"impulse": True, "means": each.means}
    ends = {key: end for key, end in (("low", each.low), ("high", each.high)) if isfinite(end)}
    return {"unit": each.unit, **ends, "means": each.means}
