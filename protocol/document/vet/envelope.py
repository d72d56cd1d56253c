"""The envelope, derating, the fan and the laws: each says something, and nothing that cannot be."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from wirevow.protocol.document.model import Fan, Law, rows_of
from wirevow.protocol.document.vet.survey import Survey, Where, on_step, plain
from wirevow.protocol.units import si_per_unit


def check(survey: Survey) -> None:
    """Every rule about what always holds."""
    _limits(survey)
    _derating(survey)
    if survey.document.fan is not None:
        _fan(survey, survey.document.fan)
    for name, law in survey.document.laws.items():
        _law(survey, name, law)


def _limits(survey: Survey) -> None:
    for name, limit in survey.document.limits.items():
        where = ("limits", name)
        if limit.low is None and limit.high is None:
            survey.report("envelope-open", where, f"{name} has no low and no high", "write one of them")
            continue
        low, high = survey.ranges[limit.of]
        lowest = None if limit.low is None else survey.interval(limit.low)
        highest = None if limit.high is None else survey.interval(limit.high)
        if lowest is not None and lowest[1] <= low:
            survey.report(
                "envelope-never",
                (*where, "low"),
                f"{limit.of} is never below {plain(low)}, so this limit of {plain(lowest[1])} says nothing",
                "raise it, or remove it",
            )
        if highest is not None and highest[0] >= high:
            survey.report(
                "envelope-never",
                (*where, "high"),
                f"{limit.of} is never above {plain(high)}, so this limit of {plain(highest[0])} says nothing",
                "lower it, or remove it",
            )
        least = max(low, lowest[0]) if lowest is not None else low
        most = min(high, highest[1]) if highest is not None else high
        if least > most:
            survey.report(
                "envelope-empty",
                (*where, "low" if limit.low is not None else "high"),
                f"{limit.of} would be at least {plain(least)} and at most {plain(most)}",
                "leave room between the limits, inside the quantity's range",
            )


def _temperature(survey: Survey, where: Where, name: str, value: Decimal) -> bool:
    """A temperature that is compared with a reading: on its step, and one that it can have."""
    low, high = survey.full_ranges[name]
    if not on_step(value, survey.scales[name]):
        scale = survey.scales[name]
        below = Fraction(value) // scale.step
        survey.report(
            "off-step",
            where,
            f"{value:f} is no whole number of steps of {name}, {plain(scale.step)} each",
            f"write {scale.text(below)} or {scale.text(below + 1)}",
        )
        return False
    if not low <= Fraction(value) <= high:
        survey.report(
            "fan-range" if where[0] == "fan" else "derating-order",
            where,
            f"{name} is never {value:f}, but {plain(low)} to {plain(high)}",
            "write a temperature that can be read",
        )
        return False
    return True


def _derating(survey: Survey) -> None:
    derating = survey.document.derating
    if derating is None:
        return
    for key, value in (("start", derating.start), ("end", derating.end)):
        if not _temperature(survey, ("derating", key), derating.temperature, value):
            return
    if derating.start >= derating.end:
        survey.report(
            "derating-order",
            ("derating", "end"),
            f"derating starts at {derating.start:f} and ends at {derating.end:f}",
            "end it at a higher temperature",
        )


def _fan(survey: Survey, fan: Fan) -> None:
    sound = True
    for index, level in enumerate(fan.levels):
        sound = _temperature(survey, ("fan", "levels", index, "at"), fan.temperature, level.at) and sound
        duty = Fraction(level.duty) / Fraction(str(si_per_unit(survey.scales[fan.duty].unit)))
        low, high = survey.full_ranges[fan.duty]
        if not low <= duty <= high:
            survey.report(
                "fan-range",
                ("fan", "levels", index, "duty"),
                f"{fan.duty} is never {plain(duty)}, but {plain(low)} to {plain(high)}",
                "write a duty that it can have",
            )
            sound = False
    for index, (before, level) in enumerate(pairwise(fan.levels), start=1):
        for key, below, above in (("at", before.at, level.at), ("duty", before.duty, level.duty)):
            if above <= below:
                survey.report(
                    "fan-step-back",
                    ("fan", "levels", index, key),
                    f"level {index + 1} has {key} {above:f} after {below:f}",
                    "let temperature and duty rise from level to level",
                )
                sound = False
    if not sound:
        return
    nearest = min((level.at - before.at for before, level in pairwise(fan.levels)), default=None)
    if nearest is not None and fan.hysteresis >= nearest:
        survey.report(
            "fan-hysteresis",
            ("fan", "hysteresis"),
            f"a hysteresis of {fan.hysteresis:f} reaches past the next level, {nearest:f} away",
            f"write less than {nearest:f}",
        )


_INTEGRALS = {("A", "C"), ("W", "J"), ("V", "Wb")}
"""Units whose integral over time has a name of its own; for all others it is unit.s or unit.h."""


def _law(survey: Survey, name: str, law: Law) -> None:
    if law.holds is not None:
        truths = survey.truths(law.holds)
        if truths == {False}:
            survey.report(
                "law-never",
                ("laws", name, "holds"),
                f"the law {name} holds for no values that can be read",
                "widen its tolerance",
            )
        elif truths == {True}:
            survey.report(
                "law-always",
                ("laws", name, "holds"),
                f"the law {name} holds whatever is read, so it says nothing",
                "narrow its tolerance",
            )
    if law.when is not None and survey.truths(law.when) == {False}:
        survey.report(
            "law-never",
            ("laws", name, "when"),
            f"the law {name} is about values that cannot be read",
            "mend the condition",
        )
    if law.integral_of is not None and law.counter is not None:
        unit, counted = (_unit(survey, point) for point in (law.integral_of, law.counter))
        if counted not in (f"{unit}.h", f"{unit}.s") and (unit, counted) not in _INTEGRALS:
            survey.report(
                "law-units",
                ("laws", name, "is"),
                f"{law.counter} is in {counted}, the integral of {law.integral_of} in {unit}.s or {unit}.h",
                "name the counter that is the integral, or mend its unit",
            )
    for index, phase in enumerate(law.phases or ()):
        assert law.alternates is not None
        where = ("laws", name, "phases", index)
        _same_unit(survey, (*where, "level"), phase.level, _unit(survey, law.alternates))
        _same_unit(survey, (*where, "lasts"), phase.lasts, "s")
    if law.counted_by is not None:
        _same_unit(survey, ("laws", name, "counted_by"), law.counted_by, "1")
    if law.rows is not None and law.steps is not None:
        level, lasts = (rows_of(survey.document, each)[0] for each in (law.rows.level, law.rows.lasts))
        _same_unit(survey, ("laws", name, "rows", "level"), level, _unit(survey, law.steps))
        _same_unit(survey, ("laws", name, "rows", "lasts"), lasts, "s")
    if law.elapses is not None:
        _same_unit(survey, ("laws", name, "elapses"), law.elapses, "s")
    if law.rate_of is not None and law.at_most is not None:
        _same_unit(survey, ("laws", name, "at_most"), law.at_most, f"{_unit(survey, law.rate_of)}/s")


def _unit(survey: Survey, point: str) -> str:
    return survey.scales[point].unit


def _same_unit(survey: Survey, where: Where, point: str, unit: str) -> None:
    present = _unit(survey, point)
    if present != unit:
        survey.report(
            "law-units", where, f"{point} is in {present}, not in {unit}", f"name a point in {unit}"
        )
