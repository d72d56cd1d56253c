"""Whether one condition implies another, as far as it can be proved by simple means.

`Prover.implies` is sound: True is a proof, False means "not proved". What it knows: equal conditions,
conjunctions, disjunctions and negations, and comparisons of the same value with levels whose order is
certain, such as `v > 5` implying `v > 3`, or `v > limit + 1` implying `v > limit`.
"""

from __future__ import annotations

from fractions import Fraction

from wirevow.protocol.expression.interval import Ranges, bounds
from wirevow.protocol.expression.tree import (
    MIRRORED,
    And,
    Arithmetic,
    Comparison,
    Condition,
    ExpressionError,
    Not,
    Number,
    Or,
    Quantity,
    Relation,
    Word,
)

_OPPOSITE: dict[Relation, Relation] = {"<": ">=", "<=": ">", ">": "<=", ">=": "<", "==": "!=", "!=": "=="}

_FOLLOWS: dict[Relation, dict[Relation, str]] = {
    ">": {">": ">=", ">=": ">=", "!=": ">="},
    ">=": {">": ">", ">=": ">=", "!=": ">"},
    "<": {"<": "<=", "<=": "<=", "!=": "<="},
    "<=": {"<": "<", "<=": "<=", "!=": "<"},
    "==": {">": ">", ">=": ">=", "<": "<", "<=": "<=", "==": "==", "!=": "!="},
    "!=": {"!=": "=="},
}
"""`x R1 a` implies `x R2 b` if `a R3 b`: R3 by R1 and R2."""


def negation(condition: Condition) -> Condition:
    """The opposite condition, with the negation pushed down to the comparisons."""
    match condition:
        case Comparison(left=left, relation=relation, right=right):
            return Comparison(left, _OPPOSITE[relation], right)
        case And(parts=parts):
            return Or(tuple(negation(part) for part in parts))
        case Or(parts=parts):
            return And(tuple(negation(part) for part in parts))
        case Not(part=part):
            return part


class Prover:
    """Proves implications over the ranges of points, within a budget of comparisons for a whole document.

    The budget is far more than documents need; it ends hostile ones, for which nothing is proved any more.
    """

    def __init__(self, ranges: Ranges, budget: int = 20_000) -> None:
        self._ranges = ranges
        self._budget = budget

    def implies(self, first: Condition, second: Condition) -> bool:
        """Whether `second` certainly holds wherever `first` does."""
        self._budget -= 1
        if self._budget < 0:
            return False
        if first == second:
            return True
        match first, second:
            case (Not(part=part), _):
                return self.implies(negation(part), second)
            case (_, Not(part=part)):
                return self.implies(first, negation(part))
            case (Or(parts=parts), _):
                return all(self.implies(part, second) for part in parts)
            case (_, And(parts=parts)):
                return all(self.implies(first, part) for part in parts)
            case (And(parts=parts), Or(parts=others)):
                return any(self.implies(first, part) for part in others) or any(
                    self.implies(part, second) for part in parts
                )
            case (And(parts=parts), _):
                return any(self.implies(part, second) for part in parts)
            case (_, Or(parts=parts)):
                return any(self.implies(first, part) for part in parts)
            case (Comparison(), Comparison()):
                return any(self._compare(a, b) for a in _sides(first) for b in _sides(second))

    def _compare(self, first: Comparison, second: Comparison) -> bool:
        if first.left != second.left:
            return False
        needed = _FOLLOWS[first.relation].get(second.relation)
        if needed is None:
            return False
        a, b = first.right, second.right
        if a == b:
            return needed in (">=", "<=", "==")
        if isinstance(a, Word) or isinstance(b, Word):
            return needed == "!=" and isinstance(a, Word) and isinstance(b, Word)
        try:
            low, high = bounds(_difference(a, b), self._ranges)
        except ExpressionError:
            return False
        return {
            ">": low > 0,
            ">=": low >= 0,
            "<": high < 0,
            "<=": high <= 0,
            "==": low == high == 0,
            "!=": low > 0 or high < 0,
        }[needed]


def _sides(comparison: Comparison) -> tuple[Comparison, Comparison]:
    mirrored = Comparison(comparison.right, MIRRORED[comparison.relation], comparison.left)
    return (comparison, mirrored)


def _difference(a: Quantity, b: Quantity) -> Quantity:
    """`a - b`, with a part that both are sums of left out, since intervals cannot see that it is the same."""
    terms: list[tuple[int, Quantity]] = []
    _collect(a, 1, terms)
    _collect(b, -1, terms)
    kept: list[tuple[int, Quantity]] = []
    for sign, term in terms:
        if (-sign, term) in kept:
            kept.remove((-sign, term))
        else:
            kept.append((sign, term))
    total: Quantity = Number(Fraction(0))
    for sign, term in kept:
        total = Arithmetic(total, "+" if sign > 0 else "-", term)
    return total


def _collect(node: Quantity, sign: int, terms: list[tuple[int, Quantity]]) -> None:
    if isinstance(node, Arithmetic) and node.operator in ("+", "-"):
        _collect(node.left, sign, terms)
        _collect(node.right, sign if node.operator == "+" else -sign, terms)
    else:
        terms.append((sign, node))
