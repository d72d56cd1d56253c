"""What was read in an exchange, as a picture: a panel for each number that was asked for more than once.

Only what the host was told is drawn, joined by straight lines; between two looks it may have been anything.
States that were told are written along the top, and what hands did is marked with a number.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from wirevow.protocol.conformance.casefile import Step

WIDTH_PX = 640
LEFT_PX = 150
"""For the names."""
PANEL_PX = 60
HEAD_PX = 34
"""Above the panels: marks of hands, and states."""
FOOT_PX = 22
MARGIN_PX = 8
MOST_PANELS = 4
MOST_HANDS = 9
LEVEL = 0.01
"""Readings that differ by a smaller share of themselves are drawn level."""

_NUMBER = re.compile(r"ok (-?\d+(?:\.\d+)?)(?: (\S+))?")
_STATE = re.compile(r"ok ([a-z][a-z0-9_]*)")
_NAME = re.compile(r"[a-z][a-z0-9_]*(?:\.[a-z0-9_]+)+")
_NOTICE = re.compile(r"note \S+ state (\S+)")


@dataclass(frozen=True, slots=True)
class Panel:
    """Readings of one point; `dots` are places in the picture."""

    name: str
    unit: str
    low: str
    high: str
    top: int
    dots: tuple[tuple[float, float], ...]

    @property
    def path(self) -> str:
        """For a polyline."""
        return " ".join(f"{x},{y}" for x, y in self.dots)


@dataclass(frozen=True, slots=True)
class Trace:
    """The picture, laid out."""

    panels: tuple[Panel, ...]
    states: tuple[tuple[float, str], ...]
    """Where a state was first told, and its name."""
    hands: tuple[tuple[float, str], ...]
    """Where hands did something, and what; their numbers count from 1."""
    ticks: tuple[tuple[float, str], ...]
    """Seconds."""
    height: int
    width: int = WIDTH_PX
    left: int = LEFT_PX
    head: int = HEAD_PX
    panel: int = PANEL_PX

    @property
    def foot(self) -> int:
        """Where the time axis is."""
        return self.height - FOOT_PX


def trace(steps: Sequence[Step], about: str = "") -> Trace | None:
    """Lay out what was read in these steps; None if no number was read at two times.

    Of several numbers those are drawn that `about`, what the failure says, names; all if it names none.
    """
    read: dict[tuple[str, str], list[tuple[float, float]]] = {}
    told: list[tuple[float, str]] = []
    hands: list[tuple[float, str]] = []
    waiting: list[tuple[str, str]] = []
    for step in steps:
        if step.at_s is None:
            continue
        if step.kind == ">":
            waiting.append(_split(step.text))
        elif step.kind in ("bench", "power", "reset"):
            hands.append((step.at_s, step.text or step.kind))
        elif step.kind == "<":
            if notice := _NOTICE.match(step.text):
                told.append((step.at_s, notice[1]))
                continue
            tag, answer = _split(step.text)
            asked = next((each for each in waiting if each[0] == tag), None)
            if asked is None:
                continue
            waiting.remove(asked)
            if not asked[1].startswith("ask "):
                continue
            name = asked[1].split()[1]
            if number := _NUMBER.fullmatch(answer):
                read.setdefault((name, number[2] or ""), []).append((step.at_s, float(number[1])))
            elif (state := _STATE.fullmatch(answer)) and name.endswith(".state"):
                told.append((step.at_s, state[1]))
    moving = {key: each for key, each in read.items() if len({at for at, _ in each}) > 1}
    if not moving:
        return None
    spoken = set(_NAME.findall(about))
    moving = {key: each for key, each in moving.items() if key[0] in spoken} or moving
    first, last = steps[0].at_s or 0.0, max(step.at_s or 0.0 for step in steps)
    scale = (WIDTH_PX - LEFT_PX - MARGIN_PX) / (last - first)

    def across(at_s: float) -> float:
        return round(LEFT_PX + (at_s - first) * scale, 1)

    panels = []
    for index, ((name, unit), readings) in enumerate(list(moving.items())[:MOST_PANELS]):
        top = HEAD_PX + PANEL_PX * index
        values = [value for _, value in readings]
        low, high = min(values), max(values)
        moved = high - low > LEVEL * max(abs(low), abs(high))
        room = (PANEL_PX - 2 * MARGIN_PX) / (high - low) if moved else 0.0
        base = top + PANEL_PX - MARGIN_PX if room else top + PANEL_PX / 2
        dots = tuple((across(at), round(base - (value - low) * room, 1)) for at, value in readings)
        panels.append(Panel(name, unit, f"{low:g}", f"{high:g}", top, dots))
    changes = [each for index, each in enumerate(told) if not index or each[1] != told[index - 1][1]]
    return Trace(
        panels=tuple(panels),
        states=tuple((across(at), name) for at, name in changes),
        hands=tuple((across(at), what) for at, what in hands[:MOST_HANDS]),
        ticks=tuple(
            (across(first + after), f"{after:.4g}") for after in (0, (last - first) / 2, last - first)
        ),
        height=HEAD_PX + PANEL_PX * len(panels) + FOOT_PX,
    )


def _split(line: str) -> tuple[str, str]:
    """The tag, empty if there is none, and the rest, without a check."""
    tag, _, rest = line.partition(" ") if line.startswith("@") else ("", "", line)
    return tag, rest.partition(" ~")[0].strip()
