"""The promise that a save is whole, whenever the supply fails."""

from __future__ import annotations

from contextlib import suppress

from protocol.conformance.purposes.physics import PROMISES
from protocol.conformance.purposes.points import other_value
from protocol.conformance.tester import Broken, NotSelected, Tester
from protocol.document.requirements import Requirement
from protocol.message import Request
from protocol.oracle import Judgement
from protocol.vow import PointEntry, Value

CUTS_NS = (0, 5_000_000, 40_000_000)
"""After the request to save. A byte takes a small store a few milliseconds (common practice, no source)."""
MOVED = 6
"""Settings that differ between before and after, spread over all that are saved."""


def saves_are_whole(t: Tester, r: Requirement) -> None:
    """Save, and cut the supply at once: what is there afterwards was there before, or is what was saved."""
    t.need("power")
    save = next((name for name, action in t.vow.actions.items() if ("save", "") in action.does), None)
    if save is None or t.vow.initial not in t.vow.actions[save].to:
        raise NotSelected(f"no action saves in state {t.vow.initial}")
    saved = [entry for entry in t.vow.settings if entry.saved]
    moved = [entry for entry in _spread(saved) if t.settable_here(entry)]
    if len(moved) < 2:
        raise NotSelected("a mixture needs two settings that are saved")
    t.act(save)
    for cut_ns in CUTS_NS:
        before = _values(t, saved)
        for entry in moved:
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
        after = _values(t, saved)
        t.cut_short(Request(t.new_tag(), "act", save, (), t.guard).line(), cut_ns)
        _look(t, r, f"act {save}, and no supply {cut_ns / 1e6:g} ms later", before, after)
    # The defaults are saved again, as they were.
    t.home()
    t.act(save)


def _spread(entries: list[PointEntry]) -> list[PointEntry]:
    """So many of them, the first and the last among them."""
    count = min(MOVED, len(entries))
    return [entries[index * (len(entries) - 1) // max(1, count - 1)] for index in range(count)]


def _values(t: Tester, entries: list[PointEntry]) -> dict[str, Value]:
    return {entry.name: t.setting(entry.name) for entry in entries}


def _look(t: Tester, r: Requirement, sent: str, before: dict[str, Value], after: dict[str, Value]) -> None:
    """The boot has shown what is saved (`Tester.cut_short`)."""
    now = {name: t.setting(name) for name in before}
    if now in (before, after):
        t.keep(r.id)
        return
    old = [name for name in now if now[name] == before[name] != after[name]]
    new = [name for name in now if now[name] == after[name] != before[name]]
    other = [name for name in now if now[name] not in (before[name], after[name])]
    parts = (("as before", old), ("as saved", new), ("neither", other))
    seen = "; ".join(f"{what}: {', '.join(names)}" for what, names in parts if names)
    raise Broken(Judgement(False, r.id, "all settings as before, or all as saved"), sent, seen)


PROMISES["saves_are_whole"] = saves_are_whole
