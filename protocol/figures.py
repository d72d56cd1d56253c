"""How every picture looks, and how it is written. matplotlib (`pictures`) is imported with the first."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from wirevow.protocol.errors import WirevowError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, RED, GREEN, VIOLET = COLOURS = ("#1f5fa8", "#b8432f", "#2d7d46", "#6b4c9a")
GREY = "#666666"
ENDINGS = (".png", ".svg", ".pdf")


def figure(
    rows: Sequence[float], *, shared: bool = True, title: str | None = None
) -> tuple[Figure, list[Axes]]:
    """An empty figure with panels of these heights. Raises WirevowError without matplotlib."""
    try:
        from matplotlib.figure import Figure as NewFigure
    except ModuleNotFoundError:
        raise WirevowError("matplotlib is missing: install wirevow[pictures]") from None
    height = (0.8 if title is None else 1.6) + 1.05 * sum(rows)
    made = NewFigure(figsize=(8.6, height), layout="constrained", dpi=130)
    axes = made.subplots(len(rows), 1, sharex=shared, height_ratios=rows, squeeze=False)[:, 0]
    if title is not None:
        made.suptitle(title, fontsize=11, x=0.01, ha="left")
    for axis in axes:
        axis.grid(True, color="#dddddd", linewidth=0.6)
        axis.tick_params(labelsize=8)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    return made, list(axes)


def label(axis: Axes, text: str) -> None:
    """What a panel shows, level at its left."""
    axis.set_ylabel(text, fontsize=8.5, rotation=0, ha="right", va="center", labelpad=10)


def cut_off_line(axis: Axes, volts: float, at: float) -> None:
    """The end of discharge, with its name at `at`."""
    axis.axhline(volts, color=GREY, linewidth=0.8, linestyle=(0, (4, 3)))
    axis.annotate(f"cut-off {volts:g} V", (at, volts), xytext=(2, 3), textcoords="offset points",
                  fontsize=8, color=GREY)  # fmt: skip


def last_value(axis: Axes, text: str, at: tuple[float, float], colour: str) -> None:
    """What a curve ends at, written beside it."""
    axis.annotate(text, at, xytext=(-4, 5), textcoords="offset points", fontsize=8.5, color=colour,
                  ha="right")  # fmt: skip


def time_unit(seconds: float) -> tuple[str, float]:
    """The unit of a time axis, and the seconds in one."""
    if seconds > 2 * 3600:
        return "hours", 3600.0
    return ("minutes", 60.0) if seconds > 120 else ("seconds", 1.0)


def drawable(file: Path) -> Path:
    """The file, if its name says how it is drawn. Raises WirevowError."""
    if file.suffix.lower() not in ENDINGS:
        raise WirevowError(f"{file}: write a name that ends in .png, .svg or .pdf")
    return file


def svg_url(made: Figure) -> str:
    """A figure as a `data:` URL of an SVG, the same bytes every time."""
    import matplotlib

    stream = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "wirevow"}):
        made.savefig(stream, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def save(made: Figure, file: Path) -> None:
    """Write a picture. Raises WirevowError."""
    try:
        made.savefig(drawable(file))
    except OSError as error:
        raise WirevowError(f"{file}: it cannot be written ({error.strerror}): choose another place") from None
