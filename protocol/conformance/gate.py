"""The gate: every line that a check sends passes it, and what must not reach the wire does not.

Two gates. `DryGate` lets out nothing that could energise. `EnvelopeGate` lets out what an envelope allows
(`envelope.Reach`), by these rules:

| line                                                | goes out                                           |
|-----------------------------------------------------|----------------------------------------------------|
| the safe action; an exact `ask`                     | always                                             |
| an exact `put` of a level, a ceiling or the patience | if the value is inside the envelope                |
| an exact `act` that leads into a live state         | if all of `Reach.required` was read back since     |
|                                                     | anything could have changed it, not longer ago     |
|                                                     | than `PROOF_S`, and is inside; if time and charge  |
|                                                     | are left; and if the link watchdog was seen to     |
|                                                     | stop it (`deadman`)                                |
| an action that saves                                | if saves are left                                  |
| an action that saves, boots or switches             | if it was allowed, and so often (`allowance`)      |
| a request that the document refuses                 | as every command that it could be taken for        |
| anything that is no request (hostile)               | only while a rig keeps power from flowing, and     |
|                                                     | never if it holds the name of a live action        |

*Exact* means: of the grammar, with a right check if any, naming what the document has, with arguments of the
right form. The instrument is taken to be faulty, so that everything else is held to what a device might make
of it: names count wherever they stand in a line, in any case, with the eighth bit or control characters, or
with one letter wrong. What comes back is read here too: readings outside the envelope raise `Exceeded`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Protocol

from wirevow.protocol.conformance.allowance import Limits
from wirevow.protocol.conformance.envelope import (
    PATIENCE,
    RESERVE_S,
    Range,
    Reach,
    energising_actions,
    kind_of,
)
from wirevow.protocol.conformance.foresight import margin, outer_readings
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Notice, Reply, Request, parse_answer, parse_request
from wirevow.protocol.quantity import parse_integer
from wirevow.protocol.vow import PointEntry, Value, Vow, bench_events, copies_of, puts_of

NS_PER_S = 1_000_000_000
DRY = "needs a simulated instrument or an envelope"
"""How every reason ends that a dry check, which energises nothing, has for not selecting something."""
BEYOND = "beyond the envelope"
MISHAP = "it takes a mishap, which no envelope allows"
"""The same for a check within an envelope."""
WATCH_NS = 500_000_000
"""Readings are looked at this often while the instrument is live."""
UNTRIED = "whether its link watchdog stops it has not been tried yet"
"""Why nothing is energised at first (see `deadman`)."""
PROOF_S = 5
"""What was read back longer ago is read again: a hand at the front panel may have changed it."""
_LINES_KEPT = 512
_SEVEN_BITS = bytes(range(128)).lower() * 2
_CONTROLS = bytes([*range(0x20), 0x7F])
_TAG = re.compile(rb"^@[0-9a-f]{1,4} ")
_TICKET = re.compile(r"[0-9a-f]{4}")


class NotSelected(Exception):
    """This cannot be tried here: no rig, no permission, or nothing in the document to try it with."""


class NeedsIsolation(NotSelected):
    """The line may go out once a rig keeps harmful power from flowing."""


class Exceeded(WirevowError):
    """A reading is beyond the envelope, or cannot be had: everything stops."""


class Gate(Protocol):
    """What a session asks before it sends, and shows what came."""

    def judge(self, lines: Sequence[bytes], begun: bytes, now_ns: int) -> None:
        """Raises NotSelected if these whole lines, and the one begun after them, must not go out."""

    def sent(self, lines: Sequence[bytes], now_ns: int) -> None:
        """They do go out, now."""

    def heard(self, line: bytes, now_ns: int) -> None:
        """A line came."""


class DryGate:
    """Lets no line out that names an action which leads to where power is handled.

    Not even where the document has it refused, nor damaged beyond what the grammar knows, nor with one letter
    wrong: the instrument is taken to be faulty, and may read more into a line than it should. A name that is
    one flipped bit from an action that energises is refused here as it is within an envelope. So are those of
    actions that save, boot or switch, unless `limits` lets them out, as often as it does.
    """

    def __init__(self, vow: Vow, limits: Limits) -> None:
        self._vow = vow
        self._energising = energising_actions(vow)
        self._limits = limits

    def judge(self, lines: Sequence[bytes], begun: bytes, now_ns: int) -> None:
        for line in (*lines, begun):
            for name in _names(self._vow, line, self._energising):
                raise NotSelected(
                    f"a faulty instrument could take this for {name}, which energises; that {DRY}"
                )
        _hold(self._vow, self._limits, (*lines, begun))

    def sent(self, lines: Sequence[bytes], now_ns: int) -> None:
        self._limits.went(_limited(self._vow, self._limits, lines))

    def heard(self, line: bytes, now_ns: int) -> None:
        """Nothing depends on it."""


@dataclass(slots=True)
class _Ledger:
    """What is known after the lines so far."""

    proven: dict[str, tuple[Value | Fraction, int]] = field(default_factory=dict)
    """What was read back: value and time of the question."""
    asked: dict[str, tuple[str, int]] = field(default_factory=dict)
    """Questions without answer yet: point and time, by tag."""
    saves: int = 0
    live: bool = False
    """It may be handling power: no answer has said that it is not."""

    def copy(self) -> _Ledger:
        return replace(self, proven=dict(self.proven), asked=dict(self.asked))

    def forget(self, name: str | None = None) -> None:
        """A setting may have changed; None: all of them."""
        if name is None:
            self.proven.clear()
            self.asked.clear()
            return
        self.proven.pop(name, None)
        for tag in [tag for tag, (point, _) in self.asked.items() if point == name]:
            del self.asked[tag]


class EnvelopeGate:
    """Holds every line to an envelope, and what is read to it as well."""

    def __init__(self, reach: Reach, limits: Limits) -> None:
        self.reach = reach
        self._limits = limits
        self.exceeded = ""
        """Why everything has stopped; empty while nothing has."""
        self.unguarded = UNTRIED
        """Why nothing may be energised: its link watchdog has not been seen to stop it; empty if it has."""
        self.seconds = Fraction(0)
        """Live so far."""
        self.coulombs = Fraction(0)
        """Drawn so far, at most."""
        self._ledger = _Ledger()
        self._vow = reach.vow
        self._most = reach.envelope.most
        self._safe = reach.vow.document.trial.safe
        self._events = bench_events(reach.vow.document)
        self._bench: dict[str, str] = {}
        self.outer: dict[str, tuple[Fraction, Fraction]] = {}
        """The lowest and highest that readings which the outside moves have been, or may be yet."""
        self._outer = outer_readings(self._vow) & self.reach.readings.keys()
        self._current: tuple[Fraction, int] | None = None
        self._counted_ns: int | None = None
        self._looked_ns = -WATCH_NS
        self._low = ""

    # ---------------------------------------------------------------------------------------- what goes out

    def judge(self, lines: Sequence[bytes], begun: bytes, now_ns: int) -> None:
        self._count(now_ns)
        ledger = self._ledger.copy()
        for line in lines:
            self._decide(line, ledger, now_ns)
        _hold(self._vow, self._limits, (*lines, begun))
        if begun:
            if ledger.live and not self.isolated:
                raise NotSelected(
                    "no incomplete lines while the input may be on: no reading could be asked for meanwhile"
                )
            self._loose(begun, ledger.copy(), now_ns, half=True)
            self._decide(begun, ledger, now_ns)  # so that it can be ended

    def sent(self, lines: Sequence[bytes], now_ns: int) -> None:
        was_live = self._ledger.live
        for line in lines:
            self._decide(line, self._ledger, now_ns)
        self._limits.went(_limited(self._vow, self._limits, lines))
        if self._ledger.live and not was_live:
            self._counted_ns, self._current = now_ns, None

    def energises(self, data: bytes) -> bool:
        """Whether something in these bytes could be taken for an action that leads into a live state."""
        return any(_names(self._vow, line, self.reach.energising) for line in data.split(b"\n"))

    def unproven(self, now_ns: int) -> list[str]:
        """What has to be read back before energising."""
        oldest_ns = now_ns - PROOF_S * NS_PER_S * 4 // 5
        proven = self._ledger.proven
        return [name for name in self.reach.required if name not in proven or proven[name][1] < oldest_ns]

    def allowed(self, name: str) -> Range | None:
        """What the setting may be put to; None for anything."""
        return self.reach.patience if name == PATIENCE else self.reach.settings.get(name)

    def allows(self, name: str, value: Value) -> bool:
        """Whether the setting may be put to this value."""
        allowed = self.allowed(name)
        if allowed is None or not isinstance(value, int):
            return True
        return allowed.holds(value * self._vow.points[name].number.step)

    def _decide(self, line: bytes, ledger: _Ledger, now_ns: int) -> None:
        line = line.removesuffix(b"\r")
        if not line:
            return
        request = exact_request(self._vow, line)
        if request is None:
            self._loose(line, ledger, now_ns)
            return
        if request.verb == "ask":
            if request.tag is not None:
                ledger.asked[request.tag] = (request.name, now_ns)
            return
        if request.verb == "act" and request.name == self._safe:
            return
        if self.exceeded:
            raise NotSelected(f"everything was stopped: {self.exceeded}")
        if request.verb == "put":
            self._put(request, ledger)
        else:
            self._act(request.name, ledger, now_ns)

    def _put(self, request: Request, ledger: _Ledger) -> None:
        entry = self._vow.points[request.name]
        allowed = self.allowed(entry.name)
        # As written: a device need not round as it should.
        if allowed is not None and not allowed.holds(Fraction(request.arguments[0])):
            raise _beyond(entry, request.arguments[0], allowed)
        ledger.forget(entry.name)

    def _act(self, name: str, ledger: _Ledger, now_ns: int) -> None:
        if name in self.reach.saving:
            self._save(ledger)
        self._put_by(name, ledger)
        if {kind for kind, _ in self._vow.actions[name].does} & {"defaults", "recall", "reboot"}:
            ledger.forget()
        if name in self.reach.energising:
            self._energise(name, ledger, now_ns)

    def _put_by(self, name: str, ledger: _Ledger) -> None:
        """What an action puts is held to the envelope as a `put` is."""
        for point, value in puts_of(self._vow.actions[name]):
            entry, allowed = self._vow.points[point], self.allowed(point)
            if allowed is not None and not allowed.holds(int(value) * entry.number.step):
                raise _beyond(entry, entry.number.text(int(value)), allowed)
            ledger.forget(point)
        for point, _ in copies_of(self._vow.actions[name]):
            ledger.forget(point)  # at what the other is: it has to be read back before anything is energised

    def _save(self, ledger: _Ledger) -> None:
        if ledger.saves >= self._most.saves:
            raise NotSelected(f"the envelope's {self._most.saves} saves are used up")
        ledger.saves += 1

    def _energise(self, name: str, ledger: _Ledger, now_ns: int) -> None:
        if self.reach.lacking:
            raise NotSelected(f"{name} energises: {self.reach.lacking}")
        if self.unguarded:
            raise NotSelected(f"{name} energises: {self.unguarded}")
        for each in self.reach.required:
            found = ledger.proven.get(each)
            if found is None or now_ns - found[1] > PROOF_S * NS_PER_S:
                raise NotSelected(f"{name} energises, and {each} was not read back")
            wrong = self._wrong(each, found[0])
            if wrong:
                raise NotSelected(f"{name} energises, and {wrong}")
        spent = self.spent(now_ns)
        if spent:
            raise NotSelected(spent)
        ledger.live = True

    def _wrong(self, name: str, value: Value | Fraction) -> str:
        """What is wrong with a value for energising; empty if nothing."""
        reach, entry = self.reach, self._vow.points[name]
        if name in reach.corrections:
            default = entry.exact(reach.corrections[name])
            return "" if value == default else f"{name} corrects what is measured: it must be at its default"
        if not isinstance(value, Fraction):
            return "" if value in entry.choices else f"{name} reads {value}"
        if name == PATIENCE:
            allowed = reach.silence
        else:
            allowed = reach.held[name] if name in reach.held else reach.readings[name]
        if allowed.holds(value):
            return ""
        return _outside(entry, value, allowed)

    def _loose(self, line: bytes, ledger: _Ledger, now_ns: int, half: bool = False) -> None:
        """A line that is not exact: held to everything that a device might make of it."""
        if self.exceeded:
            raise NotSelected(f"everything was stopped: {self.exceeded}")
        request = parse_request(line)
        hostile = not isinstance(request, Request) or len(line) > self._vow.document.wire.line_limit
        if self.isolated:
            ledger.live = ledger.live or hostile
        elif hostile or (half and _names(self._vow, line, self.reach.settings)):
            raise NeedsIsolation(
                "lines that are not requests are sent to a real instrument only while a rig keeps power "
                "from flowing (`isolated_by` of the envelope)"
            )
        else:
            for name in _names(self._vow, line, (*self.reach.settings, PATIENCE)):
                if re.search(rb"[0-9]", _TAG.sub(b"", line)):
                    raise NeedsIsolation(
                        f"a faulty instrument could take this for a value of {name} that is {BEYOND}"
                    )
        for name in _names(self._vow, line, self.reach.energising):
            if hostile or half:
                raise NotSelected(f"a faulty instrument could take this for {name}, which energises")
            self._energise(name, ledger, now_ns)
        for _ in _names(self._vow, line, self.reach.saving):
            self._save(ledger)
        putting = [each.name for each in self._vow.actions.values() if puts_of(each) or copies_of(each)]
        for name in _names(self._vow, line, putting):
            self._put_by(name, ledger)
        ledger.forget()

    # ---------------------------------------------------------------------------------------- what comes in

    def heard(self, line: bytes, now_ns: int) -> None:
        answer = parse_answer(line)
        if isinstance(answer, Notice):
            self._ledger.forget()  # it has booted, or something else has happened that nobody asked for
        if not isinstance(answer, Reply) or answer.tag is None or answer.tag not in self._ledger.asked:
            return
        name, asked_ns = self._ledger.asked.pop(answer.tag)
        entry = self._vow.points[name]
        value = _read(entry, answer)
        if value is None:
            self._ledger.proven.pop(name, None)
            return
        self._ledger.proven[name] = (value, asked_ns)
        if name == self.reach.state_point:
            self._state(str(value), now_ns)
        elif name in self.reach.readings and isinstance(value, Fraction):
            self._measured(entry, value, now_ns)

    def _state(self, state: str, now_ns: int) -> None:
        if state in self.reach.live or state not in self._vow.states:
            if self._low and not self.isolated:
                self._exceed(self._low)
            if not self._ledger.live:
                self._count(now_ns)
                self._ledger.live, self._counted_ns = True, now_ns
        else:
            self._count(now_ns)
            self._ledger.live = False
        self._low = ""

    def _measured(self, entry: PointEntry, value: Fraction, now_ns: int) -> None:
        allowed = self.reach.readings[entry.name]
        if entry.name in self._outer and not self.isolated:
            off = margin(entry, value)
            low, high = self.outer.get(entry.name, (value, value))
            self.outer[entry.name] = min(low, value - off), max(high, value + off)
        kind = kind_of(entry)
        if kind == "A":
            self._count(now_ns, abs(value))
        if allowed.holds(value) or self.isolated:
            return
        text = _outside(entry, value, allowed)
        if allowed.high is not None and abs(value) <= allowed.high:
            # Too low: no harm unless power flows, and an input that has just been cut off reads nothing.
            self._low = text if self._ledger.live else ""
            return
        self._exceed(text)

    def _exceed(self, text: str) -> None:
        self.exceeded = text
        raise Exceeded(f"the envelope is exceeded: {text}. Everything was stopped.")

    # ------------------------------------------------------------------------------------- time and charge

    @property
    def live(self) -> bool:
        """Whether it may be handling power."""
        return self._ledger.live

    @property
    def saves(self) -> int:
        """Saves so far."""
        return self._ledger.saves

    def look_due(self, now_ns: int) -> bool:
        """Whether the readings have to be looked at now."""
        return self._ledger.live and not self.isolated and now_ns - self._looked_ns >= WATCH_NS

    def looking(self, now_ns: int) -> tuple[str, ...]:
        """They are looked at now; what to ask, in order. The state comes last: it excuses low readings."""
        self._looked_ns = now_ns
        return (*self.reach.readings, self.reach.state_point)

    def spent(self, now_ns: int) -> str:
        """What is used up, so that nothing may stay live; empty if nothing is."""
        self._count(now_ns)
        most = self._most
        if self.seconds + RESERVE_S > most.seconds:
            return f"the envelope's {most.seconds} s energised are used up, but for a reserve"
        if self.coulombs + Fraction(most.amperes) * RESERVE_S > most.coulombs:
            return f"the envelope's {most.coulombs} C are used up, but for a reserve"
        return ""

    def account(self) -> str:
        """What was used, for people."""
        used = f"used: {float(self.seconds):.1f} s energised, at most {float(self.coulombs):.1f} C"
        return f"{used}, {self.saves} saves"

    def _count(self, now_ns: int, amperes: Fraction | None = None) -> None:
        """Time and charge up to now. `amperes`: read just now; without a fresh reading it is the most."""
        before = self._current
        if self._ledger.live and self._counted_ns is not None and not self.isolated:
            gap = Fraction(now_ns - self._counted_ns, NS_PER_S)
            most = Fraction(self._most.amperes)
            fresh = before is not None and now_ns - before[1] <= 2 * WATCH_NS
            flowing = max(before[0], amperes or Fraction(0)) if before is not None and fresh else most
            self.seconds += gap
            self.coulombs += flowing * gap
        self._counted_ns = now_ns
        if amperes is not None:
            self._current = (amperes, now_ns)

    # ------------------------------------------------------------------------------------------- the bench

    @property
    def isolated(self) -> bool:
        """Whether the rig keeps harmful power from flowing."""
        wanted = self.reach.envelope.isolated_by
        return bool(wanted) and all(
            _same(self._bench.get(event), str(value)) for event, value in wanted.items()
        )

    def isolation(self, events: frozenset[str]) -> Mapping[str, Decimal | str]:
        """The bench events that isolate. Raises NotSelected if the rig has not all of them."""
        wanted = self.reach.envelope.isolated_by
        if not wanted or not set(wanted) <= events:
            raise NotSelected("needs a rig that keeps power from flowing (`isolated_by` of the envelope)")
        return wanted

    def connects(self, event: str, value: object) -> bool:
        """Whether this bench event ends the isolation."""
        wanted = self.reach.envelope.isolated_by
        return self.isolated and event in wanted and not _same(str(value), str(wanted[event]))

    def bench(self, event: str, value: object, now_ns: int) -> None:
        """Raises NotSelected if this must not happen on the bench; else it happens now."""
        refusal = self.bench_refusal(event, value)
        if refusal:
            raise NotSelected(refusal)
        if self.connects(event, value) and self.live:
            raise NotSelected(f"{event} is not changed: the instrument does not report that it is at rest")
        self._count(now_ns)
        self._current = None
        self._bench[event] = str(value)
        for name in self._events[event].moves:
            self.outer.pop(name, None)
        if event.startswith("panel."):
            self._ledger.forget()

    def booted(self) -> None:
        """The rig has made it boot: nothing is proven any more."""
        self._ledger.forget()

    def bench_refusal(self, event: str, value: object) -> str:
        """Why the envelope does not allow a bench event; empty if it does."""
        if event in self.reach.envelope.isolated_by and _same(
            str(value), str(self.reach.envelope.isolated_by[event])
        ):
            return ""
        declared = self._events[event]
        if declared.choice is not None and declared.base is not None and value != declared.base:
            return f"{event} {value} is {MISHAP}"
        allowed = self._event_range(event)
        if allowed is None or value is None or allowed.holds(Fraction(str(value))):
            return ""
        return f"{event} {value} is {BEYOND}"

    def _event_range(self, event: str) -> Range | None:
        name = event.removeprefix("panel.")
        if name != event and name in self.reach.settings:
            return self.reach.settings[name]
        return self.reach.event_range(event)


def exact_request(vow: Vow, line: bytes) -> Request | None:
    """The request in a line, if nothing about it is wrong but perhaps its value or its time."""
    request = parse_request(line)
    if not isinstance(request, Request) or len(line) > vow.document.wire.line_limit:
        return None
    arguments = request.arguments
    if request.verb == "act":
        action = vow.actions.get(request.name)
        if action is None:
            return None
        if action.many:
            return request if len(arguments) == 1 and parse_integer(arguments[0]) is not None else None
        if action.takes_ticket is None:
            return request if not arguments else None
        return request if len(arguments) == 1 and _TICKET.fullmatch(arguments[0]) else None
    entry = vow.points.get(request.name)
    if entry is None:
        return None
    if request.verb == "ask":
        if entry.kind != "record":
            return request if not arguments else None
        return request if len(arguments) == 1 and parse_integer(arguments[0]) is not None else None
    return request if entry.settable and _right_form(entry, arguments, request.checked) else None


def _names(vow: Vow, line: bytes, names: Collection[str]) -> list[str]:
    """Those of the names that a device might find in a line."""
    exact = exact_request(vow, line.removesuffix(b"\r"))
    if exact is not None:
        return [exact.name] if exact.name in names else []
    return list(_resembled(line, tuple(names))) if line else []


@lru_cache(_LINES_KEPT)
def _resembled(line: bytes, names: Sequence[str]) -> tuple[str, ...]:
    """Those of the names that are in a line, or nearly; a line is looked at more than once before it goes."""
    texts = _texts(line)
    # A flipped bit may turn a letter into what separates words, so words between spaces count as well.
    words = {word for text in texts for word in (*re.split(r"[^a-z0-9_.]+", text), *text.split()) if word}
    return tuple(
        name
        for name in names
        if any(name in text for text in texts) or any(_near(word, name) for word in words)
    )


def _limited(vow: Vow, limits: Limits, lines: Iterable[bytes]) -> list[str]:
    """The counted actions that a device might find in lines."""
    return [name for line in lines for name in _names(vow, line, limits.names)] if limits.names else []


def _hold(vow: Vow, limits: Limits, lines: Iterable[bytes]) -> None:
    refusal = limits.judge(_limited(vow, limits, lines))
    if refusal:
        raise NotSelected(refusal)


def _right_form(entry: PointEntry, arguments: tuple[str, ...], checked: bool) -> bool:
    if entry.scale is None:
        return len(arguments) == 1 and arguments[0] in entry.choices
    units = () if entry.number.unit == "1" else (entry.number.unit,)
    if arguments[1:] != units and not (checked and len(arguments) == 1):
        return False
    parsed = entry.number.parse(arguments[0]) if arguments else None
    return parsed is not None and (checked or parsed[1] == entry.number.digits)


def _read(entry: PointEntry, answer: Reply) -> Value | Fraction | None:
    """What an answer says a point is; None if it says nothing right."""
    if not answer.ok or not answer.words:
        return None
    if entry.scale is None:
        return answer.words[0] if len(answer.words) == 1 else None
    parsed = entry.number.parse(answer.words[0])
    if parsed is None or answer.words != entry.number.words(parsed[0]):
        return None
    return parsed[0] * entry.number.step


def _outside(entry: PointEntry, value: Fraction, allowed: Range) -> str:
    unit = entry.number.unit
    return f"{entry.name} reads {float(value):g} {unit}, with {allowed.text(unit)} allowed"


def _beyond(entry: PointEntry, number: str, allowed: Range) -> NotSelected:
    unit = entry.number.unit
    return NotSelected(f"{entry.name} {number} {unit} is {BEYOND} ({allowed.text(unit)})")


@lru_cache(_LINES_KEPT)
def _texts(line: bytes) -> tuple[str, ...]:
    """What a device might make of a line: seven bits, any case, control characters ignored or as spaces."""
    seven = line.translate(_SEVEN_BITS)
    return seven.decode("ascii"), seven.translate(None, _CONTROLS).decode("ascii")


def _near(word: str, name: str) -> bool:
    """Whether one letter of a name is missing, added, changed or swapped with the next, or none."""
    if abs(len(word) - len(name)) > 1:
        return False
    pairs = enumerate(zip(word, name, strict=False))
    at = next((index for index, (one, other) in pairs if one != other), min(len(word), len(name)))
    rest, ours = word[at:], name[at:]
    swapped = len(rest) > 1 and rest[0] == ours[1:2] and rest[1] == ours[:1] and rest[2:] == ours[2:]
    return rest == ours or rest[1:] == ours or rest == ours[1:] or rest[1:] == ours[1:] or swapped


def _same(one: str | None, other: str) -> bool:
    if one is None:
        return False
    try:
        return Fraction(one) == Fraction(other)
    except ValueError:
        return one == other
