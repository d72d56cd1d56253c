"""A dialect for any document: `NAME?`, `NAME:=VALUE`, `NAME!`; of firmware that has all it can, or least."""

from __future__ import annotations

from pathlib import Path

from wirevow.protocol.dialect.file import NEVER, POINTS_OF, Phrasebook, load_phrasebook
from wirevow.protocol.vow import Vow

REASONS = ("access", "type", "unit", "state", "range", "busy", "fault", "unknown")
LEAST = ("identity", "silence", "uptime", "boots", "boot_cause", "last_trip")
"""System points that the least firmware does not tell."""


def generated(vow: Vow, folder: Path, *, least: bool) -> Phrasebook:
    """The least says `NO` and no reason, answers no value to a put, and has no tickets and no watchdog."""
    tickets = any(action.gives_ticket_ns is not None for action in vow.actions.values())
    lacks: list[str] = [each for each in NEVER if each in ("tags", "checks") or each in vow.parts]
    if least:
        lacks += ["identity", *(["watchdog"] if "watchdog" in vow.parts else [])]
        lacks += ["tickets"] if tickets else []
    points, actions = [], []
    for name, entry in vow.points.items():
        if entry.record is not None or (entry.system and POINTS_OF.get(entry.system) in lacks):
            continue
        if least and entry.system in LEAST:
            lacks.append(name)
            continue
        took = "YES" if least else f"{name}={{value}}"
        put = f", put: '{name}:={{value}}', took: '{took}'" if entry.settable else ""
        points.append(f"  {name}: {{ask: '{name}?', says: '{name}={{value}}'{put}}}")
    for name, action in vow.actions.items():
        takes = " {ticket}" if action.takes_ticket is not None and not least else ""
        takes += " {number}" if action.many else ""
        gives = " {ticket}" if action.gives_ticket_ns is not None and not least else ""
        actions.append(f"  {name}: {{do: '{name}!{takes}', done: 'YES{gives}'}}")
    refusals = [] if least else [f"  - {{says: 'NO {reason}', reason: {reason}}}" for reason in REASONS]
    lines = [f"dialect: {{document: {vow.identity[0]}, means: generated}}", f"lacks: [{', '.join(lacks)}]"]
    lines += ["refusals:", *refusals, "  - {says: 'NO'}", "points:", *points]
    lines += ["actions:", *actions] if actions else []
    path = folder / "dialect.yaml"
    path.write_text("\n".join(lines))
    return load_phrasebook(path, vow)
