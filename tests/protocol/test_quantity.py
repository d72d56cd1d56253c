"""Step arithmetic and number text (`wire.round`, `wire.exact`, "Numbers and units")."""

import re
from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.quantity import Scale, parse_integer

AMPERE = Scale("A", 3, 1, 0, 6000)
NICKEL = Scale("V", 3, 5, -1000, 1000)
COUNT = Scale("1", 0, 1, 0, 999)
DOZEN = Scale("1", 0, 12, 0, 10)


@st.composite
def scales(draw: st.DrawFn) -> Scale:
    digits = draw(st.integers(0, 8))
    grain = draw(st.integers(1, 1000))
    most = (10**9 - 1) // grain
    low, high = sorted((draw(st.integers(-most, most)), draw(st.integers(-most, most))))
    return Scale(draw(st.sampled_from(["A", "1", "Cel"])), digits, grain, low, high)


@given(scales(), st.data())
def test_text_of_every_count_in_range_parses_back(scale: Scale, data: st.DataObject) -> None:
    counts = data.draw(st.integers(scale.low, scale.high))
    text = scale.text(counts)
    assert scale.parse(text) == (counts, scale.digits)
    assert Fraction(text) == counts * scale.step
    assert not re.fullmatch(r"-0(\.0*)?", text)
    assert len(text.partition(".")[2]) == scale.digits


@given(
    scales(),
    st.from_regex(r"-?(0|[1-9][0-9]{0,9})(\.[0-9]{1,9})?", fullmatch=True),
)
def test_parse_rounds_as_decimal_arithmetic_does(scale: Scale, text: str) -> None:
    digits = sum(character.isdigit() for character in text)
    zero_with_sign = text.startswith("-") and Decimal(text) == 0
    parsed = scale.parse(text)
    if digits > 9 or zero_with_sign:
        assert parsed is None
        return
    assert parsed is not None
    # ROUND_HALF_UP of the General Decimal Arithmetic specification is half away from zero. A tie ends
    # within 60 digits and nothing else comes so near to one.
    step = Decimal(scale.grain).scaleb(-scale.digits)
    with localcontext(prec=60):
        away = int((Decimal(text) / step).to_integral_value(ROUND_HALF_UP))
    assert parsed == (away, len(text.partition(".")[2]))


@pytest.mark.parametrize(
    ("text", "counts", "given_digits"),
    [
        ("2.500", 2500, 3),
        ("2.5", 2500, 1),
        ("2", 2000, 0),
        ("2.5004", 2500, 4),
        ("2.5005", 2501, 4),
        ("-2.5005", -2501, 4),
        ("-0.0004", 0, 4),
        ("0", 0, 0),
        ("0.000", 0, 3),
        ("999999.999", 999999999, 3),
        ("0.00000001", 0, 8),
    ],
)
def test_numbers_of_the_form(text: str, counts: int, given_digits: int) -> None:
    assert AMPERE.parse(text) == (counts, given_digits)


@pytest.mark.parametrize(
    "text",
    ["", "-", "+1", " 1", "1 ", "00.5", "01", ".5", "5.", "-.5", "--1", "1.2.3", "1e3", "0x1", "1,5", "1_0",
     "-0", "-0.0", "-0.000", "-0.000000000000", "1234567890", "0.123456789", "1234567.890", "1\n", "١",
     "²", "nan", "inf", "1.\u0663"],
)  # fmt: skip
def test_not_numbers_of_the_form(text: str) -> None:
    assert AMPERE.parse(text) is None
    assert parse_integer(text) is None


@pytest.mark.parametrize(
    ("scale", "value", "counts"),
    [
        (AMPERE, Fraction(1, 2000), 1),
        (AMPERE, Fraction(-1, 2000), -1),
        (AMPERE, Fraction(4999, 10**7), 0),
        (AMPERE, 0.5, 500),
        (AMPERE, -1e-300, 0),
        (NICKEL, Fraction(25, 10000), 1),
        (NICKEL, Fraction(24, 10000), 0),
        (NICKEL, Fraction(-75, 10000), -2),
        (DOZEN, 18, 2),
        (DOZEN, 17, 1),
    ],
)
def test_nearest_is_half_away_from_zero(scale: Scale, value: Fraction | float, counts: int) -> None:
    assert scale.nearest(value) == counts


@given(scales(), st.fractions(-1000, 1000))
def test_nearest_is_within_half_a_step(scale: Scale, value: Fraction) -> None:
    assert abs(scale.nearest(value) * scale.step - value) <= scale.step / 2


def test_steps_are_written_and_read_as_multiples() -> None:
    assert AMPERE.text(-1) == "-0.001"
    assert NICKEL.text(-1) == "-0.005"
    assert NICKEL.parse("0.007") == (1, 3)
    assert NICKEL.parse("0.008") == (2, 3)
    assert DOZEN.text(3) == "36"
    assert DOZEN.parse("35") == (3, 0)


def test_unit_one_is_not_written() -> None:
    assert COUNT.words(5) == ("5",)
    assert AMPERE.words(2500) == ("2.500", "A")


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_counts_for_what_is_no_number(value: float) -> None:
    with pytest.raises((ValueError, OverflowError)):
        AMPERE.nearest(value)


def test_an_index_is_nr1_only() -> None:
    assert parse_integer("12") == 12
    assert parse_integer("-3") == -3
    assert parse_integer("3.0") is None


@pytest.mark.parametrize(
    ("digits", "grain", "low", "high", "message"),
    [
        (9, 1, 0, 1, "digits is 9"),
        (-1, 1, 0, 1, "digits is -1"),
        (3, 0, 0, 1, "grain is 0"),
        (3, 1, 2, 1, "low must not exceed high"),
        (0, 1, 0, 10**9, "more than 9 digits"),
        (3, 5, -(2 * 10**8), 0, "more than 9 digits"),
    ],
)
def test_a_scale_that_no_line_can_carry_is_refused(
    digits: int, grain: int, low: int, high: int, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Scale("A", digits, grain, low, high)
