"""Faults of numbers: their form, digits, unit, rounding and limits; and of words from a list."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from wirevow.emu.faults.change import with_point
from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Answer, Counts, Device, Values
from wirevow.protocol.expression import Expression, parse
from wirevow.protocol.message import Request
from wirevow.protocol.quantity import Scale
from wirevow.protocol.vow import PointEntry, Value, Vow

numbers = Kind("numbers", seen=74)


def has_dependent_limit(vow: Vow) -> bool:
    """Some setting's limit is an expression over other points."""
    return any(_dependent(entry) for entry in vow.settings)


def _dependent(entry: PointEntry) -> bool:
    return any(limit is not None and bool(limit.names) for limit in (entry.low, entry.high))


def _off_step(formula: Expression | None) -> bool:
    """Whether the value of a formula over settings may lie between two steps."""
    return formula is not None and any(sign in formula.text for sign in "*/")


def has_unit(vow: Vow) -> bool:
    """Some setting has a unit."""
    return any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings)


def exact_steps(entry: PointEntry, text: str) -> Fraction:
    """The value of a well-formed number in steps, not rounded."""
    return Fraction(text) / entry.number.step


# ----------------------------------------------------------------------------------------------------- limits


@numbers.device("point.*.bounds")
class BoundHighExcluded(Device):
    """Compares with < where <= is meant at the upper limit."""

    def _inside(self, given: int, low: int, high: int) -> bool:
        return low <= given < high


@numbers.device("point.*.bounds")
class BoundLowExcluded(Device):
    """Compares with > where >= is meant at the lower limit."""

    def _inside(self, given: int, low: int, high: int) -> bool:
        return low < given <= high


class HeldOutputs(Device):
    """Whatever a setting holds, what is driven stays inside its quantity: a converter has its ends."""

    def _driven(self, entry: PointEntry) -> float | str:
        value = self.settings[entry.name]
        if not isinstance(value, int):
            return value
        return min(max(value, entry.number.low), entry.number.high) * entry.si


@numbers.device("point.*.bounds")
class BoundHighOneOver(HeldOutputs):
    """The upper limit is counted from 1 in the table, so one step too much is let through."""

    def _inside(self, given: int, low: int, high: int) -> bool:
        return low <= given <= high + 1


@numbers.device("point.*.bounds")
class BoundLowOneUnder(HeldOutputs):
    """The lower limit is rounded down once more when the table is made: one step too little is let
    through."""

    def _inside(self, given: int, low: int, high: int) -> bool:
        return low - 1 <= given <= high


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundDependentIgnored(Device):
    """Only the limits of the quantity are tested, never those that other settings give."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return entry.number.low, entry.number.high


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundDependentFromBoot(Device):
    """Limits that depend on other settings are worked out once, at the boot."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.limits: dict[str, tuple[int, int]] = {}
        super().boot(cause, now_ns)
        self.limits = {
            entry.name: super(BoundDependentFromBoot, self).bounds(entry, now_ns)
            for entry in self.vow.settings
            if entry.scale is not None
        }

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return self.limits.get(entry.name) or super().bounds(entry, now_ns)


@numbers.device(
    "point.*.bounds",
    lambda vow: (
        has_dependent_limit(vow)
        and any(effect == "defaults" for action in vow.actions.values() for effect, _ in action.does)
    ),
)
class BoundStaleAfterRecall(Device):
    """Limits that depend on settings are worked out at every put, but not when settings are brought back."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.stale: dict[str, tuple[int, int]] = {}
        super().boot(cause, now_ns)

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        self.stale = {
            entry.name: self.bounds(entry, now_ns) for entry in self.vow.settings if entry.scale is not None
        }
        super()._replace(settings, now_ns)

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.stale = {}

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return self.stale.get(entry.name) or super().bounds(entry, now_ns)


@numbers.device(
    "wire.round point.*.bounds",
    lambda vow: any(_off_step(limit) for e in vow.settings for limit in (e.low, e.high)),
)
class BoundRoundsOutwards(Device):
    """A limit that is not on a step is rounded away from the middle instead of inwards."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        scale, values = entry.number, Values(self, now_ns)
        low, high = scale.low, scale.high
        if entry.low is not None:
            low = max(low, math.floor(entry.low.number(values) / scale.step))
        if entry.high is not None:
            high = min(high, math.ceil(entry.high.number(values) / scale.step))
        return low, high


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundDetailsOfQuantity(Device):
    """The refusal names the limits of the quantity, not those in force."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and words[0] == "range":
            scale = self.vow.points[request.name].number
            return False, ("range", scale.text(scale.low), *scale.words(scale.high))
        return ok, words


@numbers.device("wire.unit point.*.bounds", has_unit)
class BoundDetailsWithoutUnit(Device):
    """The refusal names the limits without their unit."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return ok, words[:3] if not ok and words[0] == "range" else words


@numbers.device(
    "point.*.bounds",
    lambda vow: any(entry.scale is not None and entry.scale.high <= 0xFFFF for entry in vow.settings),
)
class ValueWrapsAt16Bits(Device):
    """A number is kept in 16 bits before its range is tested, and what is too large for them comes round."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return given & 0xFFFF if isinstance(given, int) and entry.number.high <= 0xFFFF else given


# --------------------------------------------------------------------------------------------------- rounding


@numbers.device("wire.round")
class RangeBeforeRounding(Device):
    """The range is tested before the number is rounded to its step."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if isinstance(given, int):
            scale, steps = entry.number, exact_steps(entry, request.arguments[0])
            return given + 1 if steps > scale.high else given - 1 if steps < scale.low else given
        return given


@numbers.device("wire.round")
class RoundingCuts(Device):
    """Digits beyond the step are cut off instead of rounded."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return math.trunc(exact_steps(entry, request.arguments[0])) if isinstance(given, int) else given


@numbers.device("wire.round")
class RoundingHalfToEven(Device):
    """A number half-way between two steps is rounded to the even one, as the compiler's library does."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return round(exact_steps(entry, request.arguments[0])) if isinstance(given, int) else given


def below_zero(vow: Vow) -> list[PointEntry]:
    """Settings that can be below zero: their quantity can, and no limit keeps them above whatever is set."""
    scales = {entry.name: entry.number for entry in vow.points.values() if entry.scale is not None}
    ranges = {name: (each.low * each.step, each.high * each.step) for name, each in scales.items()}
    settings = [entry for entry in vow.settings if entry.scale is not None]
    for _ in range(2):  # a limit may hang on a setting that has one itself
        for each in settings:
            if each.low is not None:
                low, high = ranges[each.name]
                ranges[each.name] = min(max(low, each.low.interval(ranges)[0]), high), high
    return [each for each in settings if ranges[each.name][0] < 0]


@numbers.device("wire.round", lambda vow: bool(below_zero(vow)))
class RoundingHalfUp(Device):
    """A half is added and the rest cut off, also below zero."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if isinstance(given, int):
            return math.floor(exact_steps(entry, request.arguments[0]) + Fraction(1, 2))
        return given


@numbers.device("wire.round point.*.quantum")
class PutAnswersWhatWasSent(Device):
    """`put` answers the number as it was sent, not the value that took effect."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return ok, (request.arguments[0], *words[1:]) if ok else words


@numbers.device("wire.round point.*.quantum", lambda vow: bool(below_zero(vow)))
class MinusZeroPrinted(Device):
    """The sign is printed from the number as it was sent, so that one rounded to zero is minus zero."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok and request.arguments[0].startswith("-") and not words[0].startswith("-"):
            return True, (f"-{words[0]}", *words[1:])
        return ok, words


@numbers.device("point.*.derived", lambda vow: any(_off_step(entry.derived) for entry in vow.points.values()))
class DerivedCut(Device):
    """A computed point is cut to its step where it should be rounded."""

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.derived is None:
            return super().value(entry, now_ns)
        scale = entry.number
        counts = math.trunc(entry.derived.number(Values(self, now_ns)) / scale.step)
        return min(max(counts, scale.low), scale.high)


@numbers.device(
    "point.*.derived", lambda vow: any(entry.derived is not None for entry in vow.points.values())
)
class DerivedFromBoot(Device):
    """A computed point is computed once, when it is first needed after the boot."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.computed: dict[str, Value] = {}
        super().boot(cause, now_ns)

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.derived is None:
            return super().value(entry, now_ns)
        return self.computed.setdefault(entry.name, super().value(entry, now_ns))


# -------------------------------------------------------------------------------------------- form of numbers


class Lenient(Device):
    """Numbers are put in order before they are read."""

    def tidy(self, text: str) -> str:
        return text

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is not None and request.arguments:
            first, *rest = request.arguments
            request = request._replace(arguments=(self.tidy(first), *rest))
        return super()._read(entry, request)


@numbers.device("wire.reasons")
class PlusAccepted(Lenient):
    """A number may begin with a plus sign."""

    def tidy(self, text: str) -> str:
        return text.removeprefix("+")


@numbers.device("wire.reasons")
class LeadingZerosAccepted(Lenient):
    """Zeros before a number are skipped, so that a doubled zero passes."""

    def tidy(self, text: str) -> str:
        return re.sub(r"^0+(?=[0-9])", "", text)


@numbers.device("wire.reasons")
class MinusZeroAccepted(Lenient):
    """Minus zero is taken for zero."""

    def tidy(self, text: str) -> str:
        return text.removeprefix("-") if not text.strip("-0.") else text


@numbers.device(
    "wire.reasons",
    lambda vow: any(entry.scale is not None and entry.scale.digits == 0 for entry in vow.settings),
)
class LongNumberWraps(Lenient):
    """Digits are gathered in 32 bits without counting them, so that a number of ten digits comes round."""

    def tidy(self, text: str) -> str:
        return str(int(text) & 0xFFFFFFFF) if len(text) > 9 and text.isdecimal() else text


@numbers.device("wire.reasons")
class LettersAfterNumberSkipped(Lenient):
    """The number ends where its digits end; what is stuck to it is not looked at."""

    def tidy(self, text: str) -> str:
        return text.rstrip("abcdefghijklmnopqrstuvwxyz") or text


@numbers.device(
    "wire.exact",
    lambda vow: any(entry.scale is not None and entry.scale.digits > 0 for entry in vow.settings),
)
class DigitsMissingAccepted(Device):
    """An unchecked `put` may leave digits out."""

    def _exact(self, scale: Scale, text: str, digits: int, counts: int) -> bool:
        return digits < scale.digits or super()._exact(scale, text, digits, counts)


@numbers.device("wire.exact")
class DigitsTooManyAccepted(Device):
    """An unchecked `put` with more digits than the step is rounded instead of refused."""

    def _exact(self, scale: Scale, text: str, digits: int, counts: int) -> bool:
        return digits > scale.digits or super()._exact(scale, text, digits, counts)


@numbers.device("wire.exact wire.round")
class DigitsCheckedToo(Device):
    """A checked `put` is held to the digits of the step as well."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if isinstance(given, int) and entry.number.text(given) != request.arguments[0]:
            return ("type", "digits", str(entry.number.digits))
        return given


# ------------------------------------------------------------------------------------------------------ units


@numbers.device("wire.unit wire.exact", has_unit)
class UnitOptional(Device):
    """An unchecked `put` may leave the unit out."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return not given or super()._unit(unit, given, checked)


@numbers.device("wire.unit", has_unit)
class UnitIgnored(Device):
    """Whatever unit is given is taken for the right one."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return bool(given) or super()._unit(unit, given, checked)


@numbers.device("wire.unit", has_unit)
class UnitInAnyCase(Device):
    """Units are compared without regard to capitals."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return super()._unit(unit.lower(), tuple(word.lower() for word in given), checked)


@numbers.device("wire.unit", has_unit)
class UnitInThousandths(Device):
    """A unit with the prefix for a thousandth is understood and converted."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is not None and request.arguments[1:] == (f"m{entry.scale.unit}",):
            parsed = entry.scale.parse(request.arguments[0])
            if parsed is not None:
                return round(Fraction(request.arguments[0]) / 1000 / entry.scale.step)
        return super()._read(entry, request)


@numbers.device("wire.unit", has_unit)
class UnitMissingAfterPut(Device):
    """The answer to `put` is the number alone."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return ok, words[:1] if ok else words


def _has_point_in_unit(entry: PointEntry) -> bool:
    return entry.scale is not None and "." in entry.scale.unit


@numbers.tables("point.*.unit", lambda vow: any(_has_point_in_unit(entry) for entry in vow.points.values()))
def unit_without_its_point(vow: Vow) -> Vow:
    """The point inside a unit such as A.h is not printed."""
    for entry in vow.points.values():
        if _has_point_in_unit(entry):
            scale = replace(entry.number, unit=entry.number.unit.replace(".", ""))
            vow = with_point(vow, entry.name, scale=scale)
    return vow


@numbers.tables("point.*.unit", lambda vow: _first_fine_reading(vow) is not None)
def digits_one_short(vow: Vow) -> Vow:
    """One reading is printed with a decimal too few: it has the format string of another."""
    entry = _first_fine_reading(vow)
    assert entry is not None
    scale = entry.number
    coarse = Scale(scale.unit, scale.digits - 1, scale.grain, scale.low // 10, scale.high // 10)
    return with_point(vow, entry.name, scale=coarse, si=entry.si * 10)


def _first_fine_reading(vow: Vow) -> PointEntry | None:
    fine = (entry for entry in vow.points.values() if entry.signal is not None and entry.number.digits > 1)
    return next(fine, None)


# ------------------------------------------------------------------------------------------- words, arguments


@numbers.device("point.*.choices", lambda vow: any(entry.scale is None for entry in vow.settings))
class ChoiceByPrefix(Device):
    """A choice may be shortened as long as its beginning fits."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is None and len(request.arguments) == 1:
            meant = [word for word in entry.choices if word.startswith(request.arguments[0])]
            request = request._replace(arguments=tuple(meant[:1]))
        return super()._read(entry, request)


@numbers.device("wire.reasons")
class ArgumentsLeftOverSkipped(Device):
    """Arguments after those that are expected are not looked at."""

    def _ask(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        expected = 0 if entry is None or entry.record is None else 1
        return super()._ask(request._replace(arguments=request.arguments[:expected]), now_ns)


# ----------------------------------------------------------------------------------------------- second round


def _signed(vow: Vow) -> bool:
    """Whether a setting has values between -1 and 0."""
    return any(entry.number.digits > 0 for entry in below_zero(vow))


@numbers.device("point.*.quantum point.*.readable wire.round", _signed)
class SignLostBelowOne(Device):
    """A number is printed as its whole part, a point and the rest: between -1 and 0 there is no sign."""

    def _worded(self, entry: PointEntry, value: Value) -> tuple[str, ...]:
        words = super()._worded(entry, value)
        if entry.source == "setting" and words[0].startswith("-0."):
            return (words[0].removeprefix("-"), *words[1:])
        return words


@numbers.device(
    "point.*.readable point.*.quantum",
    lambda vow: any(entry.scale is not None and entry.scale.high > 0xFFFF for entry in vow.settings),
)
class ShownIn16Bits(Device):
    """A number goes to the printing routine in 16 bits, and what needs more comes round."""

    def _worded(self, entry: PointEntry, value: Value) -> tuple[str, ...]:
        if entry.source == "setting" and isinstance(value, int) and value > 0xFFFF:
            return entry.words(value & 0xFFFF)
        return super()._worded(entry, value)


def _last_dependent(vow: Vow) -> PointEntry | None:
    found = [entry for entry in vow.settings if entry.high is not None and entry.high.names]
    return found[-1] if found else None


@numbers.device(
    "point.*.bounds",
    lambda vow: _last_dependent(vow) is not None and any(entry.scale is None for entry in vow.settings),
)
class BoundInFirstModeOnly(Device):
    """A limit that depends on another setting is tested in the first mode only."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        mode = next(each for each in self.vow.settings if each.scale is None)
        if entry == _last_dependent(self.vow) and self.settings[mode.name] != mode.choices[0]:
            return entry.number.low, entry.number.high
        return super().bounds(entry, now_ns)


@numbers.device("wire.round wire.exact")
class LongFractionWraps(Lenient):
    """The digits after the point are gathered in 16 bits."""

    def tidy(self, text: str) -> str:
        whole, _, part = text.partition(".")
        if not part.isdecimal() or int(part) <= 0xFFFF:
            return text
        return f"{whole}.{int(part) & 0xFFFF:0{len(part)}}"


@numbers.device("wire.unit", has_unit)
class UnitComparedShort(Device):
    """Units are compared over the length of the one in the table, so that a longer one passes for it."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return super()._unit(unit, tuple(each[: len(unit)] for each in given), checked)


@numbers.device("point.*.choices")
class ChoiceByNumber(Device):
    """A choice may be given by its place in the list, as the panel does."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is None and len(request.arguments) == 1 and request.arguments[0].isdecimal():
            place = int(request.arguments[0])
            if place < len(entry.choices):
                return entry.choices[place]
        return super()._read(entry, request)


@numbers.device("point.*.choices")
class ChoiceInCapitals(Device):
    """A choice may be written with a capital at its beginning."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is None:
            given = tuple(each[:1].lower() + each[1:] for each in request.arguments)
            request = request._replace(arguments=given)
        return super()._read(entry, request)


def _last_put_first_number(vow: Vow) -> tuple[str, str]:
    first = next(entry.name for entry in vow.settings if entry.scale is not None)
    return vow.settings[-1].name, first


@numbers.device(
    "wire.atomic point.*.readable point.*.quantum",
    lambda vow: (
        sum(entry.scale is not None for entry in vow.settings) > 1 and vow.settings[-1].scale is not None
    ),
)
class LastSettingOverwritesFirst(Device):
    """The table of settings is one place short: the last setting lies over the first number."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        last, first = _last_put_first_number(self.vow)
        if entry.name == last:
            self.settings[first] = self.vow.points[first].number.low


@numbers.device("point.*.bounds point.*.quantum")
class LowestTakenForUnset(Device):
    """The lowest value of a number is taken for `not set`, and the default is put in its place."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        if entry.scale is not None and value == entry.number.low:
            value = entry.default
        super()._set(entry, value, now_ns)


@numbers.device(
    "point.*.quantum",
    lambda vow: any(entry.scale is not None and entry.scale.high > 20_000 for entry in vow.settings),
)
class ValueRoundedToConverter(Device):
    """A number with four digits and more is kept in the converter's steps and comes back in them."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        if isinstance(value, int) and entry.scale is not None and entry.scale.high > 20_000:
            step = -(-entry.scale.high // 4096)
            low, high = self.bounds(entry, now_ns)
            value = min(max(value // step * step, low), high)
        super()._set(entry, value, now_ns)


# ------------------------------------------------------------------------------------------------ third round


@numbers.device("wire.reasons")
class CommaForPoint(Lenient):
    """A comma passes for the point, as the panel of one country shows it."""

    def tidy(self, text: str) -> str:
        return text.replace(",", ".")


@numbers.device("point.*.bounds")
class MinusSkippedWhereUnsigned(Device):
    """The minus sign of a number that cannot be below zero is skipped."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        read = super()._read(entry, request)
        if isinstance(read, int) and entry.scale is not None and entry.scale.low >= 0:
            return abs(read)
        return read


def _low_depends(vow: Vow) -> bool:
    return any(entry.low is not None and bool(entry.low.names) for entry in vow.settings)


@numbers.device("point.*.bounds", _low_depends)
class LowBoundDependentIgnored(HeldOutputs):
    """Of the limits that depend on other settings only the upper ones are tested."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return entry.number.low, super().bounds(entry, now_ns)[1]


@numbers.device("point.*.bounds")
class RefusalNamesZeroForLow(Device):
    """The refusal for the range names zero for the lower limit."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "range":
            return ok, words
        return ok, ("range", self.vow.points[request.name].number.text(0), *words[2:])


@numbers.device("wire.round")
class RoundedTwice(Lenient):
    """A number is rounded to one digit more than its step has, and then again."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        read = super()._read(entry, request)
        if isinstance(read, int) and entry.scale is not None:
            exact = exact_steps(entry, request.arguments[0])
            finer = math.floor(abs(exact) * 10 + Fraction(1, 2))
            read = (finer + 5) // 10 * (1 if exact >= 0 else -1)
        return read


@numbers.device("wire.unit", has_unit)
class UnitRefusalNamesGiven(Device):
    """The refusal for the unit names the unit that was given, not the one that is expected."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "unit" or len(request.arguments) < 2:
            return ok, words
        return ok, ("unit", request.arguments[1])


@numbers.device("wire.exact wire.round wire.reasons")
class NineDigitsRefused(Lenient):
    """A number has eight digits at most."""

    def tidy(self, text: str) -> str:
        return "x" if sum(each.isdecimal() for each in text) > 8 else text


@numbers.device("point.*.quantum point.*.choices wire.unit")
class SameValueAnsweredBare(Device):
    """A put of the value there is already is answered `ok` without it: nothing has taken effect."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        before = self.settings.get(request.name)
        ok, words = super()._put(request, now_ns)
        return (
            (ok, ()) if ok and before is not None and before == self.settings[request.name] else (ok, words)
        )


# ----------------------------------------------------------------------------------------------- fourth round


@numbers.device("wire.reasons wire.exact")
class PointBehindAccepted(Lenient):
    """A number may end with its point."""

    def tidy(self, text: str) -> str:
        return text.removesuffix(".")


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundDependentExcluded(Device):
    """At a limit that another setting gives, the other setting's value itself is refused."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        low, high = super().bounds(entry, now_ns)
        return low, high - (high < entry.number.high)


# ------------------------------------------------------------------------------------------------ fifth round


def _single(value: float) -> float:
    """A number as four bytes keep it."""
    narrow: float = struct.unpack("f", struct.pack("f", value))[0]
    return narrow


@numbers.device("wire.round")
class NumberReadAsFloat(Device):
    """A number is read into four bytes of floating point before it is scaled; a long one is rounded there."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if not isinstance(given, int):
            return given
        steps = _single(_single(float(request.arguments[0])) * float(1 / entry.number.step))
        return int(math.copysign(math.floor(abs(steps) + 0.5), steps))


@numbers.device("wire.reasons")
class ExponentAccepted(Lenient):
    """Numbers are read by the library's routine, which knows exponents."""

    def tidy(self, text: str) -> str:
        found = re.fullmatch(r"-?[0-9]+(\.[0-9]+)?[eE][+-]?[0-9]", text)
        return text if found is None else f"{Decimal(text):f}"


@numbers.device("wire.unit", has_unit)
class UnitUnlookedWhenChecked(Device):
    """A checked `put` may leave the unit out, and so nobody looks whether the one it has is right."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return checked or super()._unit(unit, given, checked)


@numbers.device("point.*.bounds")
class RefusalLimitsSwapped(Device):
    """The refusal for the range names the upper limit first."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "range":
            return ok, words
        return ok, ("range", words[2], words[1], *words[3:])


# ------------------------------------------------------------------------------------------------ sixth round


@numbers.device("wire.exact point.*.quantum", has_unit)
class WholeNumberTakenForSteps(Device):
    """A checked number without a point is taken in steps, as the store keeps it."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        if not isinstance(given, int) or not entry.number.digits or "." in request.arguments[0]:
            return given
        return int(request.arguments[0]) // entry.number.grain


class _WholeVolts(Counts):
    """The points' present values with voltages cut to whole ones."""

    def __getitem__(self, name: str) -> Value:
        value, scale = super().__getitem__(name), self._device.vow.points[name].scale
        if not isinstance(value, int) or scale is None or scale.unit != "V":
            return value
        return value - value % max(int(1 / scale.step), 1)


def _of_volts(vow: Vow) -> bool:
    """Whether a limit divides or multiplies, and a voltage is in it."""
    return any(
        _off_step(limit)
        and any(vow.points[name].scale and vow.points[name].number.unit == "V" for name in limit.names)
        for entry in vow.settings
        for limit in (entry.low, entry.high)
        if limit is not None
    )


@numbers.device("point.*.bounds", _of_volts)
class BoundOfWholeVolts(Device):
    """A limit that is a product or a quotient is worked out with whole volts, to stay inside an integer."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        low, high = super().bounds(entry, now_ns)
        counts = _WholeVolts(self, now_ns)
        if _off_step(entry.low):
            low = max(entry.number.low, self._formulas.low(entry)(counts))
        if _off_step(entry.high):
            high = min(entry.number.high, self._formulas.high(entry)(counts))
        return low, high


@numbers.device(
    "wire.unit wire.reasons point.*.unit",
    lambda vow: any(entry.scale is not None and entry.scale.unit == "1" for entry in vow.settings),
)
class CountWithUnitOne(Device):
    """A count may be put with the unit 1, which stands in the table like any other."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is not None and entry.scale.unit == "1" and request.arguments[1:] == ("1",):
            request = request._replace(arguments=request.arguments[:1])
        return super()._read(entry, request)


@numbers.device(
    "point.*.derived",
    lambda vow: any(
        entry.derived is not None and "-" in entry.derived.text and entry.number.low < 0
        for entry in vow.points.values()
    ),
)
class DerivedNotBelowZero(Device):
    """A computed point is a difference without sign: where it would be below zero it is zero."""

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        value = super().value(entry, now_ns)
        return max(value, 0) if entry.source == "derived" and isinstance(value, int) else value


@numbers.device("point.*.readable point.*.unit point.*.quantum", has_unit)
class ZeroPrintedBare(Device):
    """Zero is printed as its one digit, before anybody looks how many decimals there are."""

    def _worded(self, entry: PointEntry, value: Value) -> tuple[str, ...]:
        words = super()._worded(entry, value)
        return ("0", *words[1:]) if value == 0 else words


# ---------------------------------------------------------------------------------------------- seventh round


def _in_16_bits(entry: PointEntry) -> bool:
    return entry.scale is not None and entry.scale.low >= 0 and entry.scale.high <= 0xFFFF


@numbers.device(
    "point.*.bounds point.*.quantum wire.reasons",
    lambda vow: any(_in_16_bits(entry) and entry.number.high == 0xFFFF for entry in vow.settings),
)
class HighestCountIsNoNumber(Device):
    """The routine that reads a number of 16 bits answers 65535 for none, so that 65535 steps are none."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return ("type", "number") if given == 0xFFFF and _in_16_bits(entry) else given


_CONSTANT = re.compile(r"([+-]) (\d+(?:\.\d+)?)\b")


def _with_constant(limit: Expression | None) -> bool:
    return limit is not None and _CONSTANT.search(limit.text) is not None


@numbers.tables(
    "point.*.bounds",
    lambda vow: any(
        entry.scale is not None
        and entry.scale.step != 1
        and (_with_constant(entry.low) or _with_constant(entry.high))
        for entry in vow.settings
    ),
)
def bound_constant_in_steps(vow: Vow) -> Vow:
    """The constant in a limit is added in steps, not in units: a volt above another setting is a
    millivolt."""
    for entry in vow.settings:
        for side, limit in (("low", entry.low), ("high", entry.high)):
            if limit is not None and _with_constant(limit):
                sign_and_number = _CONSTANT.search(limit.text)
                assert sign_and_number is not None
                sign, number = sign_and_number.groups()
                steps = Decimal(number) * Decimal(entry.number.grain).scaleb(-entry.number.digits)
                text = limit.text.replace(sign_and_number[0], f"{sign} {steps:f}")
                vow = with_point(vow, entry.name, **{side: parse(text)})
    return vow


@numbers.device(
    "point.*.bounds",
    lambda vow: (
        "local" in vow.parts
        and any(
            entry.local and any(entry.name in limit.names for limit in _limits(vow)) for entry in vow.settings
        )
    ),
)
class BoundStaleAfterPanel(Device):
    """Limits that depend on settings are worked out anew after a put, but not after the front panel's
    dial."""

    stale: Mapping[str, tuple[int, int]] = {}

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        stale = {
            entry.name: self.bounds(entry, now_ns) for entry in self.vow.settings if entry.scale is not None
        }
        super().panel(name, value, now_ns)
        if name in self.settings:
            self.stale = stale

    def boot(self, cause: str, now_ns: int) -> None:
        self.stale = {}
        super().boot(cause, now_ns)

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        self.stale = {}

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        super()._replace(settings, now_ns)
        self.stale = {}

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        return self.stale.get(entry.name) or super().bounds(entry, now_ns)


def _limits(vow: Vow) -> list[Expression]:
    return [limit for entry in vow.settings for limit in (entry.low, entry.high) if limit is not None]


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundOnePutBehind(Device):
    """Limits that depend on settings are worked out before a put is stored, and so are one put behind."""

    before: dict[str, Value] | None = None

    def boot(self, cause: str, now_ns: int) -> None:
        self.before = None
        super().boot(cause, now_ns)

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        before = dict(self.settings)
        super()._set(entry, value, now_ns)
        self.before = before

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        super()._replace(settings, now_ns)
        self.before = None

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        now = self.settings
        self.settings = now if self.before is None else self.before
        found = super().bounds(entry, now_ns)
        self.settings = now
        return found


@numbers.device("wire.unit wire.reasons", has_unit)
class UnitByFirstLetter(Device):
    """Of a unit only the first letter is looked at."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        return super()._unit(unit, given, checked) or (len(given) == 1 and given[0][0] == unit[0])


@numbers.device(
    "wire.unit wire.reasons",
    lambda vow: len({entry.scale.unit for entry in vow.points.values() if entry.scale}) > 1,
)
class UnitAnyOfTheTable(Device):
    """Whether a word is a unit is looked up in the table of units, and not whether it is that of the
    point."""

    def _unit(self, unit: str, given: tuple[str, ...], checked: bool) -> bool:
        known = {quantity.unit for quantity in self.vow.document.quantities.values()} - {"1"}
        return super()._unit(unit, given, checked) or (len(given) == 1 and given[0] in known)


@numbers.device("point.*.bounds wire.reasons", has_dependent_limit)
class PutHeldAtTheLimit(Device):
    """A number beyond what another setting allows is held there and answered `ok`, as at the panel."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "range":
            return ok, words
        entry = self.vow.points[request.name]
        given, scale = self._read(entry, request), entry.number
        if not isinstance(given, int) or not scale.low <= given <= scale.high:
            return ok, words
        low, high = self.bounds(entry, now_ns)
        held = scale.text(min(max(given, low), high))
        return super()._put(request._replace(arguments=(held, *request.arguments[1:])), now_ns)


@numbers.device(
    "wire.reasons wire.bulk point.*.readable",
    lambda vow: any(entry.record is not None for entry in vow.points.values()),
)
class IndexRounded(Device):
    """The index of a part is read like any other number, and rounded to a whole one."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        if len(arguments) == 1 and re.fullmatch(r"(0|[1-9][0-9]{0,4})\.[0-9]{1,4}", arguments[0]):
            arguments = (str(math.floor(Fraction(arguments[0]) + Fraction(1, 2))),)
        return super()._part(entry, arguments, now_ns)


@numbers.device("wire.exact", has_unit)
class WholeNumberExactEnough(Device):
    """An unchecked number without a point is exact enough, whatever digits the step has."""

    def _exact(self, scale: Scale, text: str, digits: int, counts: int) -> bool:
        return super()._exact(scale, text, digits, counts) or "." not in text


# ---------------------------------------------------------------------------------------------- eighth round


@numbers.device(
    "wire.exact wire.round",
    lambda vow: any(entry.scale is not None and entry.scale.digits > 1 for entry in vow.settings),
)
class ShortFractionNotPadded(Device):
    """The digits after the point are taken for so many steps: a checked 1.5 is one and five thousandths."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is not None and request.checked and request.arguments:
            found = re.fullmatch(r"(-?(?:0|[1-9][0-9]*)[.])([0-9]+)", request.arguments[0])
            if found is not None:
                padded = found[1] + found[2].rjust(entry.scale.digits, "0")
                request = request._replace(arguments=(padded, *request.arguments[1:]))
        return super()._read(entry, request)


@numbers.device(
    "wire.round point.*.quantum", lambda vow: any(entry.number.digits > 0 for entry in below_zero(vow))
)
class SignLostWhenReadBelowOne(Device):
    """A number is read as its whole part and the rest: the sign of a minus zero before the point is lost."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        given = super()._read(entry, request)
        return -given if isinstance(given, int) and request.arguments[0].startswith("-0.") else given


@numbers.device("point.*.bounds", has_dependent_limit)
class RefusalLimitsKept(Device):
    """The text of a refusal for the range is made once for each setting, and the same text is sent again."""

    kept: Mapping[str, Answer] = {}

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "range":
            return ok, words
        self.kept = {request.name: (ok, words), **self.kept}
        return self.kept[request.name]


@numbers.device("point.*.bounds", has_dependent_limit)
class BoundOfQuantityInOperation(Device):
    """While energised a setting is tested against its quantity only, so that the loop is not held up."""

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        if self.vow.states[self.state].energised:
            return entry.number.low, entry.number.high
        return super().bounds(entry, now_ns)


def _of_two(entry: PointEntry) -> bool:
    return entry.derived is not None and len(entry.derived.names) > 1


@numbers.device("point.*.derived law.*", lambda vow: any(_of_two(entry) for entry in vow.points.values()))
class DerivedFollowsFirstOnly(Device):
    """A computed point is computed anew when the first of what it is made of changes, not when another
    does."""

    computed: Mapping[str, tuple[Value, Value]] = {}

    def boot(self, cause: str, now_ns: int) -> None:
        self.computed = {}
        super().boot(cause, now_ns)

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.derived is None or not _of_two(entry):
            return super().value(entry, now_ns)
        first = super().value(self.vow.points[min(entry.derived.names, key=entry.derived.text.find)], now_ns)
        before = self.computed.get(entry.name)
        if before is not None and before[0] == first:
            return before[1]
        value = super().value(entry, now_ns)
        self.computed = {**self.computed, entry.name: (first, value)}
        return value


@numbers.device(
    "wire.exact",
    lambda vow: any(
        entry.scale is not None and entry.scale.unit == "1" and entry.set_in is None for entry in vow.settings
    ),
)
class DigitsFreeWithoutUnit(Device):
    """An unchecked number without a unit is not held to its step's digits: the test is in the unit's
    branch."""

    def _exact(self, scale: Scale, text: str, digits: int, counts: int) -> bool:
        return scale.unit == "1" or super()._exact(scale, text, digits, counts)


@numbers.device(
    "wire.unit wire.reasons",
    lambda vow: any(
        entry.scale is not None and entry.scale.unit != "1" and entry.scale.low <= 0 <= entry.scale.high
        for entry in vow.settings
    ),
)
class UnitOfZeroNotLookedAt(Device):
    """Zero is zero in every unit, and so the unit behind it is not looked at."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        arguments = request.arguments
        if entry.scale is not None and len(arguments) == 2 and re.fullmatch(r"0([.]0+)?", arguments[0]):
            request = request._replace(arguments=(arguments[0], entry.scale.unit))
        return super()._read(entry, request)
