"""A document's limits, derived points and conditions as functions over counts, each made when it is first
needed.

They give what `Expression.lower`, `upper`, `number` and `truth` give, for a tenth of the time and without
fractions.
"""

from __future__ import annotations

from collections.abc import Callable

from wirevow.protocol.expression import Expression
from wirevow.protocol.expression.counting import Counts, Rounding
from wirevow.protocol.expression.integer import Scales
from wirevow.protocol.expression.interval import Ranges
from wirevow.protocol.vow import PointEntry, Vow

Formula = Callable[[Counts], int]
Truth = Callable[[Counts], bool]


class Formulas:
    """The formulas of one vow's points. The counts given to them must lie in the points' ranges.

    They are kept with the vow: every device of it has the same.

    Raises ExpressionError for an expression that may divide by zero; vetting refuses such documents.
    """

    def __init__(self, vow: Vow) -> None:
        self._vow = vow
        self._made = vow.made

    def low(self, entry: PointEntry) -> Formula:
        """The lower limit of a point that declares one, rounded inwards."""
        return self._made.get((entry.name, "low")) or self._make("low", entry, entry.low, "up")

    def high(self, entry: PointEntry) -> Formula:
        """The upper limit of a point that declares one, rounded inwards."""
        return self._made.get((entry.name, "high")) or self._make("high", entry, entry.high, "down")

    def derived(self, entry: PointEntry) -> Formula:
        """The value of a derived point, rounded half away from zero; it may lie outside the range."""
        made = self._made.get((entry.name, "derived"))
        return made or self._make("derived", entry, entry.derived, "nearest")

    def truth(self, condition: Expression) -> Truth:
        """The truth of a condition."""
        return self._made.get((condition.text, "truth")) or self._made_true(condition)

    def _make(
        self, what: str, entry: PointEntry, expression: Expression | None, rounding: Rounding
    ) -> Formula:
        assert expression is not None, f"{entry.name} has no such formula"
        formula = self._made[entry.name, what] = expression.count_function(
            *self._scaled(expression), entry.number.step, rounding
        )
        return formula

    def _made_true(self, condition: Expression) -> Truth:
        truth = self._made[condition.text, "truth"] = condition.truth_function(*self._scaled(condition))
        return truth

    def _scaled(self, expression: Expression) -> tuple[Scales, Ranges]:
        """The steps of the numbers in it, and their ranges."""
        points = [self._vow.points[name] for name in expression.names]
        numbers = {each.name: each.scale for each in points if each.scale is not None}
        return (
            {name: scale.step for name, scale in numbers.items()},
            {name: (scale.low * scale.step, scale.high * scale.step) for name, scale in numbers.items()},
        )
