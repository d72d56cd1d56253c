"""Whether a document and the plant that it chose fit: every signal, control and event that it names is there.

A checker and generated code need no plant, so vetting does not ask; whoever simulates the instrument does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal

from wirevow.emu.plant.interface import Control
from wirevow.emu.plant.terminals import CONTROLS, EVENTS, ROOM_CONTROLS, ROOM_EVENTS, ROOM_SIGNALS, SIGNALS
from wirevow.protocol.document.load import DocumentError, Loaded, Problem
from wirevow.protocol.document.model import Document, FromPoint, Pulse
from wirevow.protocol.document.vet.survey import near

Where = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Terminals:
    """What a kind of plant has."""

    signals: Collection[str]
    controls: Mapping[str, Control]
    events: Mapping[str, Control]


KINDS = {
    "sink": Terminals(SIGNALS, CONTROLS, EVENTS),
    "room": Terminals(ROOM_SIGNALS, ROOM_CONTROLS, ROOM_EVENTS),
}


def fitted(loaded: Loaded[Document]) -> Document:
    """The document, if its plant can be built and driven. DocumentError says what does not fit."""
    problems = [Problem(loaded.marks.line(*where), said) for where, said in _misfits(loaded.document)]
    if problems:
        raise DocumentError(loaded.name, problems)
    return loaded.document


def _misfits(document: Document) -> Iterator[tuple[Where, str]]:
    kind = document.plant.kind
    has = KINDS[kind]

    def lacks(what: str, name: str, known: Collection[str]) -> str:
        otherwise = f"write one of {', '.join(sorted(known))}" if known else "leave it out"
        return f"a {kind} has no {what} {name}: {near(name, known, otherwise)}"

    for name, point in document.points.items():
        if point.signal is not None and point.signal not in has.signals:
            yield ("points", name, "signal"), lacks("signal", point.signal, has.signals)
        if point.drives is not None:
            where: Where = ("points", name, "drives")
            control = has.controls.get(point.drives)
            if control is None:
                yield where, lacks("control", point.drives, has.controls)
            else:
                yield from _told(where, point.drives, control, point.choice)
    for name, state in document.states.items():
        for driven, output in state.outputs.items():
            where = ("states", name, "outputs", driven)
            control = has.controls.get(driven)
            if control is None:
                yield where, lacks("control", driven, has.controls)
            elif isinstance(output, FromPoint):
                yield from _told(where, driven, control, document.points[output.point].choice)
            else:
                try:
                    control.checked(driven, float(output) if isinstance(output, Decimal) else output)
                except ValueError as error:
                    yield where, str(error)
    for name, action in document.actions.items():
        pulses = {key for key, control in has.controls.items() if control.pulse}
        for index, effect in enumerate(action.does):
            if isinstance(effect, Pulse) and effect.pulse not in pulses:
                yield ("actions", name, "does", index), lacks("impulse", effect.pulse, pulses)
    for name, event in document.bench.items():
        where = ("bench", name)
        happens = has.events.get(name)
        if happens is None:
            yield where, lacks("bench event", name, has.events)
        else:
            yield from _told(where, name, happens, event.choice)


def _told(
    where: Where, name: str, control: Control, choices: list[str] | None
) -> Iterator[tuple[Where, str]]:
    """A control, or an event, and the words that it is to be told; None for numbers."""
    if not control.choices:
        if choices:
            yield where, f"{name} takes a number in {control.unit}: use a quantity"
    elif choices is None:
        yield where, f"{name} takes a word: use a choice of {', '.join(control.choices)}"
    else:
        for word in choices:
            if word not in control.choices:
                yield where, f"{name} cannot be {word}: write one of {', '.join(control.choices)}"
