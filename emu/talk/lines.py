"""What a line of the console means, and doing it. No terminal in here.

NAME                  ask a point, or all points that a pattern such as `input.*` names
ask NAME              the same
put NAME VALUE [UNIT] set a point
act NAME [NUMBER]     do an action; one that needs a ticket gets it first
:bench EVENT [VALUE [UNIT]]   make something happen on the bench, where there is a rig
:wait NUMBER [UNIT]   let time pass: s (if nothing is said), ms, min or h
:plot [NAME]          draw a reading over time above the line; without a name no more
:help [NAME]          what the document says of it
:quit                 end; so does the end of the input
"""

from __future__ import annotations

import fnmatch
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import NoReturn

from wirevow.protocol.client.names import describe_action, describe_point
from wirevow.protocol.client.operations import Event
from wirevow.protocol.client.sync import Client
from wirevow.protocol.client.values import Plain
from wirevow.protocol.conformance.envelope import energising_actions
from wirevow.protocol.conformance.rig import Rig
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.inputs import decimal_of
from wirevow.protocol.quantity import parse_integer
from wirevow.protocol.units import si_per_unit
from wirevow.protocol.vow import Vow, bench_events

VERBS = {
    "ask": "ask NAME: the value of a point, or of all that a pattern such as input.* names",
    "put": "put NAME VALUE [UNIT]: set a point",
    "act": "act NAME [NUMBER]: do an action; one that needs a ticket gets it first",
}
COLONS = {
    ":bench": ":bench EVENT [VALUE [UNIT]]: make something happen on the bench",
    ":wait": ":wait NUMBER [UNIT]: let time pass; s, ms, min or h",
    ":plot": ":plot [NAME]: draw a reading over time while you type; without a name no more",
    ":help": ":help [NAME]: what the document says of a point, an action or a bench event",
    ":quit": ":quit: make the instrument safe, and end",
}
TIMES = ("s", "ms", "min", "h")
LONGEST_S = 400 * 24 * 3600.0
"""Of one `:wait`: more than a year."""
SLICE_S, VIRTUAL_SLICE_S = 0.5, 30.0
"""A wait is cut in pieces, so that notices are told while it lasts."""
MOST_SAMPLES = 600
"""Of what is plotted: ten minutes, where it is looked at each second."""
SAMPLES = 8
"""Of a series in a record, so many are shown."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a line came to: `lines` for people, `data` for programs."""

    lines: tuple[str, ...]
    data: object


class Leave(Exception):
    """`:quit`."""


class Talk:
    """A conversation with the instrument of a client. `rig`: the hands on its bench, if there are any.

    `agree` is called once, with the action's name, before the first that lets a real instrument handle power;
    it raises WirevowError if the person does not agree. `meanwhile` is called during a wait, with the
    seconds that have passed and those in all.
    """

    def __init__(
        self,
        client: Client,
        rig: Rig | None = None,
        agree: Callable[[str], None] | None = None,
        meanwhile: Callable[[float, float], None] = lambda passed, whole: None,
    ) -> None:
        self.client = client
        self.vow: Vow = client.vow
        self.meanwhile = meanwhile
        self.news: deque[str] = deque()
        """Notices that nobody has shown yet."""
        self.state = ""
        """The instrument's state when it was last asked."""
        self._rig = rig
        self._agree = agree
        self._energising = energising_actions(self.vow)
        declared = bench_events(self.vow.document) if rig is not None else {}
        made = rig.hello().events if rig is not None else frozenset()
        self.events: dict[str, BenchEvent] = {name: each for name, each in declared.items() if name in made}
        """Bench events that can be made to happen."""
        self.plotted = ""
        """The point that is drawn over time; empty for none."""
        self.samples: deque[tuple[float, float]] = deque(maxlen=MOST_SAMPLES)
        """Its values, with the client's time in seconds."""
        client.on_notice(self._note)

    def do(self, line: str) -> Answer | None:
        """Do what a line says; None for a blank one and for a comment (`#`). WirevowError, Leave."""
        words = line.split()
        if not words or words[0].startswith("#"):
            return None
        match words:
            case [":quit"]:
                raise Leave
            case [":help", *names] if len(names) < 2:
                return self._help(names)
            case [":plot", *names] if len(names) < 2:
                return self._plot(names)
            case [":wait", number, *unit] if len(unit) < 2:
                return self._wait(number, unit[0] if unit else TIMES[0])
            case [":bench", event, *value] if len(value) < 3:
                return self._bench(event, value)
            case ["put", name, *value] if 0 < len(value) < 3:
                return self._put(name, value)
            case ["act", name, *number] if len(number) < 2:
                return self._act(name, number)
            case ["ask", name]:
                return self._ask(name)
            case [verb, *_] if verb in VERBS or verb in COLONS:
                raise WirevowError(f"write {(VERBS | COLONS)[verb]}")
            case [name] if not name.startswith(":"):
                return self._ask(name)
        known = {**VERBS, **COLONS, **self.vow.points}
        raise WirevowError(f"{words[0]}: write {', '.join(VERBS | COLONS)}{_near(words[0], known)}")

    def hear(self) -> None:
        """Take what has come from the instrument."""
        self.client.run(self.client.host.pause(0))

    def look(self) -> None:
        """Ask the state, which keeps the link alive too."""
        name = self.vow.system_name("state")
        if name is not None:
            self.state = str(self.client[name].read())
        self._sample()

    def _sample(self) -> None:
        if self.plotted:
            self.samples.append((self.client.now_s(), float(str(self.client[self.plotted].read()))))

    # ------------------------------------------------------------------------------------------------ verbs

    def _ask(self, name: str) -> Answer:
        entry = self.vow.points.get(name)
        if entry is not None and entry.record is not None:
            fields = self.client[name].record()
            return Answer(tuple(f"{field} {_few(value)}" for field, value in fields.items()), {name: fields})
        if entry is None and not fnmatch.filter(self.vow.points, name):
            self._unknown(name, self.vow.points)
        found = self.client.read(name)
        if entry is not None:
            return Answer((self.shown(name, found[name]),), self._data(found))
        width = max(map(len, found))
        return Answer(
            tuple(f"{each:{width}} {self.shown(each, value)}" for each, value in found.items()),
            self._data(found),
        )

    def _put(self, name: str, words: list[str]) -> Answer:
        entry = self.vow.points.get(name)
        if entry is None:
            self._unknown(name, self.vow.points)
        value: object = words[0]
        if entry.scale is not None:
            self._unit(name, entry.scale.unit, words[1:])
            try:
                value = decimal_of(words[0])
            except ValueError as error:
                raise WirevowError(f"{name}: {error}") from None
        elif len(words) > 1:
            raise WirevowError(f"{name} is one of {', '.join(entry.choices)}, without a unit")
        took = self.client[name].put(value)
        return Answer((self.shown(name, took),), self._data({name: took}))

    def _act(self, name: str, number: list[str]) -> Answer:
        if name not in self.vow.actions:
            self._unknown(name, self.vow.actions)
        many = self.vow.actions[name].many
        if bool(number) != bool(many) or not all(parse_integer(each) is not None for each in number):
            wanted = f"a number from 0 to {many - 1}" if many else "nothing"
            raise WirevowError(f"act {name}: write {wanted} behind it")
        if name in self._energising and self._agree is not None:
            self._agree(name)
            self._agree = None
        said = self.client[name](*map(int, number))
        return Answer((said or "ok",), {name: said})

    # ----------------------------------------------------------------------------------------------- colons

    def _wait(self, number: str, unit: str) -> Answer:
        try:
            seconds = float(decimal_of(number)) * si_per_unit(unit)
        except ValueError as error:
            raise WirevowError(f":wait {number}: {error}") from None
        if unit not in TIMES or not 0 <= seconds <= LONGEST_S:
            raise WirevowError(f":wait: a time in {', '.join(TIMES)}, at most {LONGEST_S / 3600:.0f} h")
        begun = self.client.now_s()
        longest = VIRTUAL_SLICE_S if self.client.host.virtual else SLICE_S
        while (left := begun + seconds - self.client.now_s()) > 1e-9:
            self.client.sleep(min(left, longest))
            self._sample()
            self.meanwhile(min(self.client.now_s() - begun, seconds), seconds)
        return Answer(("ok",), {"seconds": seconds})

    def _plot(self, names: list[str]) -> Answer:
        name = names[0] if names else ""
        numbers = {each.name: each for each in self.vow.points.values() if each.scale is not None}
        if name and name not in numbers:
            self._unknown(name, numbers)
        self.plotted = name
        self.samples.clear()
        self._sample()
        return Answer(("ok",), {"plot": name or None})

    def _bench(self, event: str, words: list[str]) -> Answer:
        if self._rig is None:
            raise WirevowError(
                ":bench needs hands on the bench: emu:// brings its own, elsewhere name them with --rig"
            )
        if event not in self.events:
            self._unknown(event, self.events)
        quantity = self.events[event].value
        if quantity is not None:
            self._unit(event, self.vow.document.quantities[quantity].unit, words[1:])
        elif len(words) > 1:
            raise WirevowError(f"{event}: a word and no unit")
        self._rig.bench(event, words[0] if words else None)
        return Answer(("ok",), {event: words[0] if words else None})

    def _help(self, names: list[str]) -> Answer:
        if not names:
            hint = "names: " + ", ".join((*self.vow.points, *self.vow.actions, *self.events))
            return Answer((*VERBS.values(), *COLONS.values(), hint), {**VERBS, **COLONS})
        told = self.means(names[0])
        if told is None:
            self._unknown(names[0], {**self.vow.points, **self.vow.actions, **self.events})
        return Answer((told,), {names[0]: told})

    # ------------------------------------------------------------------------------------------------ texts

    def means(self, name: str) -> str | None:
        """What the document says of a point, an action or a bench event; what a word of the console does."""
        if name in self.vow.points:
            return describe_point(self.vow, self.vow.points[name])
        if name in self.vow.actions:
            return describe_action(self.vow, self.vow.actions[name])
        if name in self.events:
            event = self.events[name]
            kind = " / ".join(event.choice or ())
            if event.value is not None:
                kind = f"a value in {self.vow.document.quantities[event.value].unit}"
            return f"{name}: {kind + '. ' if kind else ''}{event.means}"
        return (VERBS | COLONS).get(name)

    def shown(self, name: str, value: Plain) -> str:
        """A value with its unit, in the digits of its step."""
        scale = self.vow.points[name].scale
        if scale is None:
            return str(value)
        return " ".join((f"{value:.{scale.digits}f}", *((scale.unit,) if scale.unit != "1" else ())))

    def _data(self, values: dict[str, Plain]) -> dict[str, dict[str, Plain | None]]:
        scales = {name: self.vow.points[name].scale for name in values}
        units = {name: None if scale is None else scale.unit for name, scale in scales.items()}
        return {name: {"value": value, "unit": units[name]} for name, value in values.items()}

    def _unit(self, name: str, unit: str, given: list[str]) -> None:
        if given and given[0] != unit:
            raise WirevowError(f"{name} is in {unit}, not {given[0]}: a unit is never converted")

    def _unknown(self, name: str, known: object) -> NoReturn:
        raise WirevowError(f"there is no {name}{_near(name, known)} :help tells the names")

    def _note(self, event: Event) -> None:
        if not event.number:  # it is about the link, and nothing that the instrument said
            self.news.append(f"the port was lost and is open again; the instrument: {', '.join(event.words)}")
            return
        lost = f" ({event.missed} notices before it were lost)" if event.missed else ""
        self.news.append(f"note {event}{lost}")


def _near(word: str, known: object) -> str:
    assert isinstance(known, dict)
    near = get_close_matches(word[:60], known, n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(near)}?" if near else "."


def _few(value: object) -> str:
    if isinstance(value, list) and len(value) > SAMPLES:
        return f"{' '.join(map(str, value[:SAMPLES]))} ... ({len(value)} in all)"
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
