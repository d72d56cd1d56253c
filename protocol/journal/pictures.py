"""A picture of what a recording says of an instrument: readings over time, states, and trips."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.figures import COLOURS, GREY, RED, figure, label, time_unit
from wirevow.protocol.journal.exchanges import lines, told
from wirevow.protocol.journal.reading import Journal

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_PANELS = 6
MOST_EVENTS = 40


def readings(journal: Journal, pattern: str) -> Figure:
    """Numbers whose point's name fits the pattern, as the host was told them, against time.

    Changes of state are marked, trips in red. Raises WirevowError if there is nothing to draw.
    """
    heard = told(lines(journal.records()))
    seen = {key: each for key, each in heard.numbers.items() if fnmatchcase(key[0], pattern)}
    events = [(*each, GREY) for each in heard.states] + [(*each, RED) for each in heard.trips]
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
    unit, scale = time_unit(max(readings[-1][0] for readings in seen.values()))
    title = f"{journal.path.name}: {journal.head.document or journal.head.port}"
    made, panels = figure([1.3] * len(seen), title=title)
    for index, (panel, ((name, of), readings)) in enumerate(zip(panels, seen.items(), strict=True)):
        panel.plot([at_s / scale for at_s, _ in readings], [value for _, value in readings],
                   color=COLOURS[index % len(COLOURS)], linewidth=1.1, marker=".", markersize=3)  # fmt: skip
        panel.margins(y=0.15)
        for at_s, word, colour in sorted(events)[:MOST_EVENTS]:
            panel.axvline(at_s / scale, color=colour, linewidth=0.7, linestyle=(0, (2, 3)))
            if not index:
                panel.annotate(word, (at_s / scale, 1.0), xycoords=("data", "axes fraction"), xytext=(2, 2),
                               textcoords="offset points", fontsize=7, color=colour)  # fmt: skip
        label(panel, f"{name}\n{of}")
    panels[-1].set_xlabel(f"{unit} since the recording began", fontsize=9)
    return made
