"""Bench events, provocations and the trial: a tester can do what they say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.document.model import BenchEvent, duration_text
from wirevow.protocol.document.vet.machine import stops
from wirevow.protocol.document.vet.points import Values, defaults, limits
from wirevow.protocol.document.vet.survey import Provocation, Survey, Where, on_step, plain
from wirevow.protocol.vow import scale_of


def check(survey: Survey) -> None:
    """Every rule about testing. `puts` is apart, for it needs limits that are sound."""
    for name, event in survey.document.bench.items():
        _event(survey, name, event)
    for provocation in survey.provocations():
        _provoke(survey, provocation)
    _trial(survey)


def puts(survey: Survey) -> None:
    """What a tester puts is accepted, one after another, from the defaults."""
    values = defaults(survey)
    _put_somewhere(survey, ("trial", "put"), survey.document.trial.put, {survey.initial})
    if not _put(survey, ("trial", "put"), survey.document.trial.put, values):
        return
    for provocation in survey.provocations():
        put = dict(values)
        states = {survey.initial, provocation.provoke.state}
        _put_somewhere(survey, (*provocation.where, "put"), provocation.provoke.put, states)
        if _put(survey, (*provocation.where, "put"), provocation.provoke.put, put):
            _silent_enough(survey, provocation, put)


def _put_somewhere(survey: Survey, where: Where, put: Iterable[str], states: Set[str]) -> None:
    """What is put can be put in one of these states."""
    for name in put:
        allowed = survey.document.points[name].set_in
        if allowed is not None and not states & set(allowed):
            survey.report(
                "put-refused",
                (*where, name),
                f"{name} can be put in {' and '.join(allowed)}, not in {' or '.join(sorted(states))}",
                "put another setting, or allow it there with set_in",
            )


def _silent_enough(survey: Survey, provocation: Provocation, values: Values) -> None:
    """The host is silent for longer than the trip that it provokes allows."""
    where, provoke = provocation.where, provocation.provoke
    silence = next((name for name, each in survey.document.points.items() if each.system == "silence"), None)
    if not provoke.silence or silence is None or where[0] != "trips":
        return
    trip = survey.document.trips[str(where[1])]
    if trip.when.names - values.keys() - {silence, "panel.control"}:
        return
    seconds = Fraction(provoke.within - trip.after, 10**9)
    if not trip.when.truth({**values, "panel.control": "remote", silence: seconds}):
        survey.report(
            "provoke-time",
            (*where, "within"),
            f"{provocation.name} does not happen in {duration_text(provoke.within)} of silence",
            "write a longer time, or put a shorter silence that is allowed",
        )


def _put(survey: Survey, where: Where, put: Mapping[str, Decimal | str], values: Values) -> bool:
    sound = True
    for name, value in put.items():
        if isinstance(value, str):
            values[name] = value
            continue
        exact = Fraction(value)
        scale = survey.scales[name]
        low, high = limits(survey, name, values)
        if not on_step(exact, scale):
            _off_step(survey, (*where, name), name, value, scale.step)
            sound = False
        elif not low <= exact <= high:
            survey.report(
                "put-refused",
                (*where, name),
                f"putting {name} to {value:f} is refused, its limits are {plain(low)} to {plain(high)} then",
                "put another value, or first the settings that its limits depend on",
            )
            sound = False
        values[name] = exact
    return sound


def _off_step(survey: Survey, where: Where, name: str, value: Decimal, step: Fraction) -> None:
    survey.report(
        "off-step",
        where,
        f"{value:f} is no whole number of steps of {name}, {plain(step)} each",
        "write a value that is",
    )


def _event(survey: Survey, name: str, event: BenchEvent) -> None:
    where = ("bench", name)
    if event.value is not None and event.choice is not None:
        survey.report(
            "event-form", (*where, "choice"), f"{name} has a quantity and choices", "keep value: or choice:"
        )
        return
    for index, name_shown in enumerate(event.shown_by):
        unit = survey.document.quantities[event.value].unit if event.value is not None else "no number"
        shown = survey.scales[name_shown].unit
        if shown != unit:
            survey.report(
                "event-form",
                (*where, "shown_by", index),
                f"{name_shown} is in {shown}, {name} in {unit}",
                "name a reading in its unit",
            )
    for key, value in (("base", event.base), ("other", event.other)):
        if value is None:
            continue
        here = (*where, key)
        if event.value is None and event.choice is None:
            survey.report("event-form", here, f"{name} has a {key} and no values", "add value: or choice:")
        elif event.choice is not None and value not in event.choice:
            survey.report("event-base", here, f"{value} is no choice of {name}", f"write {event.choice[0]}")
        elif event.value is not None and isinstance(value, str):
            survey.report("event-base", here, f"{name} is a number, not {value}", "write a number")
        else:
            _happens(survey, here, name, value)


def _happens(survey: Survey, where: Where, name: str, value: Decimal | str) -> None:
    """The value of an event is one that its quantity can have."""
    quantity = survey.events[name].value
    if quantity is None or isinstance(value, str):
        return
    scale = scale_of(survey.document.quantities[quantity])
    low, high = scale.low * scale.step, scale.high * scale.step
    if not on_step(value, scale):
        _off_step(survey, where, name, value, scale.step)
    elif not low <= Fraction(value) <= high:
        survey.report(
            "event-base",
            where,
            f"{name} is {plain(low)} to {plain(high)}, not {value:f}",
            "write a value that it can have",
        )


def _provoke(survey: Survey, provocation: Provocation) -> None:
    where, name, provoke = provocation.where, provocation.name, provocation.provoke
    # All else may come about by being in a state; a trip does not.
    if where[0] == "trips" and not provoke.put and not provoke.bench and not provoke.silence:
        survey.report("provoke-idle", where, f"nothing provokes {name}", "add put:, bench: or silence: true")
    if provocation.states and provoke.state not in provocation.states:
        survey.report(
            "provoke-state",
            (*where, "state"),
            f"{name} does not happen in {provoke.state}",
            f"bring it to {' or '.join(sorted(provocation.states))}",
        )
    if provoke.within <= provocation.after:
        survey.report(
            "provoke-time",
            (*where, "within"),
            f"{name} takes {duration_text(provocation.after)}, and has {duration_text(provoke.within)}",
            "write a longer time",
        )
    elif where[0] in ("trips", "states") and provoke.state in provocation.states:
        _lasts(survey, provocation)
    for key, events in (("bench", provoke.bench), ("relief", provoke.relief)):
        for event, value in events.items():
            _happens(survey, (*where, key, event), event, value)


def _lasts(survey: Survey, provocation: Provocation) -> None:
    """While it is waited for, no time leads to where it cannot happen any more."""
    where, name, provoke = provocation.where, provocation.name, provocation.provoke
    states, within = survey.document.states, provoke.within
    seen: set[str] = set()
    state: str | None = provoke.state
    passed = 0
    while state is not None and state not in seen and state in provocation.states:
        seen.add(state)
        timed = [leave for leave in states[state].leaves if leave.when is None]
        first = min(timed, key=lambda leave: leave.after, default=None)
        if first is None:
            return
        passed += first.after
        if passed > within:
            return
        state = first.to
    if state not in provocation.states:
        survey.report(
            "provoke-time",
            (*where, "within"),
            f"{name} is given {duration_text(within)}, and {provoke.state} lasts for {duration_text(passed)}",
            "write a shorter time, or provoke it in a state that lasts longer",
        )


def _trial(survey: Survey) -> None:
    document = survey.document
    trial = document.trial
    if trial.reset is not None and "defaults" not in document.actions[trial.reset].does:
        survey.report(
            "trial-reset",
            ("trial", "reset"),
            f"{trial.reset} does not bring the settings to their defaults",
            "name an action with does: [defaults]",
        )
    if trial.safe is not None:
        action = document.actions[trial.safe]
        left = [
            name
            for name, state in document.states.items()
            if state.energised and not stops(survey, action, name)
        ]
        if not action.always or left:
            survey.report(
                "trial-safe",
                ("trial", "safe"),
                f"{trial.safe} does not always end {left[0]}" if left else f"{trial.safe} is not always done",
                "name an action with always: true that ends every energised state",
            )
