"""A curve in the terminal, while something goes on. Drawn by uniplot, which is an extra (`console`)."""

from __future__ import annotations

from collections.abc import Sequence

from wirevow.protocol.figures import time_unit

HEIGHT = 7
MOST_POINTS = 600
NARROWEST = 40
"""Columns of a terminal; in a narrower one nothing is drawn."""
_SHORT = {"hours": "h", "minutes": "min", "seconds": "s"}
_FRAME = 14
"""Columns for the frame and the labels of the values."""


def curve(
    seconds: Sequence[float], values: Sequence[float], title: str, unit: str, columns: int, encoding: str
) -> list[str]:
    """The lines of a picture of values against time; none if it cannot be drawn here.

    `columns` is the terminal's width, `encoding` its characters' (`sys.stderr.encoding`).
    """
    if len(values) < 2 or seconds[-1] <= seconds[0] or columns < NARROWEST:
        return []
    if encoding.lower().replace("-", "") != "utf8":
        return []
    try:
        from uniplot import plot_to_string
    except ImportError:
        return []
    name, scale = time_unit(seconds[-1])
    every = -(-len(values) // MOST_POINTS)
    drawn = plot_to_string(
        xs=[each / scale for each in seconds[::every]],
        ys=list(values[::every]),
        title=title,
        width=columns - _FRAME,
        height=HEIGHT,
        lines=True,
        color=False,
        character_set="braille",
        x_unit=f" {_SHORT[name]}",
        y_unit=f" {unit}" if unit not in ("", "1") else "",
    )
    return [line[:columns] for line in drawn.splitlines()]
