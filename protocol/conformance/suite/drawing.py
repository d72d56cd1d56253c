"""A state machine as a picture: text for Graphviz, and an SVG of our own for those who do not have it.

Drawn are the transitions that change the state and those marked; what leaves a state as it is would hide
them. Nothing here needs a library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from xml.sax.saxutils import escape

from wirevow.protocol.conformance.suite.machine import Machine

RED = "#c03020"
INK = "#303030"
MOST_LABELS = 4
"""Inputs written at one arrow of the SVG; the text for Graphviz has all."""


@dataclass(frozen=True, slots=True)
class Edge:
    """All inputs that lead from one state to another alike."""

    source: int
    to: int
    marked: bool
    inputs: tuple[str, ...]


def edges(machine: Machine, marked: Mapping[tuple[int, int], str]) -> list[Edge]:
    """The arrows of a machine. `marked`: state and input of a transition, and a remark to write at it."""
    found: dict[tuple[int, int, bool], list[str]] = {}
    for state, row in enumerate(machine.table):
        for given, (_, to) in enumerate(row):
            remark = marked.get((state, given))
            if to != state or remark is not None:
                label = machine.inputs[given] + (f" [{remark}]" if remark else "")
                found.setdefault((state, to, remark is not None), []).append(label)
    return [Edge(*key, tuple(labels)) for key, labels in found.items()]


def dot(machine: Machine, title: str, marked: Mapping[tuple[int, int], str]) -> str:
    """The machine in the DOT language."""
    lines = [
        f"digraph {_quoted(title)} {{",
        f"  label={_quoted(title)}; rankdir=LR; node [shape=box, style=rounded];",
        "  start [shape=point];",
        "  start -> s0;",
    ]
    lines += [f"  s{state} [label={_quoted(machine.name(state))}];" for state in range(len(machine))]
    for edge in edges(machine, marked):
        colour = f", color={_quoted(RED)}, fontcolor={_quoted(RED)}" if edge.marked else ""
        label = "\\n".join(_quoted(each)[1:-1] for each in edge.inputs)
        lines.append(f'  s{edge.source} -> s{edge.to} [label="{label}"{colour}];')
    return "\n".join([*lines, "}", ""])


def svg(machine: Machine, title: str, marked: Mapping[tuple[int, int], str], *, margin: float = 190.0) -> str:
    """The machine as an SVG image: its states on a circle, in the order of their cover.

    `margin` is the room around the circle; it holds what leaves a state as it is, if that is drawn.
    """
    count = len(machine)
    radius = 130.0 + 34.0 * count
    middle = radius + margin
    size = 2 * middle
    places = [
        (
            middle + radius * math.sin(2 * math.pi * state / count),
            middle - radius * math.cos(2 * math.pi * state / count),
        )
        for state in range(count)
    ]
    if count == 1:
        places = [(middle, middle)]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size:.0f} {size:.0f}">',
        '<g font-family="sans-serif" font-size="14">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{size:.0f}" height="{size:.0f}" fill="white"/>',
        f'<text x="20" y="28" font-size="16">{escape(title)}</text>',
        "<defs>",
        *(
            f'<marker id="{name}" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7" '
            f'orient="auto"><path d="M0,0 L10,5 L0,10 z" fill="{colour}"/></marker>'
            for name, colour in (("ink", INK), ("red", RED))
        ),
        "</defs>",
    ]
    for edge in edges(machine, marked):
        parts.append(_arrow(places, edge, middle))
    for state, (x, y) in enumerate(places):
        width = 8.6 * len(machine.name(state)) + 16
        line = 2.5 if state == 0 else 1.2
        parts.append(
            f'<rect x="{x - width / 2:.1f}" y="{y - 13:.1f}" width="{width:.1f}" height="26" rx="9" '
            f'fill="#f2f5f8" stroke="{INK}" stroke-width="{line}"/>'
            f'<text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" font-size="15">'
            f"{escape(machine.name(state))}</text>"
        )
    return "\n".join([*parts, "</g>", "</svg>", ""])


def _arrow(places: list[tuple[float, float]], edge: Edge, middle: float) -> str:
    (x, y), (to_x, to_y) = places[edge.source], places[edge.to]
    colour, marker = (RED, "red") if edge.marked else (INK, "ink")
    if edge.source == edge.to:
        out_x, out_y = x - middle, y - middle
        away = max(1.0, math.hypot(out_x, out_y))
        out_x, out_y = out_x / away * 70, out_y / away * 70
        path = (
            f"M{x:.1f},{y:.1f} C{x + out_x - out_y * 0.5:.1f},{y + out_y + out_x * 0.5:.1f} "
            f"{x + out_x + out_y * 0.5:.1f},{y + out_y - out_x * 0.5:.1f} {x:.1f},{y:.1f}"
        )
        label_x, label_y = x + out_x * 0.9, y + out_y * 0.9
    else:
        # Bent to its own left, so that there and back are two arrows; it ends at the rim of the box.
        length = math.hypot(to_x - x, to_y - y)
        side_x, side_y = (to_y - y) / length, -(to_x - x) / length
        bend = 0.14 * length
        mid_x, mid_y = (x + to_x) / 2 + side_x * bend, (y + to_y) / 2 + side_y * bend
        towards = math.hypot(mid_x - to_x, mid_y - to_y)
        end_x, end_y = to_x + (mid_x - to_x) / towards * 26, to_y + (mid_y - to_y) / towards * 18
        path = f"M{x:.1f},{y:.1f} Q{mid_x:.1f},{mid_y:.1f} {end_x:.1f},{end_y:.1f}"
        # A third of the way: labels of arrows that cross in the middle stay apart.
        label_x, label_y = 0.45 * x + 0.44 * mid_x + 0.11 * to_x, 0.45 * y + 0.44 * mid_y + 0.11 * to_y
    shown = list(edge.inputs[:MOST_LABELS])
    if len(edge.inputs) > MOST_LABELS:
        shown.append(f"and {len(edge.inputs) - MOST_LABELS} more")
    rows = "".join(
        f'<tspan x="{label_x:.1f}" dy="{0 if row == 0 else 15}">{escape(text)}</tspan>'
        for row, text in enumerate(shown)
    )
    return (
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{1.8 if edge.marked else 1}" '
        f'marker-end="url(#{marker})"/>'
        f'<text x="{label_x:.1f}" y="{label_y:.1f}" text-anchor="middle" fill="{colour}" '
        f'stroke="white" stroke-width="3" paint-order="stroke">{rows}</text>'
    )


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
