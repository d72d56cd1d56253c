"""The prover: what it proves is true, and it proves what the rules need."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.document.vet.logic import Prover, negation
from wirevow.protocol.expression import parse

POINTS = ("a", "b", "c")
RANGES = {name: (Fraction(-4), Fraction(4)) for name in POINTS}


def proved(first: str, second: str) -> bool:
    return Prover(RANGES).implies(parse(first).atoms(), parse(second).atoms())


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("a > 2", "a > 1"),
        ("a > 2", "a >= 2"),
        ("a >= 2", "a > 1"),
        ("a < 1", "a < 2"),
        ("a == 2", "a > 1"),
        ("a == 2", "a != 1"),
        ("2 < a", "a > 1"),
        ("a > b + 1", "a > b"),
        ("a > b", "b < a"),
        ("a > 1 and b > 1", "b > 0"),
        ("a > 1", "a > 0 or b > 0"),
        ("a > 1 or a > 2", "a > 0"),
        ("a > 1 and b > 1", "a > 0 and b > 0"),
        ("a > 1 and b > 1", "(a > 0 and b > 0) or c > 0"),
        ("not a <= 1", "a > 0"),
        ("a > 1", "not a < 0"),
        ("a == 'x'", "a != 'y'"),
        ("a > 3 or b < -3", "not (a <= 2 and b >= -2)"),
    ],
)
def test_what_follows_is_proved(first: str, second: str) -> None:
    assert proved(first, second)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("a > 1", "a > 2"),
        ("a >= 2", "a > 2"),
        ("a > 1", "b > 1"),
        ("a > b", "a > b + 1"),
        ("a > 1 or b > 1", "a > 1"),
        ("a > 1", "a > 0 and b > 0"),
        ("a != 2", "a == 2"),
        ("a != 'x'", "a == 'y'"),
        ("a == 'x'", "a != 'x'"),
    ],
)
def test_what_does_not_follow_is_not_proved(first: str, second: str) -> None:
    assert not proved(first, second)


numbers = st.integers(-4, 4).map(str)
values = st.one_of(
    numbers, st.sampled_from(POINTS), st.builds("{} + {}".format, st.sampled_from(POINTS), numbers)
)
comparisons = st.builds(
    "{} {} {}".format, st.sampled_from(POINTS), st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), values
)
conditions = st.recursive(
    comparisons,
    lambda inner: st.one_of(
        st.builds("({}) and ({})".format, inner, inner),
        st.builds("({}) or ({})".format, inner, inner),
        st.builds("not ({})".format, inner),
    ),
    max_leaves=4,
)
GRID = [
    {"a": Fraction(a), "b": Fraction(b), "c": Fraction(c)}
    for a in range(-4, 5)
    for b in range(-4, 5)
    for c in (-4, 0, 3)
]


@given(conditions, conditions)
def test_a_proof_is_true_for_all_values(first: str, second: str) -> None:
    if proved(first, second):
        one, other = parse(first), parse(second)
        assert all(other.truth(values) for values in GRID if one.truth(values))


@given(conditions)
def test_a_condition_implies_itself_and_its_negation_is_the_opposite(text: str) -> None:
    condition = parse(text)
    assert proved(text, text)
    opposite = type(condition).of(negation(condition.atoms()))
    assert all(condition.truth(values) != opposite.truth(values) for values in GRID[::7])


def test_nothing_is_proved_once_the_budget_is_spent() -> None:
    prover = Prover(RANGES, budget=1)
    condition = parse("a > 1").atoms()
    assert prover.implies(condition, condition)
    assert not prover.implies(condition, condition)
