"""A picture of what a recording says of an instrument: readings over time, states, and trips."""

from __future__ import annotations

import re
from collections.abc import Iterator
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.figures import COLOURS, GREY, RED, figure, label, time_unit
from wirevow.protocol.journal.exchanges import lines
from wirevow.protocol.journal.reading import Journal
from wirevow.protocol.message import Notice, Reply

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PANELS = 6
MOST_EVENTS = 40
NS_PER_S = 1_000_000_000
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")


def readings(journal: Journal, pattern: str) -> Figure:
    """Numbers whose point's name fits the pattern, as the host was told them, against time.

    Changes of state are marked, trips in red. Raises WirevowError if there is nothing to draw.
    """
    seen: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
    events: list[tuple[float, str, bool]] = []
    for at_s, name, words in _told(journal):
        if name in ("state", "trip"):
            events.append((at_s, " ".join(words[:1]), name == "trip"))
        elif fnmatchcase(name, pattern) and words and _NUMBER.fullmatch(words[0]):
            times, values = seen.setdefault((name, words[1] if len(words) > 1 else ""), ([], []))
            times.append(at_s)
            values.append(float(words[0]))
    if not seen:
        raise WirevowError(
            f"{journal.path}: no point {pattern} with a number was read or set in it; "
            f"`wirevow journal {journal.path}` shows what was"
        )
    if len(seen) > MOST_PANELS:
        names = ", ".join(name for name, _ in seen)
        raise WirevowError(
            f"{journal.path}: {pattern} fits {len(seen)} points, more than one picture holds ({MOST_PANELS}):"
            f" {names}"
        )
    last_s = max(times[-1] for times, _ in seen.values())
    unit, scale = time_unit(last_s) if last_s > 120 else ("seconds", 1.0)
    title = f"{journal.path.name}: {journal.head.document or journal.head.port}"
    made, panels = figure([1.3] * len(seen), title=title)
    for index, (panel, ((name, of), (times, values))) in enumerate(zip(panels, seen.items(), strict=True)):
        panel.plot([at_s / scale for at_s in times], values, color=COLOURS[index % len(COLOURS)],
                   linewidth=1.1, marker=".", markersize=3)  # fmt: skip
        panel.margins(y=0.15)
        for at_s, word, trips in events[:MOST_EVENTS]:
            colour = RED if trips else GREY
            panel.axvline(at_s / scale, color=colour, linewidth=0.7, linestyle=(0, (2, 3)))
            if not index:
                panel.annotate(word, (at_s / scale, 1.0), xycoords=("data", "axes fraction"), xytext=(2, 2),
                               textcoords="offset points", fontsize=7, color=colour)  # fmt: skip
        label(panel, f"{name}\n{of}")
    panels[-1].set_xlabel(f"{unit} since the recording began", fontsize=9)
    return made


def _told(journal: Journal) -> Iterator[tuple[float, str, tuple[str, ...]]]:
    """Time, name and words of every good answer to an `ask` or `put`, and of notices."""
    for line in lines(journal.records()):
        match line.meaning:
            case Notice(_, event, words):
                yield line.ns / NS_PER_S, event, words
            case Reply(_, True, words) if line.name:
                yield line.ns / NS_PER_S, line.name, words
