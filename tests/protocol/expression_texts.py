"""Hypothesis strategies for the texts of expressions.

Trees are drawn to a given depth with few early leaves: left to themselves, recursive strategies give mostly
trees of one or two operators.
"""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import strategies as st

from wirevow.protocol.expression import TEXT_LIMIT

RELATIONS = ("<", "<=", ">", ">=", "==", "!=")


def number_texts(
    points: Sequence[str],
    numbers: st.SearchStrategy[str],
    operators: str = "+-*",
    divisions: Sequence[str] = (),
    depth: int = 3,
) -> st.SearchStrategy[str]:
    """Texts of number expressions; `divisions` are whole divisions by themselves, as in "/ (a + 1)"."""
    leaf = st.sampled_from(points) | numbers
    if depth == 0:
        return leaf
    inner = number_texts(points, numbers, operators, divisions, depth - 1)
    shapes = [
        st.tuples(inner, st.sampled_from(operators), inner).map(lambda p: f"({p[0]} {p[1]} {p[2]})"),
        st.tuples(st.sampled_from(("min", "max")), st.lists(inner, min_size=2, max_size=3)).map(
            lambda p: f"{p[0]}({', '.join(p[1])})"
        ),
        st.tuples(inner, inner, inner).map(lambda parts: f"clip({', '.join(parts)})"),
        st.tuples(st.sampled_from(("abs", "-")), inner).map(lambda p: f"{p[0]}({p[1]})"),
        leaf,
    ]
    if divisions:
        shapes.append(st.tuples(inner, st.sampled_from(divisions)).map(lambda p: f"({p[0]} {p[1]})"))
        shapes.append(st.tuples(inner, inner).map(lambda p: f"({p[0]} / max({p[1]}, 0.1))"))
    return st.one_of(shapes).filter(lambda text: len(text) <= TEXT_LIMIT)


def truth_texts(comparisons: st.SearchStrategy[str], depth: int = 2) -> st.SearchStrategy[str]:
    """Texts of truth expressions made of the given comparisons."""
    if depth == 0:
        return comparisons
    inner = truth_texts(comparisons, depth - 1)
    return st.one_of(
        comparisons,
        st.tuples(inner, st.sampled_from(("and", "or")), inner).map(lambda p: f"({p[0]}) {p[1]} ({p[2]})"),
        inner.map(lambda part: f"not ({part})"),
    ).filter(lambda text: len(text) <= TEXT_LIMIT)


def comparisons_of(quantity: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Comparisons of two quantities, and chains of three."""
    relations = st.sampled_from(RELATIONS)
    return st.one_of(
        st.tuples(quantity, relations, quantity).map(" ".join),
        st.tuples(quantity, relations, quantity, relations, quantity).map(" ".join),
    )
