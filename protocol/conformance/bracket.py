"""How well a number that is promised has been shown.

A check never shows a number, only an interval in which it lies. What brackets which promise is one table
(`WAYS`); a promise with a number in it is passed only if its interval excludes that the number is off by a
tenth, or by twice the accuracy of what shows it if that is more (`judged`). Else it is not selected, with
what was shown and what would show more.

===========  ================================================================================================
evidence     what it is
===========  ================================================================================================
`Look`       what was read, with which settings, and whether a condition acted: it bounds each number of it
`Bracket`    a number of the instrument and the interval in which it lies; two of them make it narrower
`Kept`       a quantity that has to stay within a bound, and the farthest that was seen; two make it wider
===========  ================================================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Any

from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import (
    And,
    Comparison,
    Condition,
    Expression,
    ExpressionError,
    Or,
    Threshold,
    Word,
)
from wirevow.protocol.expression.interval import bounds
from wirevow.protocol.expression.tree import Number, Quantity, names, walk, write

OFF = Fraction(1, 10)
"""A number that is off by this share of it has to be noticed."""


def needed(number: Fraction, accuracy: Fraction) -> Fraction:
    """The deviation that has to be excluded, where what shows it is accurate to `accuracy`."""
    return max(abs(number) * OFF, 2 * accuracy)


@dataclass(frozen=True, slots=True)
class Bracket:
    """A number of the instrument, in `unit`, and the interval in which it lies. None: that side is open."""

    what: str
    number: Fraction
    """As promised."""
    needed: Fraction
    """The deviation that has to be excluded."""
    unit: str
    low: Fraction | None = None
    high: Fraction | None = None
    closer: tuple[bool, bool] = (False, False)
    """Whether a look with another accuracy has excluded such a deviation below, and above."""

    @property
    def excluded(self) -> tuple[bool, bool]:
        """Whether such a deviation is excluded below, and above."""
        below = self.low is not None and self.low > self.number - self.needed
        above = self.high is not None and self.high <= self.number + self.needed
        return below or self.closer[0], above or self.closer[1]

    @property
    def shown(self) -> bool:
        """Whether such a deviation is excluded to either side."""
        return all(self.excluded)

    @property
    def refuted(self) -> bool:
        """Whether the number surely deviates as much."""
        below = self.high is not None and self.high < self.number - self.needed
        return below or (self.low is not None and self.low > self.number + self.needed)

    @property
    def words(self) -> str:
        """For a report."""
        if self.low is None and self.high is None:
            seen = "not bracketed"
        elif self.low is None:
            seen = f"at most {_text(self.high, self.unit)}"
        elif self.high is None:
            seen = f"at least {_text(self.low, self.unit)}"
        else:
            seen = f"between {_text(self.low)} and {_text(self.high, self.unit)}"
        promised = _text(self.number, self.unit)
        return f"{self.what} {seen}" + ("" if promised in self.what else f", {promised} promised")

    def joined(self, other: Bracket) -> Bracket:
        """Both looks at the same number; of looks at two values of it the one that shows more."""
        if other.number != self.number:
            return min(self, other, key=Bracket._open)
        low = max((each for each in (self.low, other.low) if each is not None), default=None)
        high = min((each for each in (self.high, other.high) if each is not None), default=None)
        closer = (self.excluded[0] or other.excluded[0], self.excluded[1] or other.excluded[1])
        return replace(self, low=low, high=high, needed=min(self.needed, other.needed), closer=closer)

    def _open(self) -> Fraction:
        """How far the interval reaches beyond the number, in deviations that have to be excluded."""
        if self.low is None or self.high is None or not self.needed:
            return Fraction(10**9)
        return max(self.number - self.low, self.high - self.number) / self.needed


@dataclass(frozen=True, slots=True)
class Kept:
    """A quantity that has to stay within `bound`, and how far it came, in `unit`."""

    what: str
    bound: Fraction
    most: Fraction
    accuracy: Fraction
    unit: str
    needed: Fraction = Fraction(0)

    @property
    def shown(self) -> bool:
        """Whether it is excluded that the bound is passed by a tenth of it, or by twice the accuracy."""
        return self.most + self.accuracy <= self.bound + max(self.needed, needed(self.bound, self.accuracy))

    @property
    def refuted(self) -> bool:
        """Never: who holds the quantity against its bound judges that."""
        return False

    @property
    def words(self) -> str:
        """For a report."""
        within = f" ± {_text(self.accuracy)}" if self.accuracy else ""
        return f"{self.what} at most {_text(self.most)}{within}, {_text(self.bound, self.unit)} allowed"

    def joined(self, other: Kept) -> Kept:
        """The one that came nearer to its bound."""
        return max(self, other, key=lambda each: each.most + each.accuracy - each.bound)


Evidence = Bracket | Kept


def _text(value: Fraction | None, unit: str = "") -> str:
    shown = f"{float(value or 0):.4g}"
    return f"{shown} {unit}" if unit not in ("", "1") else shown


# --------------------------------------------------------------------------------------------- the table


@dataclass(frozen=True, slots=True)
class Way:
    """How promises of one kind are bracketed."""

    section: str
    aspect: str
    by: str
    more: str
    """What would show more, where these hands cannot."""


_HELD = "a rig that holds the clock"
WAYS = (
    Way("trip", "threshold", "looks", "a bench event that brings what it looks at closer to it"),
    Way("trip", "clears", "looks", "a bench event that brings what it looks at closer to it"),
    Way("trip", "delay", "time", f"{_HELD}, and a bench event that begins its condition at once"),
    Way("state", "leave", "time", f"{_HELD}, and a bench event that begins its condition at once"),
    Way("limit", "", "pressing on it", "settings, or a bench event, that press on it (`provoke`)"),
    Way("law", "", "the largest deviation", "a provocation in a state that can be reached here (`provoke`)"),
    Way("fan", "curve", "temperatures", f"{_HELD}, and a bench event that warms it slowly (`moves`)"),
    Way("fan", "hysteresis", "temperatures", f"{_HELD}, and a bench event that warms it slowly (`moves`)"),
    Way("fan", "tick", "time", f"{_HELD}, and a bench event that warms it quickly (`moves`)"),
    Way("derating", "", "temperatures", f"{_HELD}, and a provocation that warms it further"),
    Way("wire", "idle", "time", f"{_HELD}"),
    Way("action", "ticket", "time", "a check that may start what the ticket is for"),
    Way("point", "accuracy", "the bench", f"{_HELD}, or a reference meter"),
)


def way_of(requirement: Requirement) -> Way | None:
    """How a requirement's numbers are bracketed; None if it has none, or what is known of them is exact."""
    aspect = "leave" if requirement.aspect.startswith("leave.") else requirement.aspect
    return next((each for each in WAYS if (each.section, each.aspect) == (requirement.section, aspect)), None)


def has_number(document: Document, requirement: Requirement) -> bool:
    """Whether a promise of a kind in the table has a number that a check has to bracket."""
    if requirement.section == "state":
        leave = document.states[requirement.element].leaves[int(requirement.aspect.partition(".")[2]) - 1]
        return leave.after > 0
    if requirement.section == "action":
        return document.actions[requirement.element].gives_ticket is not None
    if requirement.aspect == "clears":
        condition = document.trips[requirement.element].cleared_when
        return condition is not None and any(isinstance(n, Number) and n.value for n in walk(condition.root))
    if requirement.section == "law":
        law = document.laws[requirement.element]
        return law.holds is not None or law.integral_of is not None or law.elapses is not None
    return True


def judged(
    document: Document, requirement: Requirement, verdict: Verdict, found: Iterable[Evidence]
) -> tuple[Verdict, str]:
    """The verdict on a promise by its evidence, and what was shown, or why it is not passed, in words."""
    found = list(found)
    words = "; ".join(each.words for each in found)
    way = way_of(requirement)
    if verdict is not Verdict.PASS or way is None or not has_number(document, requirement):
        return verdict, words
    if found and all(each.shown for each in found):
        return verdict, words
    if not found:
        return Verdict.NONE, f"its number was not shown, and may be off by a tenth; {way.more} would show it"
    off = f"{' and '.join(each.what for each in found if not each.shown)} may be off by a tenth"
    return Verdict.NONE, f"shown: {words}; {off}; {way.more} would show more"


# ------------------------------------------------------------------------------------------------ relations


def kept(
    condition: Expression, seen: Mapping[str, Fraction | int | str], width: Mapping[str, Fraction], unit: str
) -> list[Kept]:
    """How far the comparisons that make a relation true came to their bounds.

    `width` is the accuracy of each reading, none for what is exact. Where something exact makes it true, such
    as a word, nothing was shown.
    """
    return list(_kept(condition.atoms(), seen, width, unit))


def _kept(
    node: Condition, seen: Mapping[str, Fraction | int | str], width: Mapping[str, Fraction], unit: str
) -> Iterator[Kept]:
    match node:
        case And(parts=parts):
            for part in parts:
                yield from _kept(part, seen, width, unit)
        case Or(parts=parts):
            true = [part for part in parts if Expression.of(part).truth(seen)]
            if true and all(names(part) & width.keys() for part in true):
                yield from _kept(true[0], seen, width, unit)
        case Comparison(left=left, relation=relation, right=right) if names(node) & width.keys():
            if relation in (">", ">="):
                left, right = right, left
            elif relation not in ("<", "<="):
                return
            if isinstance(left, Word) or isinstance(right, Word):
                return
            ranges = {name: _range(seen[name], width.get(name, Fraction(0))) for name in names(node)}
            most, bound = (Expression.of(each).number(seen) for each in (left, right))
            halves = [(high - low) / 2 for low, high in (bounds(each, ranges) for each in (left, right))]
            floor = not names(left) & width.keys()
            what = f"the floor {write(left)} of {write(right)}" if floor else write(left)
            yield Kept(what, bound, most, sum(halves, Fraction(0)), unit)


def _range(value: Fraction | int | str, width: Fraction) -> tuple[Fraction, Fraction]:
    exact = Fraction(value)
    return exact - width, exact + width


# ---------------------------------------------------------------------------------------------------- looks


@dataclass(frozen=True, slots=True)
class Look:
    """What was read, the settings in force in their own units, and whether the condition acted."""

    value: Fraction
    settings: Mapping[str, Fraction]
    acted: bool


def brackets(
    threshold: Threshold, accuracy: Fraction, looks: Sequence[Look], unit: str = ""
) -> list[Bracket]:
    """One for each number in the threshold. `accuracy` is that of the reading, at the threshold."""
    root = threshold.expression.root
    found: list[Bracket] = []
    for index, node in enumerate(each for each in walk(root) if isinstance(each, Number)):
        if not node.value:
            continue  # a tenth of nothing is nothing
        own = _in_its_unit(threshold, root, index, node.value, looks)
        found.append(
            Bracket(
                what=f"the number {_text(node.value, unit if own else '')}",
                number=node.value,
                needed=needed(node.value, accuracy if own else Fraction(0)),
                unit=unit if own else "",
            )
        )
        for look in looks:
            at = _number_at(threshold, root, index, node.value, look)
            if at is not None:
                number, rises = at
                upper = look.acted == (threshold.above == rises)
                side = replace(found[-1], high=number) if upper else replace(found[-1], low=number)
                found[-1] = found[-1].joined(side)
    return found


def _number_at(
    threshold: Threshold, root: Any, index: int, number: Fraction, look: Look
) -> tuple[Fraction, bool] | None:
    """What a number would be if the threshold were just at what was read, and whether it rises with it."""
    here, further = (_level(threshold, root, index, each, look) for each in (number, number + 1))
    if here is None or further is None or here == further:
        return None
    at = number + (look.value - here) / (further - here)
    if _level(threshold, root, index, at, look) != look.value:
        return None  # it is not straight: this look says nothing simple
    return at, further > here


def _level(threshold: Threshold, root: Any, index: int, moved: Fraction, look: Look) -> Fraction | None:
    tree, _ = _with_number(root, index, moved)
    try:
        return replace(threshold.expression, root=tree).number(look.settings)
    except ExpressionError:
        return None


def _in_its_unit(threshold: Threshold, root: Any, index: int, value: Fraction, looks: Sequence[Look]) -> bool:
    """Whether the threshold moves by as much as the number does, so that its unit is that of the reading."""
    for look in looks:
        # Whatever the settings are: a factor of a setting that is just 1 is none.
        others = replace(look, settings={name: each + 1 for name, each in look.settings.items()})
        for each in (look, others):
            ends = [_level(threshold, root, index, moved, each) for moved in (value, value + 1)]
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
