"""What was read in an exchange, as a picture: a panel for each number that was asked for more than once.

Only what the host was told is drawn, joined by straight lines; between two looks it may have been anything.
States that were told are written along the top, and what hands did is marked with a number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from wirevow.protocol.conformance.casefile import Step
from wirevow.protocol.journal.exchanges import NS_PER_S, Line, Pairing, told
from wirevow.protocol.journal.layout import Kind
from wirevow.protocol.message import Malformed, Notice, Reply, Request, parse_answer, parse_request

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

HANDS = ("bench", "power", "reset")
SIDES: dict[str, tuple[Kind, Callable[[bytes], Request | Reply | Notice | Malformed]]] = {
    ">": (Kind.HOST, parse_request),
    "<": (Kind.DEVICE, parse_answer),
}
"""Kinds of steps that are lines, whose they are, and what reads them."""
_NAME = re.compile(r"[a-z][a-z0-9_]*(?:\.[a-z0-9_]+)+")
_OPEN = re.compile(r"\{[^}]*\}")


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
    timed = [step for step in steps if step.at_s is not None]
    heard = told(_lines(timed), verbs=("ask",))
    hands = [(step.at_s or 0.0, step.text or step.kind) for step in timed if step.kind in HANDS]
    moving = {key: each for key, each in heard.numbers.items() if len({at for at, _ in each}) > 1}
    if not moving:
        return None
    spoken = set(_NAME.findall(about))
    moving = {key: each for key, each in moving.items() if key[0] in spoken} or moving
    times = [step.at_s or 0.0 for step in timed]
    first, last = min(times), max(times)
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
    return Trace(
        panels=tuple(panels),
        states=tuple((across(at), name) for at, name in heard.states),
        hands=tuple((across(at), what) for at, what in hands[:MOST_HANDS]),
        ticks=tuple(
            (across(first + after), f"{after:.4g}") for after in (0, (last - first) / 2, last - first)
        ),
        height=HEAD_PX + PANEL_PX * len(panels) + FOOT_PX,
    )


def _lines(steps: Iterable[Step]) -> Iterator[Line]:
    """Both sides' lines as a recording would have them; a word that was left open is some word."""
    pairing = Pairing()
    for step in steps:
        if step.kind in SIDES:
            kind, parse = SIDES[step.kind]
            data = _OPEN.sub("0000", step.text.removesuffix(" ~{check}")).encode()
            line = Line(round((step.at_s or 0.0) * NS_PER_S), kind, data, meaning=parse(data))
            pairing.take(line)
            yield line
