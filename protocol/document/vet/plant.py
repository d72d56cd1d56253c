"""What the document reads from its plant, drives, and lets happen to it is there, and is told what it takes.

Nothing is asked here unless somebody who has plants says what this one offers (`Terminals`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from decimal import Decimal
from types import MappingProxyType

from wirevow.protocol.document.model import FromPoint, Pulse
from wirevow.protocol.document.terminals import Control, Terminals
from wirevow.protocol.document.vet.survey import Survey, Where, near
from wirevow.protocol.units import convertible, si_per_unit, units_of


def check(survey: Survey, plant: Terminals) -> None:
    """Every rule about the plant."""
    for name, point in survey.document.points.items():
        where: Where = ("points", name)
        if point.signal is not None and _has(
            survey, plant, (*where, "signal"), "signal", point.signal, plant.signals
        ):
            _unit(
                survey,
                (*where, "signal"),
                name,
                point.quantity,
                point.signal,
                plant.signals[point.signal].unit,
            )
        if point.drives is not None:
            _driven(survey, plant, (*where, "drives"), point.drives, name, point.drives_as)
    _outputs(survey, plant)
    pulses = {name for name, control in plant.controls.items() if control.pulse}
    for name, action in survey.document.actions.items():
        for index, effect in enumerate(action.does):
            if isinstance(effect, Pulse) and effect.pulse is not None:
                _has(survey, plant, ("actions", name, "does", index), "impulse", effect.pulse, pulses)
    for name, event in survey.document.bench.items():
        where = ("bench", name)
        if _has(survey, plant, where, "event", name, plant.events):
            known = plant.events[name]
            _told(survey, where, name, known, event.value, event.choice)
            for key, value in (("base", event.base), ("other", event.other)):
                _bench_value(survey, (*where, key), name, known, value)
    for provocation in survey.provocations():
        for key, happens in (("bench", provocation.provoke.bench), ("relief", provocation.provoke.relief)):
            for name, value in happens.items():
                if name in survey.document.bench and name in plant.events:
                    _bench_value(survey, (*provocation.where, key, name), name, plant.events[name], value)


def _has(
    survey: Survey, plant: Terminals, where: Where, kind: str, name: str, known: Collection[str]
) -> bool:
    if name in known:
        return True
    otherwise = f"write one of {', '.join(sorted(known))}" if known else "leave it out"
    what = {"event": "bench event"}.get(kind, kind)
    survey.report(
        f"plant-{kind}", where, f"the plant {plant.plant} has no {what} {name}", near(name, known, otherwise)
    )
    return False


def _outputs(survey: Survey, plant: Terminals) -> None:
    lacking: set[str] = set()
    for state, section in survey.document.states.items():
        for name, output in section.outputs.items():
            where = ("states", state, "outputs", name)
            if name in lacking:
                continue  # said where it is first written
            if name not in plant.controls:
                lacking.add(name)
            if isinstance(output, FromPoint):
                _driven(survey, plant, where, name, output.point)
            elif _has(survey, plant, where, "control", name, plant.controls):
                control = plant.controls[name]
                if control.pulse:
                    _takes(
                        survey, where, name, control, "it cannot be held", "give it an impulse in an action"
                    )
                elif isinstance(output, Decimal):
                    _number(survey, where, name, control, float(output))
                else:
                    _word(survey, where, name, control, output)


def _driven(
    survey: Survey,
    plant: Terminals,
    where: Where,
    name: str,
    setting: str,
    words: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """A control that follows a setting."""
    if _has(survey, plant, where, "control", name, plant.controls):
        point = survey.document.points[setting]
        control = plant.controls[name]
        if control.pulse:
            _takes(
                survey, where, name, control, "it cannot follow a setting", "give it an impulse in an action"
            )
        else:
            choice = None if point.choice is None else [words.get(word, word) for word in point.choice]
            _told(survey, where, name, control, point.quantity, choice)


def _told(
    survey: Survey, where: Where, name: str, control: Control, quantity: str | None, choice: list[str] | None
) -> None:
    """A control or an event, and the kind of what it is told: a quantity, words, or nothing."""
    if control.pulse:
        if quantity is not None or choice:
            _takes(survey, where, name, control, "no value", "leave value and choice out")
    elif control.choices:
        if choice is None:
            remedy = f"use a choice of {', '.join(control.choices)}"
            _takes(survey, where, name, control, f"{name} takes a word", remedy)
        for word in choice or ():
            _word(survey, where, name, control, word)
    elif quantity is None:
        remedy = f"use a quantity in {_units(control.unit)}"
        _takes(survey, where, name, control, f"{name} takes a number", remedy)
    else:
        _unit(survey, where, name, quantity, name, control.unit)


def _takes(survey: Survey, where: Where, name: str, control: Control, said: str, remedy: str) -> None:
    message = said if said.startswith(name) else f"{name} is {control.takes()}: {said}"
    survey.report("plant-kind", where, message, remedy)


def _word(survey: Survey, where: Where, name: str, control: Control, word: str) -> None:
    if word not in control.choices:
        otherwise = (
            f"write one of {', '.join(control.choices)}"
            if control.choices
            else f"write a number {control.takes()}"
        )
        survey.report("plant-word", where, f"{name} cannot be {word}", near(word, control.choices, otherwise))


def _number(survey: Survey, where: Where, name: str, control: Control, value: float) -> None:
    if control.choices:
        survey.report("plant-word", where, f"{name} cannot be {value:g}", f"write {control.takes()}")
    elif not control.low <= value <= control.high:
        survey.report(
            "plant-range",
            where,
            f"{name} cannot be {value:g}" + (f" {control.unit}" if control.unit != "1" else ""),
            f"write a number {control.takes()}",
        )


def _bench_value(
    survey: Survey, where: Where, name: str, control: Control, value: Decimal | str | None
) -> None:
    """A number that a bench event is given, in its own unit. Words are among its choices."""
    quantity = survey.document.bench[name].value
    if isinstance(value, Decimal) and quantity is not None and not control.choices:
        unit = survey.document.quantities[quantity].unit
        if convertible(unit, control.unit):
            _number(survey, where, name, control, float(value) * si_per_unit(unit))


def _unit(survey: Survey, where: Where, name: str, quantity: str | None, offered: str, unit: str) -> None:
    """The quantity's unit is one that the plant's converts to."""
    if quantity is None:
        survey.report("plant-kind", where, f"{offered} is a number in {unit}", f"give {name} a quantity")
        return
    wrong = survey.document.quantities[quantity].unit
    if not convertible(wrong, unit):
        survey.report(
            "plant-unit",
            where,
            f"{offered} is in {unit}, and {name} in {wrong}",
            f"use a quantity in {_units(unit)}",
        )


def _units(unit: str) -> str:
    return " or ".join(units_of(unit))
