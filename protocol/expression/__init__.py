"""The expression language of Wirevow documents: parsed once, then evaluated, bounded, solved, printed.

    limit = parse("min(limit.current, limit.power / max(input.voltage, 0.1))")
    limit.evaluate({"limit.current": 6, "limit.power": 120, "input.voltage": Fraction("36.0")})

The grammar is in `parsing`, the meaning in `evaluation`; nothing else in a document can be executed.
"""

from __future__ import annotations

from wirevow.protocol.expression.c import CFraction
from wirevow.protocol.expression.expression import Expression, Threshold, parse
from wirevow.protocol.expression.interval import Interval, Ranges
from wirevow.protocol.expression.parsing import DEPTH_LIMIT, NUMBER_LIMIT, RESERVED, TEXT_LIMIT
from wirevow.protocol.expression.tree import (
    And,
    Comparison,
    Condition,
    ExpressionError,
    Not,
    Or,
    Quantity,
    Relation,
    Word,
    write,
)

__all__ = [
    "DEPTH_LIMIT",
    "NUMBER_LIMIT",
    "RESERVED",
    "TEXT_LIMIT",
    "And",
    "CFraction",
    "Comparison",
    "Condition",
    "Expression",
    "ExpressionError",
    "Interval",
    "Not",
    "Or",
    "Quantity",
    "Ranges",
    "Relation",
    "Threshold",
    "Word",
    "parse",
    "write",
]
