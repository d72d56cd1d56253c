"""Numbers on the wire: integers of steps, and the text that stands for them.

A value is never a binary float inside the protocol. It is a whole number of *counts*, each one step
of its quantity, so that limits, rounding and equality are exact on a computer and on a chip alike.

Number forms: NR1 and NR2 of ISO 6093, narrowed by `spec/wire.md`, "Numbers and units".
Unit codes: UCUM, case-sensitive; unit ``1`` is written without a unit.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

MOST_DIGITS = 9
"""Digits of a number in all, before and after the point: every number on the wire fits 32 bits."""

_KEPT = 512
_POWER = tuple(10**exponent for exponent in range(MOST_DIGITS + 1))

# NR1 or NR2: no plus, no leading zero or space, a digit on both sides of a point. The look-ahead
# refuses minus zero of any length: two texts for one value would be two names for one request.
_NUMBER = re.compile(r"(?!-0(?:\.0+)?\Z)(-?)(0|[1-9][0-9]*)(?:\.([0-9]+))?")


@dataclass(frozen=True, slots=True)
class Scale:
    """The step arithmetic of one quantity: counts to text and back.

    `unit` is a UCUM code. The step is ``grain * 10**-digits`` of that unit (step 0.005: digits 3,
    grain 5). `low` and `high` are the quantity's own range in counts.

    Raises ValueError when the range cannot be written in nine digits.
    """

    unit: str
    digits: int
    grain: int
    low: int
    high: int

    def __post_init__(self) -> None:
        if not 0 <= self.digits < MOST_DIGITS:
            raise ValueError(f"digits is {self.digits}; give 0 to {MOST_DIGITS - 1} digits after the point")
        if self.grain < 1:
            raise ValueError(f"grain is {self.grain}; a step is at least one unit of the last digit")
        if self.low > self.high:
            raise ValueError(f"low is {self.low} and high {self.high} counts; low must not exceed high")
        if max(abs(self.low), abs(self.high)) * self.grain >= _POWER[MOST_DIGITS]:
            raise ValueError(
                f"the range {self.text(self.low)} to {self.text(self.high)} needs more than "
                f"{MOST_DIGITS} digits; narrow the range or coarsen the step"
            )

    @property
    def step(self) -> Fraction:
        """The step in units of the quantity."""
        return _step(self.grain, self.digits)

    def text(self, counts: int) -> str:
        """The number alone, with exactly `digits` decimals; zero never has a sign."""
        return _text(counts * self.grain, self.digits)

    def words(self, counts: int) -> tuple[str, ...]:
        """The words of a reply: number and unit, or the number alone for unit ``1``."""
        if self.unit == "1":
            return (self.text(counts),)
        return (self.text(counts), self.unit)

    def nearest(self, value: Fraction | float) -> int:
        """Counts nearest to `value` (in units of the quantity), half away from zero (`wire.round`).

        Exact for fractions and for the exact value of a float. Not confined to the range. Raises
        ValueError or OverflowError for a float that is no number.
        """
        numerator, denominator = value.as_integer_ratio()
        return _half_away(numerator * _POWER[self.digits], denominator * self.grain)

    def parse(self, text: str) -> tuple[int, int] | None:
        """Counts (rounded half away from zero) and digits given after the point; None if no number.

        Not confined to the range: a number may be well formed and out of range.
        """
        parsed = _number(text)
        if parsed is None:
            return None
        number, given = parsed
        if given == self.digits and self.grain == 1:
            return number, given
        return _half_away(number * _POWER[self.digits], _POWER[given] * self.grain), given


# A host sends the same numbers again and again, and is told the same ones: the last of them are kept.


@lru_cache(_KEPT)
def _number(text: str) -> tuple[int, int] | None:
    """All digits as one integer, and how many were after the point; None if it is no number."""
    match = _NUMBER.fullmatch(text)
    if match is None:
        return None
    sign, whole, part = match.groups("")
    given = len(part)
    return None if len(whole) + given > MOST_DIGITS else (int(sign + whole + part), given)


@lru_cache(_KEPT)
def _text(number: int, digits: int) -> str:
    """`number` in units of the last of so many decimals."""
    if not digits:
        return str(number)
    whole, part = divmod(abs(number), _POWER[digits])
    return f"{'-' if number < 0 else ''}{whole}.{part:0{digits}}"


@lru_cache(_KEPT)
def _step(grain: int, digits: int) -> Fraction:
    return Fraction(grain, _POWER[digits])


def digits_of(step: Decimal) -> int:
    """Digits after the point that multiples of a finite step need: none for 10, one for 0.50."""
    exponent = step.normalize().as_tuple().exponent
    assert isinstance(exponent, int), "the loader takes finite numbers only"
    return max(0, -exponent)


def decimal_of(exact: Fraction) -> Decimal:
    """A value as a decimal number, exactly where that can be."""
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def parse_integer(text: str) -> int | None:
    """The value of an NR1 number (an index of a bulk part), or None if `text` is none."""
    match = _NUMBER.fullmatch(text)
    if match is None or match[3] is not None or len(match[2]) > MOST_DIGITS:
        return None
    return int(text)


def _half_away(numerator: int, denominator: int) -> int:
    """`numerator / denominator` (denominator positive) to the nearest integer, half away from zero."""
    if numerator < 0:
        return -((2 * -numerator + denominator) // (2 * denominator))
    return (2 * numerator + denominator) // (2 * denominator)
