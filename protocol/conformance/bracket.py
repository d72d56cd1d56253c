"""How well a number that is promised has been shown.

A check never shows a number, only an interval in which it lies. A *look* at a condition is what was read,
with which settings, and whether it acted. A number of the condition is shown if the looks together exclude
that it is off by a tenth, or by twice the accuracy of the reading if that is more: with the number moved so
far to either side, at least one look would have gone the other way. Else it is no pass, and what was shown
is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Any

from wirevow.protocol.expression import ExpressionError, Threshold
from wirevow.protocol.expression.tree import Number, Quantity, walk

OFF = Fraction(1, 10)
"""A number that is off by this share of it has to be noticed."""


@dataclass(frozen=True, slots=True)
class Look:
    """What was read, the settings in force in their own units, and whether the condition acted."""

    value: Fraction
    settings: Mapping[str, Fraction]
    acted: bool


@dataclass(frozen=True, slots=True)
class Bracket:
    """A number of a condition, and whether the looks show it."""

    number: Fraction
    needed: Fraction
    """The deviation that has to be excluded."""
    shown: bool


def brackets(threshold: Threshold, accuracy: Fraction, looks: Sequence[Look]) -> list[Bracket]:
    """One for each number in the threshold. `accuracy` is that of the reading, at the threshold."""
    root = threshold.expression.root
    found = []
    for index, node in enumerate(each for each in walk(root) if isinstance(each, Number)):
        needed = abs(node.value) * OFF
        if _in_its_unit(threshold, root, index, looks):
            needed = max(needed, 2 * accuracy)
        excluded = [
            any(_differs(threshold, root, index, node.value + side * needed, look) for look in looks)
            for side in (-1, 1)
        ]
        found.append(Bracket(node.value, needed, all(excluded)))
    return found


def nearest(looks: Sequence[Look], threshold: Threshold) -> tuple[Look | None, Look | None]:
    """The looks nearest to the threshold: one that did not act, one that did."""

    def distance(look: Look) -> Fraction:
        return abs(look.value - threshold.expression.number(look.settings))

    quiet = min((look for look in looks if not look.acted), key=distance, default=None)
    return quiet, min((look for look in looks if look.acted), key=distance, default=None)


def _differs(threshold: Threshold, root: Any, index: int, moved: Fraction, look: Look) -> bool:
    """Whether the condition with one of its numbers moved would have gone the other way."""
    level = _level(threshold, root, index, moved, look)
    return level is not None and ((look.value > level) == threshold.above) != look.acted


def _level(threshold: Threshold, root: Any, index: int, moved: Fraction, look: Look) -> Fraction | None:
    tree, _ = _with_number(root, index, moved)
    try:
        return replace(threshold.expression, root=tree).number(look.settings)
    except ExpressionError:
        return None


def _in_its_unit(threshold: Threshold, root: Any, index: int, looks: Sequence[Look]) -> bool:
    """Whether the threshold moves by as much as the number does, so that its unit is that of the reading."""
    value = next(
        each.value
        for place, each in enumerate(each for each in walk(root) if isinstance(each, Number))
        if place == index
    )
    for look in looks:
        ends = [_level(threshold, root, index, moved, look) for moved in (value, value + 1)]
        if ends[0] is None or ends[1] is None or abs(ends[1] - ends[0]) != 1:
            return False
    return True


def _with_number(node: Any, index: int, value: Fraction) -> tuple[Any, int]:
    """The tree with its number at `index`, in the order of `walk`, put to `value`; and the index left."""
    if isinstance(node, Number):
        return (replace(node, value=value) if index == 0 else node), index - 1
    changes: dict[str, Any] = {}
    for each in fields(node) if hasattr(node, "__dataclass_fields__") else ():
        held = getattr(node, each.name)
        if isinstance(held, tuple):
            parts = []
            for part in held:
                part, index = _with_number(part, index, value)
                parts.append(part)
            changes[each.name] = tuple(parts)
        elif isinstance(held, Quantity):
            changes[each.name], index = _with_number(held, index, value)
    return (replace(node, **changes) if changes else node), index
