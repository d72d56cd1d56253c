"""Expression: one parsed text and everything that can be asked of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from wirevow.protocol.expression import boundary, c, counting, evaluation, interval, parsing, threshold
from wirevow.protocol.expression.c import CFraction, Enumerator, Variable
from wirevow.protocol.expression.counting import Counts, Rounding
from wirevow.protocol.expression.evaluation import Value
from wirevow.protocol.expression.integer import Scales
from wirevow.protocol.expression.interval import Interval, Ranges
from wirevow.protocol.expression.tree import (
    CONDITIONS,
    Comparison,
    Condition,
    ExpressionError,
    Quantity,
    Word,
    names,
    walk,
    write,
)


@dataclass(frozen=True, slots=True)
class Expression:
    """A checked expression; build it with `parse`.

    `kind` is "number" or "truth" (a bare point counts as a number). `names` are the points it depends on,
    `word_points` those among them that hold a choice's word, as far as the text shows it. Expressions are
    equal when their texts are.
    """

    text: str
    root: Quantity | Condition = field(compare=False, repr=False)
    kind: Literal["number", "truth"] = field(compare=False)
    names: frozenset[str] = field(compare=False, repr=False)
    word_points: frozenset[str] = field(compare=False, repr=False)

    @classmethod
    def of(cls, root: Quantity | Condition, text: str | None = None) -> Expression:
        """The expression with this tree; its text is written from the tree unless given."""
        kind: Literal["number", "truth"] = "truth" if isinstance(root, CONDITIONS) else "number"
        return cls(write(root) if text is None else text, root, kind, names(root), parsing.word_points(root))

    def evaluate(self, values: Mapping[str, Value]) -> Fraction | bool:
        """The exact value in engineering values. Raises ExpressionError when a divisor is zero."""
        if isinstance(self.root, CONDITIONS):
            return evaluation.truth(self.root, values)
        return evaluation.number(self.root, values)

    def number(self, values: Mapping[str, Value]) -> Fraction:
        """`evaluate` of a number expression."""
        return evaluation.number(self._quantity(), values)

    def truth(self, values: Mapping[str, Value]) -> bool:
        """`evaluate` of a truth expression."""
        return evaluation.truth(self._condition(), values)

    def upper(self, values: Mapping[str, Value], step: Fraction) -> int:
        """The greatest count of `step` that does not exceed the value: an upper limit, rounded inwards."""
        return math.floor(self.number(values) / step)

    def lower(self, values: Mapping[str, Value], step: Fraction) -> int:
        """The least count of `step` that is not below the value: a lower limit, rounded inwards."""
        return math.ceil(self.number(values) / step)

    def interval(self, ranges: Ranges) -> Interval:
        """Sound bounds of a number expression over the ranges (engineering values) of its points.

        Raises ExpressionError when a divisor can be zero.
        """
        return interval.bounds(self._quantity(), ranges)

    def truths(self, ranges: Ranges) -> frozenset[bool]:
        """The truth values that a truth expression can take: {True}, {False} or both (soundly)."""
        return interval.truths(self._condition(), ranges)

    def atoms(self) -> Condition:
        """The tree of And, Or, Not and Comparison of a truth expression."""
        return self._condition()

    def words(self) -> frozenset[tuple[str, str]]:
        """Every (point, word) that is compared, so that the words can be held against the choices."""
        found: set[tuple[str, str]] = set()
        for node in walk(self.root):
            if isinstance(node, Comparison):
                for side, other in ((node.left, node.right), (node.right, node.left)):
                    if isinstance(side, Word):
                        found |= {(name, side.word) for name in names(other)}
        return frozenset(found)

    def as_threshold(self, measured: Set[str]) -> tuple[Threshold, ...]:
        """The crossings of measured points that can change the truth; all else in them are settings.

        While settings stay and none of the thresholds changes its truth, neither does the expression. Raises
        ExpressionError for a comparison that cannot be solved for one measured point.
        """
        return tuple(
            Threshold(point.name, relation in (">", ">="), relation in (">", "<"), Expression.of(level))
            for point, relation, level in threshold.crossings(self._condition(), measured)
        )

    def count_function(
        self, scales: Scales, ranges: Ranges, step: Fraction, rounding: Rounding
    ) -> Callable[[Counts], int]:
        """A fast function from counts (and words) to the value of a number expression in counts of `step`.

        `scales` are the steps of the number points, `ranges` their ranges (engineering values), which prove
        that no divisor is zero. `rounding` is "down" (`upper`), "up" (`lower`) or "nearest", halves away
        from zero. The counts given to the function must lie in the ranges.
        """
        return counting.count_function(self._quantity(), scales, ranges, step, rounding)

    def truth_function(self, scales: Scales, ranges: Ranges) -> Callable[[Counts], bool]:
        """A fast function from counts (and words) to the truth; see `count_function`."""
        return counting.truth_function(self._condition(), scales, ranges)

    def c_fraction(
        self, scales: Scales, ranges: Ranges, variable: Variable, step: Fraction = Fraction(1)
    ) -> CFraction:
        """A number expression in units of `step` as a pair of C integer expressions over counts.

        `variable` gives the C expression of a point's count, in the width that `c_overflow` finds. Raises
        ExpressionError when a divisor can be zero.
        """
        return c.fraction(self._quantity(), scales, ranges, step, variable)

    def c_condition(self, scales: Scales, ranges: Ranges, variable: Variable, enumerator: Enumerator) -> str:
        """A truth expression as a C condition; `enumerator(point, word)` names a word's constant."""
        return c.condition(self._condition(), scales, ranges, variable, enumerator)

    def c_overflow(self, scales: Scales, ranges: Ranges, step: Fraction = Fraction(1)) -> Literal[32, 64]:
        """The width in bits, 32 or 64, that holds every intermediate value of the printed C.

        Raises ExpressionError naming the part that does not fit 64.
        """
        return c.width(self.root, scales, ranges, step)

    def boundaries(
        self, values: Mapping[str, Value], name: str, step: Fraction, ranges: Ranges | None = None
    ) -> tuple[int, ...]:
        """The counts of point `name` at which the truth changes while all else stays at `values`.

        For each change the last count on one side and the first on the other, sorted. For a number
        expression: around the kinks, where min, max, abs or clip go over to another argument. With a range
        for `name` in `ranges`, only counts inside it. Exact for every expression up to degree 16 in the
        point; raises ExpressionError beyond, and when a divisor is zero at a count.
        """
        low = high = None
        if ranges is not None and name in ranges:
            low, high = math.ceil(ranges[name][0] / step), math.floor(ranges[name][1] / step)
        return boundary.boundaries(self.root, values, name, step, low, high)

    def _quantity(self) -> Quantity:
        if isinstance(self.root, CONDITIONS):
            raise ExpressionError("a number is needed here, this is a condition", self.root.column)
        return self.root

    def _condition(self) -> Condition:
        if isinstance(self.root, CONDITIONS):
            return self.root
        raise ExpressionError("a condition is needed here: write a comparison", self.root.column)


@dataclass(frozen=True, slots=True)
class Threshold:
    """`point > expression` (above, strict), `>=`, `<` or `<=`; the expression holds settings only."""

    point: str
    above: bool
    strict: bool
    expression: Expression


def parse(text: str) -> Expression:
    """The expression that `text` states. Raises ExpressionError with the column and what to write instead."""
    return Expression.of(parsing.read(text), text)
