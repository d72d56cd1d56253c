"""Pictures of what a document says: states, limits in the plane of voltage and current, fan and derating."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

from wirevow.emu.control.cooling import DeratingCurve, FanCurve
from wirevow.protocol.conformance.suite.drawing import svg
from wirevow.protocol.conformance.suite.machine import Machine
from wirevow.protocol.document.model import Derating, Fan
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.expression import Comparison, Expression, ExpressionError
from wirevow.protocol.expression.tree import Word
from wirevow.protocol.figures import BLUE, COLOURS, GREY, RED, figure, label
from wirevow.protocol.plane import at, axes, borders, top
from wirevow.protocol.vow import Vow

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CELLS = 48
"""Of the plane, each way."""


def states(vow: Vow) -> str:
    """Which action leads from which state to which, and what does so unasked, as an SVG image."""
    names = tuple(vow.states)
    rows: list[list[tuple[str, int]]] = [[] for _ in names]
    marked: dict[tuple[int, int], str] = {}
    inputs: list[str] = []

    def add(given: str, to: Mapping[str, str], remark: str | None = None) -> None:
        for index, name in enumerate(names):
            step = ("", names.index(to.get(name, name)))
            # One arrow for all that leads the same way: a second would cover the first.
            if remark is not None and name in to and step not in rows[index]:
                marked[index, len(inputs)] = remark
            rows[index].append(step)
        inputs.append(given)

    for action in vow.actions.values():
        add(action.name, action.to)
    for name, state in vow.states.items():
        for leave in state.leaves:
            add("by itself", {name: leave.to})
    for to in dict.fromkeys(trip.to for trip in vow.trips.values()):
        armed = {state for trip in vow.trips.values() if trip.to == to for state in trip.armed_in}
        add("a trip", dict.fromkeys(armed, to), "protection")
    machine = Machine(tuple(inputs), tuple(tuple(row) for row in rows), names)
    return svg(machine, f"States of {vow.identity[0]}", marked, margin=100.0)


def plane(vow: Vow) -> Figure | None:
    """Where limits and trips leave room, at the default settings; None where nothing bounds the plane."""
    readings = axes(vow)
    bounds = list(borders(vow, readings))
    if not bounds:
        return None
    volts, amperes = top(vow, readings, "V"), top(vow, readings, "A")
    defaults = {entry.name: entry.exact(entry.default) for entry in vow.settings}
    xs = [volts * column / CELLS for column in range(CELLS + 1)]
    ys = [amperes * row / CELLS for row in range(CELLS + 1)]

    def spare(condition: Expression, holds: bool, x: Fraction, y: Fraction) -> float:
        """How far inside, in the condition's own unit, so that borders are smooth; below zero outside."""
        values = {**defaults, **at(readings, x, y)}
        try:
            good = condition.truth(values) == holds
            root = condition.root
            if isinstance(root, Comparison) and not isinstance(root.left, Word):
                assert not isinstance(root.right, Word)
                left, right = Expression.of(root.left), Expression.of(root.right)
                room = abs(float(left.number(values) - right.number(values)))
            else:
                room = 1.0
        except ExpressionError:
            return -1.0
        return room if good else -room

    made, (panel,) = figure([4.2], title=f"Limits and trips of {vow.identity[0]} at the default settings")
    flat_x, flat_y = [float(x) for x in xs], [float(y) for y in ys]
    room = [[math.inf] * len(xs) for _ in ys]
    for index, (name, condition, holds) in enumerate(bounds):
        grid = [[spare(condition, holds, x, y) for x in xs] for y in ys]
        room = [list(map(min, *each)) for each in zip(room, grid, strict=True)]
        if min(map(min, grid)) < 0 < max(map(max, grid)):
            colour = COLOURS[index % len(COLOURS)]
            style = "solid" if holds else "dashed"
            panel.contour(flat_x, flat_y, grid, levels=[0.0], colors=colour, linestyles=style, linewidths=1.3)
            panel.plot([], [], color=colour, linestyle=style, label=name)
    panel.contourf(flat_x, flat_y, room, levels=[0.0, math.inf], colors=["#e3eef8"])
    panel.legend(fontsize=8, loc="upper right", framealpha=1.0)
    panel.set_xlabel("voltage, V", fontsize=9)
    label(panel, "current\nA")
    return made


def fan(section: Fan) -> Figure:
    """The fan's duty over temperature, rising and falling."""
    made, (axis,) = figure([2.4], title="Fan")
    _fan(axis, section)
    return made


def derating(section: Derating) -> Figure:
    """The share of a ceiling that is left over temperature."""
    made, (axis,) = figure([2.2], title="Derating")
    _derating(axis, section)
    return made


def cooling(vow: Vow) -> Figure:
    """Fan and derating, one above the other. Raises WirevowError for a document without either."""
    document = vow.document
    panels: list[Callable[[Axes], None]] = []
    if document.fan is not None:
        panels.append(partial(_fan, section=document.fan))
    if document.derating is not None:
        panels.append(partial(_derating, section=document.derating))
    if not panels:
        raise WirevowError(f"{vow.identity[0]} has neither fan: nor derating: draw a document that has")
    made, axes = figure([2.3] * len(panels), title=f"Cooling of {vow.identity[0]}", shared=False)
    for draw, axis in zip(panels, axes, strict=True):
        draw(axis)
    return made


def _fan(axis: Axes, section: Fan) -> None:
    levels = [float(drive.at) for drive in section.drives()]
    duties = [0.0, *(float(drive.duty) for drive in section.drives())]
    curve = FanCurve(section.tick, tuple(levels), tuple(duties[1:]), float(section.hysteresis))
    low, high = levels[0] - curve.hysteresis_kelvin - 8, levels[-1] + 8
    points = [low + (high - low) * step / 600 for step in range(601)]
    for way, colour, style, name in (
        (points, RED, "solid", "while it warms"),
        (points[::-1], BLUE, "dashed", "while it cools"),
    ):
        level = 0
        seen = []
        for celsius in way:
            level = curve.level(level, celsius)
            seen.append(100 * duties[level])
        axis.plot(way, seen, color=colour, linestyle=style, linewidth=1.4, label=name)
    axis.legend(fontsize=8, frameon=False)
    axis.set_xlabel(f"{section.temperature}, °C", fontsize=9)
    label(axis, "duty\n%")


def _derating(axis: Axes, section: Derating) -> None:
    start, end = float(section.start), float(section.end)
    curve = DeratingCurve(start, end, float(section.floor))
    margin = (end - start) / 2
    points = [start - margin, start, end, end + margin]
    axis.plot(points, [100 * curve.share(each) for each in points], color=RED, linewidth=1.5)
    for mark in (start, end):
        axis.axvline(mark, color=GREY, linewidth=0.8, linestyle=(0, (4, 3)))
    axis.set_ylim(0, 108)
    axis.set_xlabel(f"{section.temperature}, °C", fontsize=9)
    label(axis, f"share of\n{section.ceiling}\n%")
