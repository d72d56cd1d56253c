"""Values of points for programs: plain numbers and words, and `pint` quantities on request."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.vow import PointEntry

Plain = float | int | str
"""A number in the point's unit (whole if its step is), or a word."""

PINT_UNITS: Mapping[str, str] = {
    "Cel": "degC",
    "%": "percent",
    "1": "dimensionless",
    "Ohm": "ohm",
    "'": "arcmin",
}
"""UCUM codes whose names in pint differ."""


class BadValue(WirevowError):
    """A value that the point cannot have; nothing was sent."""


def plain(entry: PointEntry, words: tuple[str, ...]) -> Plain:
    """The value in a reply. BadValue if it is none of this point's."""
    if entry.scale is not None:
        scale = entry.scale
        parsed = scale.parse(words[0]) if words else None
        if parsed is None or words[1:] != (() if scale.unit == "1" else (scale.unit,)):
            raise BadValue(
                f"{entry.name}: {' '.join(words)!r} is no value of it; is it this document's instrument?"
            )
        return float(scale.text(parsed[0])) if scale.digits else int(scale.text(parsed[0]))
    return " ".join(words)


def written(entry: PointEntry, value: object) -> tuple[str, ...]:
    """The words that put `value`, rounded to the point's step. BadValue if it cannot be one."""
    if entry.scale is None:
        if not isinstance(value, str) or value not in entry.choices:
            raise BadValue(f"{entry.name} is one of {', '.join(entry.choices)}, not {value!r}")
        return (value,)
    if hasattr(value, "to") and hasattr(value, "magnitude"):
        value = _converted(entry, value)
    if isinstance(value, bool | str):
        raise BadValue(f"{entry.name} is a number in {entry.scale.unit}, not {value!r}")
    try:
        return entry.scale.words(entry.scale.nearest(Fraction(str(value))))
    except (ValueError, OverflowError, ZeroDivisionError) as error:
        raise BadValue(f"{entry.name} is a number in {entry.scale.unit}, not {value!r}") from error


def pint_unit(code: str) -> str:
    """A UCUM code as pint reads it."""
    if code in PINT_UNITS:
        return PINT_UNITS[code]
    text = re.sub(r"[A-Za-z%]+", lambda word: PINT_UNITS.get(word[0], word[0]), code.replace(".", "*"))
    return f"1{text}" if text.startswith("/") else text


def quantity(entry: PointEntry, value: Plain) -> Any:
    """The value as a quantity of pint's application registry."""
    return _registry().Quantity(value, pint_unit(entry.number.unit))


def _converted(entry: PointEntry, value: Any) -> float:
    unit = pint_unit(entry.number.unit)
    try:
        return float(value.to(unit).magnitude)
    except Exception as error:
        raise BadValue(f"{entry.name} is in {entry.number.unit}: {error}") from error


def _registry() -> Any:
    try:
        import pint
    except ImportError as error:
        raise WirevowError("quantities need pint: pip install 'wirevow[units]'") from error
    registry: Any = pint.application_registry
    return registry
