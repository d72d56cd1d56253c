"""Boundary points, held against trying every count."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.protocol.expression_texts import comparisons_of, number_texts, truth_texts
from wirevow.protocol.expression import ExpressionError, parse

STEP = Fraction(1, 4)
RANGE = (Fraction(-5), Fraction(5))
COUNTS = range(-20, 21)
OTHER = st.fractions(min_value=-3, max_value=3, max_denominator=6)

numbers = st.sampled_from(("0", "1", "2", "0.5", "1.3", "3.75"))


def _numbers(operators: str, depth: int) -> st.SearchStrategy[str]:
    return number_texts(("x", "x", "y"), numbers, operators, depth=depth)


def _conditions(operators: str) -> st.SearchStrategy[str]:
    return truth_texts(comparisons_of(_numbers(operators, 2)))


def _changes(truth: Callable[[int], bool]) -> tuple[int, ...]:
    found = {count for pair in pairwise(COUNTS) if truth(pair[0]) != truth(pair[1]) for count in pair}
    return tuple(sorted(found))


@given(text=_conditions("+-*/"), other=OTHER)
def test_truth_changes_exactly_at_the_boundaries(text: str, other: Fraction) -> None:
    expression = parse(text)

    def truth(count: int) -> bool:
        return expression.truth({"x": count * STEP, "y": other})

    try:
        expected: tuple[int, ...] | None = _changes(truth)
    except ExpressionError:
        expected = None
    if expected is None:
        if "x" in expression.names:
            with pytest.raises(ExpressionError, match="division by zero"):
                expression.boundaries({"y": other}, "x", STEP, {"x": RANGE})
    else:
        assert expression.boundaries({"y": other}, "x", STEP, {"x": RANGE}) == expected


@given(text=_conditions("+-*"), other=OTHER)
def test_without_a_range_the_same_boundaries_are_found_and_more(text: str, other: Fraction) -> None:
    expression = parse(text)
    inside = expression.boundaries({"y": other}, "x", STEP, {"x": RANGE})
    everywhere = expression.boundaries({"y": other}, "x", STEP)
    assert set(inside) <= set(everywhere)
    for count in set(everywhere) - set(inside):
        value = {"y": other, "x": count * STEP}
        beside = [{**value, "x": (count + shift) * STEP} for shift in (-1, 1)]
        assert {expression.truth(value)} != {expression.truth(near) for near in beside}


@given(text=_numbers("+-", 3), other=OTHER)
def test_between_kinks_a_bound_is_straight(text: str, other: Fraction) -> None:
    expression = parse(text)
    kinks = expression.boundaries({"y": other}, "x", STEP, {"x": RANGE})
    values = {count: expression.number({"x": count * STEP, "y": other}) for count in COUNTS}
    for count in COUNTS[1:-1]:
        if count not in kinks:
            assert values[count - 1] + values[count + 1] == 2 * values[count]


@pytest.mark.parametrize(
    ("text", "boundaries"),
    [
        ("x > 5", (20, 21)),
        ("x >= 5", (19, 20)),
        ("x > 5.1", (20, 21)),
        ("x == 5", (19, 20, 21)),
        ("x == 5.1", ()),
        ("x * x < 2", (-6, -5, 5, 6)),
        ("0 < x <= 3", (0, 1, 12, 13)),
        ("3 * x + 1 > y", (1, 2)),
        ("12 / max(x, 0.1) > 3", (15, 16)),
        ("x > 999999999999.1", (3999999999996, 3999999999997)),
        ("x * x * x > 100000000000000000", (1856635, 1856636)),
        ("y > 1", ()),
        ("x > 1 and y > 3", ()),
        ("x > 1 and x / (x - 1) > 3", (4, 5, 6)),
        ("min(6, 120 / max(x, 0.1))", (80, 81)),
        ("x + 1", ()),
        ("abs(x)", (0, 1)),
        ("clip(x, 1, 3)", (4, 5, 12, 13)),
        ('mode == "far" and x > 5', (20, 21)),
        ('mode == "near" and x > 5', ()),
    ],
)
def test_examples(text: str, boundaries: tuple[int, ...]) -> None:
    found = parse(text).boundaries({"y": 2, "mode": "far"}, "x", STEP)
    assert found == boundaries


def test_a_tie_at_the_end_of_the_range_is_no_kink() -> None:
    """At 0 both arguments are equal, and on either side of it the function is one straight line."""
    assert parse("min(0 * x, x)").boundaries({}, "x", STEP, {"x": (Fraction(0), Fraction(5))}) == ()
    assert parse("min(0 * x, x)").boundaries({}, "x", STEP, {"x": (Fraction(-5), Fraction(0))}) == ()


def test_a_range_cuts_the_boundaries() -> None:
    expression = parse("0 < x <= 3")
    assert expression.boundaries({}, "x", STEP, {"x": (Fraction(0), Fraction(3))}) == (0, 1)
    assert expression.boundaries({}, "x", STEP, {"x": (Fraction("0.2"), Fraction("3.3"))}) == (12, 13)
    assert expression.boundaries({}, "x", STEP, {"x": (Fraction("0.1"), Fraction("0.2"))}) == ()


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("1 / (x - 5) > 1", "is 0 when x is 20 steps"),
        ("x > 1 / (y - 2)", "division by zero"),
        ("x > z", "no value for z"),
        ('x == "far"', "is a word"),
        (" * ".join(["x"] * 17) + " > 1", "more than 16 times"),
    ],
)
def test_what_has_no_boundaries_is_refused(text: str, complaint: str) -> None:
    with pytest.raises(ExpressionError, match=complaint):
        parse(text).boundaries({"y": 2}, "x", STEP)


@given(degree=st.integers(2, 8), roots=st.lists(st.integers(-9, 9), min_size=8, max_size=8))
def test_every_root_of_a_polynomial_is_found(degree: int, roots: list[int]) -> None:
    chosen = roots[:degree]
    text = " * ".join(f"(x - {root})" if root >= 0 else f"(x + {-root})" for root in chosen) + " == 0"
    expected = {count + shift for count in chosen for shift in (-1, 0, 1)}
    # Between two neighbouring roots nothing changes.
    expected = {count for count in expected if count not in chosen or {count - 1, count + 1} - set(chosen)}
    assert set(parse(text).boundaries({}, "x", Fraction(1))) == expected
