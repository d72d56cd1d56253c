"""The expression language: what is accepted, what it means, what is refused and how."""

from __future__ import annotations

import operator
import re
from collections.abc import Mapping
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given, reject
from hypothesis import strategies as st

from tests.protocol.expression_texts import comparisons_of, number_texts, truth_texts
from wirevow.protocol.expression import DEPTH_LIMIT, ExpressionError, Threshold, parse, write

NAMES = ("a", "b.c", "limit.current")
LOW, HIGH = Fraction(-4), Fraction(4)
RANGES = dict.fromkeys(NAMES, (LOW, HIGH))

numbers = st.decimals(min_value=0, max_value=20, places=2).map(lambda value: f"{value:f}")
any_number = number_texts(NAMES, numbers, "+-*/")
any_truth = truth_texts(comparisons_of(number_texts(NAMES, numbers, "+-*/", depth=2)))

values = st.fixed_dictionaries(
    {name: st.fractions(min_value=LOW, max_value=HIGH, max_denominator=50) for name in NAMES}
)


class _Dotted:
    """Stands for a point's first word, so that Python itself can evaluate `limit.current`."""

    def __init__(self, **parts: Fraction) -> None:
        self.__dict__.update(parts)


def python_value(text: str, given_values: Mapping[str, Fraction]) -> Fraction | bool | None:
    """What Python makes of the text with every number an exact Fraction; None for a division by zero."""
    exact = re.sub(r"(?<![\w.])\d+(\.\d+)?", lambda found: f"Fraction('{found.group()}')", text)
    names = {
        "a": given_values["a"],
        "b": _Dotted(c=given_values["b.c"]),
        "limit": _Dotted(current=given_values["limit.current"]),
        "Fraction": Fraction,
        "clip": lambda value, low, high: max(low, min(value, high)),
    }
    try:
        result: Fraction | bool = eval(exact, names)
    except ZeroDivisionError:
        return None
    return result


@given(text=any_number | any_truth, given_values=values)
def test_evaluation_agrees_with_python(text: str, given_values: Mapping[str, Fraction]) -> None:
    expression = parse(text)
    expected = python_value(text, given_values)
    if expected is None:
        with pytest.raises(ExpressionError, match="division by zero"):
            expression.evaluate(given_values)
    else:
        result = expression.evaluate(given_values)
        assert result == expected
        assert type(result) is (bool if expression.kind == "truth" else Fraction)


@given(text=any_number | any_truth)
def test_written_tree_reads_back_as_the_same_tree(text: str) -> None:
    root = parse(text).root
    assert parse(write(root)).root == root


@given(text=any_number, given_values=values)
def test_interval_holds_every_value(text: str, given_values: Mapping[str, Fraction]) -> None:
    expression = parse(text)
    try:
        low, high = expression.interval(RANGES)
    except ExpressionError:
        reject()
    assert low <= expression.number(given_values) <= high


@given(text=any_truth, given_values=values)
def test_truths_hold_every_truth(text: str, given_values: Mapping[str, Fraction]) -> None:
    expression = parse(text)
    try:
        truths = expression.truths(RANGES)
    except ExpressionError:
        reject()
    assert expression.truth(given_values) in truths


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("limit.current", -4, 4),
        ("2 * a - 1", -9, 7),
        ("a * a", 0, 16),
        ("max(a, 1) * max(a, 1)", 1, 16),
        ("abs(a)", 0, 4),
        ("abs(a - 10)", 6, 14),
        ("max(a, 1)", 1, 4),
        ("12 / max(a, 1)", 3, 12),
        ("12 / (a - 5)", -12, Fraction(-12, 9)),
        ("clip(a, 0, 2)", 0, 2),
    ],
)
def test_interval_is_tight_where_points_occur_once(text: str, low: Fraction, high: Fraction) -> None:
    assert parse(text).interval(RANGES) == (low, high)


@pytest.mark.parametrize(
    ("text", "truths"),
    [
        ("a > 5", {False}),
        ("a >= 4", {False, True}),
        ("a <= 4", {True}),
        ("a != 5", {True}),
        ("a < 5 and b.c < 5", {True}),
        ("a < 5 or b.c == 1", {True}),
        ("a > 5 or b.c == 1", {False, True}),
        ("not a > 5", {True}),
        ('mode == "power"', {False, True}),
        ('mode == "power" and a > 5', {False}),
        ("mode != earlier", {False, True}),
    ],
)
def test_truths_of_plain_conditions(text: str, truths: set[bool]) -> None:
    assert parse(text).truths(RANGES) == truths


def test_interval_refuses_a_divisor_that_can_be_zero() -> None:
    with pytest.raises(ExpressionError) as caught:
        parse("1 + 6 / (a + 1)").interval(RANGES)
    assert "a + 1" in caught.value.message
    assert "max(" in caught.value.message
    assert caught.value.column == 10


def test_numbers_are_exact() -> None:
    assert parse("0.1 + 0.2").number({}) == Fraction(3, 10)
    assert parse("0.3000000000000001").number({}) == Fraction("0.3000000000000001")
    assert parse("999999999999999999").number({}) == 999999999999999999


def test_an_expression_says_what_it_depends_on() -> None:
    expression = parse('input.voltage > min(limit.voltage, 36) and mode == "power"')
    assert expression.kind == "truth"
    assert expression.names == {"input.voltage", "limit.voltage", "mode"}
    assert expression.word_points == {"mode"}
    assert expression.words() == {("mode", "power")}
    assert parse("limit.current").kind == "number"
    assert parse("a") == parse("a")
    assert hash(parse("a")) == hash(parse("a"))
    assert parse("a") != parse("a ")


def test_limits_round_inwards() -> None:
    limit = parse("limit.power / input.voltage")
    given_values = {"limit.power": 120, "input.voltage": 36}
    step = Fraction("0.005")
    assert limit.number(given_values) == Fraction(10, 3)
    assert limit.upper(given_values, step) == 666  # 3.330, as 3.335 is too much
    assert limit.lower(given_values, step) == 667
    assert parse("-limit.power / input.voltage").upper(given_values, step) == -667
    assert parse("3.335").upper({}, step) == parse("3.335").lower({}, step) == 667


def test_words_compare_with_points() -> None:
    expression = parse("mode == 'power' or \"swing\" != mode and mode != earlier")
    assert expression.truth({"mode": "power", "earlier": "power"})
    assert not expression.truth({"mode": "swing", "earlier": "power"})
    assert not expression.truth({"mode": "current", "earlier": "current"})


def test_logic_stops_where_it_is_decided() -> None:
    assert not parse("a > 0 and 1 / a > 2").truth({"a": 0})
    assert parse("a == 0 or 1 / a > 2").truth({"a": 0})


def test_crossed_clip_limits_give_the_lower_one() -> None:
    assert parse("clip(1, 5, 3)").number({}) == 5


def test_folded_text_keeps_its_columns() -> None:
    text = '  limit.current >\n  2 and\n  mode < "x"\n'
    with pytest.raises(ExpressionError) as caught:
        parse(text)
    assert text[caught.value.column - 1 :].startswith('"x"')
    assert parse("  a >\n  2\n").truth({"a": 3})


@pytest.mark.parametrize(
    ("text", "column", "remedy"),
    [
        ("", 1, "empty"),
        ("  \n ", 1, "empty"),
        ("a ** 2", 3, "a * a"),
        ("a ^ 2", 3, "a * a"),
        ("a // 2", 3, "inwards"),
        ("a % 2", 3, "percent"),
        ("a = 2", 3, "=="),
        ("a && b", 3, "'and'"),
        ("a | b", 3, "'or'"),
        ("!a", 1, "'not'"),
        ("a > 1 ? 2 : 3", 7, "min, max or clip"),
        ("1 if a > 2 else 3", 3, "'if' cannot stand"),
        ("a is b", 3, "'is' cannot stand"),
        ("a in (1, 2)", 3, "'in' cannot stand"),
        ("lambda: 1", 1, "'lambda' cannot stand"),
        ("link.from > 1", 6, "part of its name"),
        ("a.not > 1", 3, "part of its name"),
        ("True", 1, "comparison"),
        ("a[1]", 2, "in full"),
        ("(a, b)", 1, "comma"),
        ("a, b", 1, "comma"),
        ("f(a)", 1, "functions are min, max, abs and clip"),
        ("a.min(b)", 1, "functions are"),
        ("2(a)", 1, "write * to multiply"),
        ("min", 1, "min(...)"),
        ("min + 1", 1, "min(...)"),
        ("min(a)", 1, "two or more"),
        ("min(*a, 1)", 5, "not allowed"),
        ("abs(a, 1)", 1, "one number"),
        ("clip(a, 1)", 1, "low, high"),
        ("+a", 1, "leading +"),
        ("1e3", 1, "exponent"),
        ("1e999999999", 1, "exponent"),
        (".5", 1, "0.5"),
        ("5.", 1, "5.0"),
        ("007", 1, "leading zeros"),
        ("1_000", 1, "'_'"),
        ("0x10", 1, "decimal number"),
        ("1j", 1, "alone"),
        ("2.5V", 1, "alone"),
        ("a > 2.5 V", 9, "units are not written"),
        ("1234567890.12345678", 1, "18"),
        ("9" * 400, 1, "18"),
        ("(1).real", 2, "dot"),
        ('mode == "power', 9, "closing quote"),
        ('mode == "two words"', 9, "without spaces"),
        ('mode == ""', 9, "not a word"),
        ('mode == b"x"', 10, "no prefix"),
        ('mode == "x" "y"', 13, "side by side"),
        ('mode > "x"', 8, "no order"),
        ('mode + 1 == "x"', 13, "point alone"),
        ('"x" == "x"', 1, "point alone"),
        ('"x"', 1, "alone says nothing"),
        ('"x" + 1', 1, "beside == or !="),
        ('min("x", 1)', 5, "beside == or !="),
        ('mode == "x" and mode > 1', 17, "is a word elsewhere"),
        ('mode == "x" and mode == other and other > 1', 35, "is a word elsewhere"),
        ('mode == "x" and c > 1 and c == b and b == mode', 17, "is a word elsewhere"),
        ("a and b", 1, "a > 0"),
        ("not a", 5, "a > 0"),
        ("not 1", 5, "comparison"),
        ("(a > 1) + 1", 2, "number is needed"),
        ("(a > 1) == (b > 1)", 2, "and, or, not"),
        ("max(a > 1, 2)", 5, "number is needed"),
        ("(a + 1", 1, "closing )"),
        ("a + 1)", 6, "too many"),
        ("a +", 3, "breaks off"),
        ("a b", 3, "missing"),
        ("a \u2264 2", 3, "<="),
        ("a \u00d7 2", 3, "*"),
        ("\u00e9 > 2", 1, "no meaning"),
        ("a > 1 # high", 7, "comments"),
        ("a := 1", 3, "assigned"),
        ("a\x00 > 1", 2, "no meaning"),
    ],
)
def test_everything_else_is_refused_with_place_and_remedy(text: str, column: int, remedy: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse(text)
    assert remedy in caught.value.message
    assert caught.value.column == column


@pytest.mark.parametrize(
    "text",
    [
        "(" * 499,
        "(" * 200 + "1" + ")" * 200,
        "-" * 499 + "1",
        "not " * 120 + "a > 1",
        "-(" * 160 + "1" + ")" * 160,
        "+".join("1" * 250),
        "*".join("9" * 250),
        "1" + "<1" * 249,
        "abs(" * 100 + "1" + ")" * 100,
        "a" + ".a" * 249,
        "a" * 100_000,
        "(" * 10_000_000,
        "-".join(["999999999999999999"] * 26),
        "/".join(["0.0000000000000001"] * 26),
        "a > 1 and " * 49 + "a > 1",
    ],
)
def test_hostile_texts_end(text: str) -> None:
    """Whatever the text: a value or one clear error, never an error of Python's own."""
    with suppress(ExpressionError):
        parse(text).evaluate({"a": 1, "a" + ".a" * 249: 1})


@given(text=st.text(alphabet="ab.01 ()+-*/<>=!\"'nortdmixc,e_[]{}%\\\n", max_size=40) | st.text(max_size=20))
def test_any_text_is_read_or_refused(text: str) -> None:
    refusal = None
    try:
        parse(text)
    except ExpressionError as error:
        refusal = error
    assert refusal is None or 1 <= refusal.column <= max(1, len(text))


@pytest.mark.parametrize(
    "text", ["-" * 33 + "1", "not " * 33 + "a > 1", "(" * 33, "-(" * 17 + "1" + ")" * 17]
)
def test_deep_text_never_reaches_pythons_parser(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """How deep that parser may go depends on Python's version."""
    reached: list[str] = []
    monkeypatch.setattr("ast.parse", lambda source, **_: reached.append(source))
    with pytest.raises(ExpressionError, match="32 levels"):
        parse(text)
    assert reached == []


def test_depth_is_limited_exactly() -> None:
    deep = DEPTH_LIMIT - 1
    assert parse("-" * deep + "1").number({}) == -1
    assert parse("(" * DEPTH_LIMIT + "1" + ")" * DEPTH_LIMIT).number({}) == 1
    assert parse("+".join("1" * DEPTH_LIMIT)).number({}) == DEPTH_LIMIT
    for text in ("-" * DEPTH_LIMIT + "1", "+".join("1" * (DEPTH_LIMIT + 1)), "(" * 33 + "1" + ")" * 33):
        with pytest.raises(ExpressionError, match="32 levels"):
            parse(text)


@pytest.mark.parametrize(
    ("given_values", "complaint"),
    [({}, "no value for a"), ({"a": "open"}, "is a number here"), ({"a": 1.5}, "is a number here")],
)
def test_unfit_values_are_refused(given_values: Mapping[str, Fraction], complaint: str) -> None:
    with pytest.raises(ExpressionError, match=complaint):
        parse("a + 1").evaluate(given_values)


def test_a_word_point_needs_a_word() -> None:
    with pytest.raises(ExpressionError, match="is a word here"):
        parse('mode == "x"').evaluate({"mode": 3})


def test_kinds_are_kept_apart() -> None:
    with pytest.raises(ExpressionError, match="number is needed"):
        parse("a > 1").number({"a": 1})
    with pytest.raises(ExpressionError, match="condition is needed"):
        parse("a + 1").truth({"a": 1})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("m > limit.x", [("m", True, True, "limit.x")]),
        ("m >= limit.x", [("m", True, False, "limit.x")]),
        ("limit.x > m", [("m", False, True, "limit.x")]),
        ("m + 5 > limit.x", [("m", True, True, "limit.x - 5")]),
        ("m - s > 2 * t", [("m", True, True, "2 * t + s")]),
        ("s - m > 1", [("m", False, True, "s - 1")]),
        ("-m <= s", [("m", True, False, "-s")]),
        ("1.5 * m > s", [("m", True, True, "s / 1.5")]),
        ("m * -2 > s", [("m", False, True, "s / -2")]),
        ("m / 4 > s", [("m", True, True, "s * 4")]),
        ("abs(m) > 3", [("m", True, True, "3"), ("m", False, True, "-3")]),
        ("m == 3", [("m", True, False, "3"), ("m", True, True, "3")]),
        ("1 < m <= s", [("m", True, True, "1"), ("m", False, False, "s")]),
        ("min(m, s, n) < 2", [("m", False, True, "2"), ("n", False, True, "2")]),
        ("clip(m, 0, 9) >= s", [("m", True, False, "s")]),
        ('m > 1 and mode == "x" and s > 2', [("m", True, True, "1")]),
        ("s > 1 or not m > 1 or m > 1", [("m", True, True, "1")]),
        ("s > 1", []),
    ],
)
def test_thresholds(text: str, expected: list[tuple[str, bool, bool, str]]) -> None:
    found = parse(text).as_threshold({"m", "n"})
    assert [(item.point, item.above, item.strict, item.expression.text) for item in found] == expected


@pytest.mark.parametrize(
    "text", ["m > n", "m * n > 1", "m > 2 * m - 5", "m * s > 1", "1 / m > 2", "m * 0 > 1"]
)
def test_what_no_crossing_can_show_is_refused(text: str) -> None:
    with pytest.raises(ExpressionError, match="no crossing"):
        parse(text).as_threshold({"m", "n"})


def test_a_measured_point_is_no_word() -> None:
    with pytest.raises(ExpressionError, match="cannot be a word"):
        parse('m == "x"').as_threshold({"m"})


_SIDES = {
    (True, True): operator.gt,
    (True, False): operator.ge,
    (False, True): operator.lt,
    (False, False): operator.le,
}


def _reached(threshold: Threshold, given_values: Mapping[str, Fraction]) -> bool:
    side = _SIDES[threshold.above, threshold.strict]
    return bool(side(given_values[threshold.point], threshold.expression.number(given_values)))


@given(
    text=truth_texts(comparisons_of(number_texts(NAMES, numbers, "+-", depth=2))),
    given_values=values,
    moved=st.fractions(min_value=LOW, max_value=HIGH, max_denominator=50),
)
def test_truth_changes_only_when_a_threshold_does(
    text: str, given_values: Mapping[str, Fraction], moved: Fraction
) -> None:
    expression = parse(text)
    try:
        thresholds = expression.as_threshold({"a"})
    except ExpressionError:
        reject()
    later = {**given_values, "a": moved}
    if all(_reached(item, given_values) == _reached(item, later) for item in thresholds):
        assert expression.truth(given_values) == expression.truth(later)
