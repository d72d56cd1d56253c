"""The plane of voltage and current in a report: where limits and trips leave room, and what was read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from wirevow.protocol.expression import ExpressionError
from wirevow.protocol.plane import at, axes, borders, top
from wirevow.protocol.vow import Vow

WIDTH_PX = 480
HEIGHT_PX = 300
LEFT_PX = 48
FOOT_PX = 36
TOP_PX = 12
COLUMNS = 64
ROWS = 32
CLOSER = 5
"""Halvings between two rows, to find where the room ends."""


@dataclass(frozen=True, slots=True)
class Plane:
    """The picture, laid out."""

    room: str
    """Outline of where limits and trips leave room, for a polygon; empty for none."""
    dots: tuple[tuple[float, float, str], ...]
    """Operating points: place, and what they were."""
    states: tuple[str, ...]
    """In which the points were read."""
    across: tuple[tuple[float, str], ...]
    """Ticks of the voltage, in V."""
    up: tuple[tuple[float, str], ...]
    """Ticks of the current, in A."""
    bounds: tuple[str, ...]
    """What bounds the room."""
    width: int = WIDTH_PX
    height: int = HEIGHT_PX
    left: int = LEFT_PX
    top: int = TOP_PX

    @property
    def base(self) -> int:
        """Where the current is zero."""
        return self.height - FOOT_PX


def plane(vow: Vow, points: Sequence[tuple[str, float, float]]) -> Plane | None:
    """Lay out operating points (state, V, A) in the room at the default settings; None for no plane."""
    readings = axes(vow)
    if not readings:
        return None
    volts, amperes = top(vow, readings, "V"), top(vow, readings, "A")
    bounds = list(borders(vow, readings))
    defaults = {entry.name: entry.exact(entry.default) for entry in vow.settings}

    def inside(x: Fraction, y: Fraction) -> bool:
        values = {**defaults, **at(readings, x, y)}
        try:
            return all(condition.truth(values) == holds for _, condition, holds in bounds)
        except ExpressionError:
            return False

    def place(x: float, y: float) -> tuple[float, float]:
        wide, high = WIDTH_PX - LEFT_PX - 8, HEIGHT_PX - FOOT_PX - TOP_PX
        return (
            round(LEFT_PX + x / float(volts) * wide, 1),
            round(HEIGHT_PX - FOOT_PX - y / float(amperes) * high, 1),
        )

    lower, upper = [], []
    for column in range(COLUMNS + 1) if bounds else ():
        x = volts * column / COLUMNS
        held = [row for row in range(ROWS + 1) if inside(x, amperes * row / ROWS)]
        if not held:
            continue
        low, high = Fraction(held[0]), Fraction(held[-1])
        if high < ROWS:
            step = Fraction(1, 2)
            for _ in range(CLOSER):
                high += step if inside(x, amperes * (high + step) / ROWS) else 0
                step /= 2
        lower.append(place(float(x), float(amperes * low / ROWS)))
        upper.append(place(float(x), float(amperes * high / ROWS)))
    shown = [each for each in points if 0 <= each[1] <= volts and 0 <= each[2] <= amperes]
    return Plane(
        room=" ".join(f"{x},{y}" for x, y in [*upper, *reversed(lower)]),
        dots=tuple((*place(x, y), f"{state}: {x:.4g} V, {y:.4g} A") for state, x, y in shown),
        states=tuple(name for name in vow.states if any(name == state for state, _, _ in shown)),
        across=tuple((place(value, 0)[0], f"{value:g}") for value in _ticks(float(volts))),
        up=tuple((place(0, value)[1], f"{value:g}") for value in _ticks(float(amperes))),
        bounds=tuple(name for name, _, _ in bounds),
    )


def _ticks(top: float) -> list[float]:
    """About five round values up to it."""
    for step in (each * 10.0**power for power in range(-6, 7) for each in (1, 2, 5)):
        if top / step <= 6:
            return [step * index for index in range(int(top / step) + 1)]
    return [0.0]
