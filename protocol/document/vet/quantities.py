"""Quantities: ranges on steps, nine digits, unit codes."""

from __future__ import annotations

import re
from fractions import Fraction

from wirevow.protocol.document.model import Quantity
from wirevow.protocol.document.vet.survey import Survey
from wirevow.protocol.quantity import MOST_DIGITS, digits_of

# UCUM, case-sensitive, in outline: simple units with exponents and annotations, joined by "." and "/",
# grouped by "( )". Which atoms there are is not asked here; the tests hold the demo documents' units
# against a complete library.
_SIMPLE = r"(?=[^./()])(?:\d+|10[*^]|%|'{1,2}|(?:[A-Za-z_]|\[[!-Z^-~]+\])+)?(?:[+-]?\d+)?(?:\{[!-z|~]*\})?"
_UNIT = re.compile(rf"/?\(*{_SIMPLE}\)*(?:[./]\(*{_SIMPLE}\)*)*")

USUAL_SPELLINGS = {
    "Ah": "A.h", "mAh": "mA.h", "Wh": "W.h", "kWh": "kW.h", "VA": "V.A", "ohm": "Ohm", "Ohms": "Ohm",
    "degC": "Cel", "deg_C": "Cel", "celsius": "Cel", "Celsius": "Cel", "sec": "s",
    "secs": "s", "seconds": "s",
    "msec": "ms", "usec": "us", "hr": "h", "hour": "h", "hours": "h", "mins": "min", "rpm": "/min",
    "RPM": "/min", "percent": "%", "pct": "%", "volt": "V", "volts": "V", "Volt": "V", "amp": "A",
    "amps": "A", "Amp": "A", "ampere": "A", "watt": "W", "watts": "W", "Watt": "W", "hz": "Hz",
    "hertz": "Hz", "kelvin": "K", "joule": "J", "none": "1", "ppm": "[ppth]",
}  # fmt: skip
"""Spellings that people use and UCUM does not have, with the code for each."""


def check(survey: Survey) -> None:
    """Every rule about quantities; while one is broken, nothing is computed with it."""
    for name, quantity in survey.document.quantities.items():
        _unit(survey, name, quantity)
        _range(survey, name, quantity)


def unused(survey: Survey) -> None:
    """Quantities that nothing has."""
    document = survey.document
    used = {point.quantity for point in document.points.values()}
    used |= {event.value for event in document.bench.values()}
    for name in document.quantities:
        if name not in used:
            survey.report(
                "unused-quantity", ("quantities", name), f"no point has the quantity {name}", "remove it"
            )


def _unit(survey: Survey, name: str, quantity: Quantity) -> None:
    unit = quantity.unit
    where = ("quantities", name, "unit")
    if unit in USUAL_SPELLINGS:
        survey.report("unit-code", where, f"{unit} is no UCUM code", f"write {USUAL_SPELLINGS[unit]}")
    elif (
        not _UNIT.fullmatch(unit) or unit.count("(") != unit.count(")") or unit.count("[") != unit.count("]")
    ):
        survey.report(
            "unit-code", where, f"{unit} is no UCUM code", "write one, such as V, A.h, Cel, % or /min"
        )


def _range(survey: Survey, name: str, quantity: Quantity) -> None:
    where = ("quantities", name)
    step = Fraction(quantity.step)
    if quantity.low >= quantity.high:
        survey.report(
            "quantity-range",
            (*where, "low"),
            f"{name} runs from {quantity.low:f} to {quantity.high:f}",
            "write a low that is below the high",
        )
        return
    for key, end in (("low", quantity.low), ("high", quantity.high)):
        if Fraction(end) % step:
            below = (Fraction(end) // step) * step
            survey.report(
                "quantity-range",
                (*where, key),
                f"{end:f} is no whole number of steps of {quantity.step:f}",
                f"write {float(below):.9g} or {float(below + step):.9g}",
            )
            return
    digits = digits_of(quantity.step)
    largest = max(abs(Fraction(quantity.low)), abs(Fraction(quantity.high)))
    if digits >= MOST_DIGITS or largest * 10**digits >= 10**MOST_DIGITS:
        survey.report(
            "quantity-digits",
            (*where, "step"),
            f"{name} needs more than {MOST_DIGITS} digits",
            "narrow its range or coarsen its step",
        )
