"""What a step of the search can be, as data, and how a tester does it.

An action says what to do relative to where the instrument is (the limit in force, the ticket given last, the
line sent last), never in bytes. So it can be chosen without knowing the state, stays sensible when steps
before it are left out, and says the same in every run. What a tester's hands cannot do, and what would mean
nothing here, is left out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes.saving import WHOLE, Cuts
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.message import Request, check_of
from wirevow.protocol.vow import PointEntry, Value, Vow, part_count

LONGEST_HELD_NS = 900 * NS_PER_S
LONGEST_RUNNING_NS = NS_PER_S // 5
"""Longest single wait, on a held and on a running clock."""
SHARES = 1000
"""Places between two limits are told in such parts."""

Place = Literal["default", "low", "high", "below", "above", "least", "most", "between"]
"""Of a number: the limits in force, just outside them, the quantity's own range, or between the limits."""
Form = Literal["full", "no unit", "wrong unit", "digit more", "digit less", "word more", "no value"]
TicketChoice = Literal["good", "old", "near", "none"]
Tag = Literal["none", "new", "same"]
Check = Literal["needed", "right", "wrong"]


@dataclass(frozen=True, slots=True)
class Talk:
    """One request. For a put `place` and `share` choose a number, `share` alone a word."""

    verb: Literal["ask", "put", "act"]
    name: str
    place: Place = "default"
    share: int = 0
    form: Form = "full"
    ticket: TicketChoice = "good"


@dataclass(frozen=True, slots=True)
class Damage:
    """One wrong byte, or one wrong bit, at `share` of the line."""

    kind: Literal["change", "flip", "drop", "double", "insert"]
    share: int
    byte: int


@dataclass(frozen=True, slots=True)
class Line:
    """A request as it is sent."""

    talk: Talk
    tag: Tag = "new"
    check: Check = "needed"
    damage: Damage | None = None
    ending: Literal["\n", "\r\n"] = "\n"


@dataclass(frozen=True, slots=True)
class Say:
    """Lines in one go; then, perhaps, a look at what the last was about."""

    lines: tuple[Line, ...]
    pieces: int = 1
    look: bool = False


@dataclass(frozen=True, slots=True)
class Half:
    """The first part of a line, without its end."""

    line: Line
    share: int


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes of any kind and an LF."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Long:
    """A line longer or shorter than the limit by so many bytes, perhaps with a request at its end."""

    over: int
    tail: Line | None


@dataclass(frozen=True, slots=True)
class Again:
    """The last whole line, byte for byte."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Time passes."""

    ns: int


@dataclass(frozen=True, slots=True)
class Turn:
    """A bench event."""

    event: str
    value: Decimal | str | None


@dataclass(frozen=True, slots=True)
class Panel:
    """A hand at the front panel: the control taken or given back, or a setting turned."""

    point: str | None
    place: Place = "default"
    share: int = 0


@dataclass(frozen=True, slots=True)
class Stall:
    """The transmitter stalls while the panel causes so many notices."""

    notices: int


@dataclass(frozen=True, slots=True)
class Boot:
    """The supply is cut, or the reset pin pulled."""

    way: Literal["power", "reset"]


@dataclass(frozen=True, slots=True)
class Go:
    """To a state, by the shortest way."""

    state: str


@dataclass(frozen=True, slots=True)
class Split:
    """A line in two parts, and what happens between them; nothing of that is sent."""

    line: Line
    share: int
    meanwhile: Wait | Turn | Panel | Boot


@dataclass(frozen=True, slots=True)
class Provoke:
    """Make a trip happen, and take its cause away again."""

    trip: str


@dataclass(frozen=True, slots=True)
class Cut:
    """The supply is cut so long after a request to save: what is saved then is the old or the new."""

    after_ns: int
    steps: int | None = None
    """After so many steps of it instead, where the rig can (`CuttingRig`)."""


Action = Say | Half | Split | Noise | Long | Again | Wait | Turn | Panel | Stall | Boot | Go | Provoke | Cut


class Doer:
    """Does actions, one after another, from the initial state with default settings."""

    def __init__(self, t: Tester) -> None:
        self._t = t
        self._last = b""
        self._tag = "@1"
        self._old = "0000"
        self.touched: dict[str, None] = {}
        """Settings that something was said about, in order."""

    def do(self, action: Action) -> None:
        """Do it. `Broken` if an answer is wrong, `NotSelected` if it cannot be done or means nothing here."""
        ticket = self._t.oracle.twin.ticket
        _DOES[type(action)](self, action)
        if isinstance(action, Wait | Turn) and "notices" not in self._t.vow.parts:
            # Nothing else tells of a change that a reading has caused.
            self._end_line()
            self._t.ask("self.state")
        if ticket is not None and ticket != self._t.oracle.twin.ticket:
            self._old = ticket

    def close(self) -> None:
        """End a begun line and look at what was touched: nothing else may have changed."""
        t = self._t
        self._end_line()
        t.quiet()
        t.ask("self.state")
        t.ask("self.boots")
        for name in list(self.touched)[-4:]:
            t.ask(name)
        t.quiet()

    # ----------------------------------------------------------------------------------------------- lines

    def _say(self, action: Say) -> None:
        t = self._t
        # What comes after the LF of a request that boots may or may not be heard.
        alone = next((each for each in action.lines if self._boots(each)), None)
        lines = action.lines if alone is None else (alone,)
        for each in lines:
            self._touch(each)
        data = b""
        for each in lines:
            self._last = self._bytes(each)
            data += self._last + each.ending.encode()
        t.raw(data, pieces=action.pieces)
        entry = t.vow.points.get(lines[-1].talk.name)
        if action.look and entry is not None and entry.kind != "record" and not t.session.begun:
            t.ask(entry.name)

    def _half(self, action: Half) -> None:
        line = self._bytes(action.line)
        self._touch(action.line)
        self._t.raw(line[: len(line) * action.share // SHARES] or line[:1])
        if not self._t.session.held:
            self._end_line()  # else when the rest comes is a matter of luck

    def _split(self, action: Split) -> None:
        t = self._t
        if not t.session.held or "notices" not in t.vow.parts:
            raise NotSelected("when the rest comes is a matter of luck, or what has changed by then unknown")
        line = self._last = self._bytes(action.line)
        self._touch(action.line)
        cut = max(1, len(line) * action.share // SHARES)
        t.raw(line[:cut])
        with suppress(NotSelected):
            _DOES[type(action.meanwhile)](self, action.meanwhile)
        t.raw(line[cut:] + action.line.ending.encode())

    def _noise(self, action: Noise) -> None:
        self._t.raw(action.data.replace(b"\n", b"?") + b"\n")

    def _long(self, action: Long) -> None:
        tail = self._bytes(action.tail) if action.tail is not None else b""
        if action.tail is not None:
            self._touch(action.tail)
        limit = self._t.vow.document.wire.line_limit
        self._t.raw(b"x" * (limit + action.over - len(tail)) + tail + b"\n")

    def _again(self, action: Again) -> None:
        if not self._last:
            raise NotSelected("nothing was said yet")
        self._t.raw(self._last + b"\n")

    def _end_line(self) -> None:
        if self._t.session.begun:
            self._t.raw(b"\n")

    def _touch(self, line: Line) -> None:
        entry = self._t.vow.points.get(line.talk.name)
        if entry is not None and entry.settable:
            self.touched.pop(entry.name, None)
            self.touched[entry.name] = None

    def _boots(self, line: Line) -> bool:
        action = self._t.vow.actions.get(line.talk.name)
        return action is not None and ("reboot", "") in action.does

    def _bytes(self, line: Line) -> bytes:
        t = self._t
        verb, name, *arguments = self._words(line.talk)
        tag = None
        if line.tag != "none":
            self._tag = t.new_tag() if line.tag == "new" else self._tag
            tag = self._tag
        checked = line.check == "right" or (line.check == "needed" and t.guard and verb != "ask")
        data = Request(tag, verb, name, tuple(arguments), checked).line()
        if line.check == "wrong":
            data += b" ~%04X" % (int(check_of(data), 16) ^ 0x0101)
        return _damaged(data, line.damage)

    def _words(self, talk: Talk) -> list[str]:
        t = self._t
        entry = t.vow.points.get(talk.name)
        words = [talk.verb, talk.name]
        if talk.verb == "act":
            return words + self._ticket(talk)
        if talk.verb == "ask":
            if entry is not None and entry.kind == "record":
                parts = part_count(t.vow, entry)
                words.append(str((parts + 1) * talk.share // SHARES))
            return words if talk.form != "word more" else [*words, "1"]
        assert entry is not None
        value = value_at(t, entry, talk.place, talk.share)
        return words + _formed(entry, value, talk.form)

    def _ticket(self, talk: Talk) -> list[str]:
        action = self._t.vow.actions[talk.name]
        if action.many:
            number = str((action.many + 1) * talk.share // SHARES)
            return [number] if talk.form != "word more" else []
        if action.takes_ticket is None:
            return [] if talk.form != "word more" else ["0"]
        good = self._t.oracle.twin.ticket or "0000"
        match talk.ticket:
            case "none":
                return []
            case "old":
                return [self._old]
            case "near":
                return [f"{int(good, 16) ^ (1 << talk.share % 16):04x}"]
        return [good]

    # --------------------------------------------------------------------------------------- time and hands

    def _wait(self, action: Wait) -> None:
        t = self._t
        t.wait(min(action.ns, LONGEST_HELD_NS if t.session.held else LONGEST_RUNNING_NS))

    def _turn(self, action: Turn) -> None:
        self._t.bench(action.event, action.value)

    def _panel(self, action: Panel) -> None:
        t = self._t
        t.need("bench")
        local = t.oracle.twin.controller == "local"
        if action.point is None:
            t.panel("panel.control", "remote" if local else "local")
            return
        if not local:
            raise NotSelected("the panel has no control")
        entry = t.vow.points[action.point]
        self.touched[entry.name] = None
        t.panel(f"panel.{entry.name}", value_at(t, entry, action.place, action.share))

    def _stall(self, action: Stall) -> None:
        t = self._t
        t.need("bench")
        self._end_line()
        t.quiet()
        # A trip that silence is about to cause would come in between, at a place that nobody can know.
        t.ask("self.uptime")
        t.transmitter("stalled")
        for _ in range(action.notices):
            self._panel(Panel(None))
        t.transmitter("free")

    def _boot(self, action: Boot) -> None:
        t = self._t
        t.need(action.way)
        if action.way == "power":
            t.power_cycle()
        else:
            t.reset()

    def _cut(self, action: Cut) -> None:
        self._ready()
        self._t.home()
        saves = Cuts.begun(self._t, WHOLE)
        saves.cut(action.after_ns, action.steps)
        saves.end()

    def _go(self, action: Go) -> None:
        t = self._t
        self._ready()
        names = _way(t.vow, t.state, action.state)
        if names is None:
            # Only the bench leads there, and that as the document has it, not as this walk has left it.
            t.home()
            t.prepare()
            t.goto(action.state)
            return
        for name in names:
            if not (t.act(name) if t.vow.actions[name].takes_ticket is None else t.with_ticket(name)).ok:
                return

    def _provoke(self, action: Provoke) -> None:
        t = self._t
        provoke = t.vow.document.trips[action.trip].provoke
        if provoke is None or any(event not in t.events for event in provoke.bench):
            raise NotSelected("nothing here provokes it")
        longest_ns = LONGEST_HELD_NS if t.session.held else LONGEST_RUNNING_NS
        if provoke.within > longest_ns or not t.may_enter(provoke.state):
            raise NotSelected("it cannot be provoked here")
        self._ready()
        t.home()
        t.provoke_trip(action.trip, provoke)
        t.relieve(provoke)

    def _ready(self) -> None:
        """What takes several requests begins with a whole line, and with whoever may make requests."""
        self._end_line()
        if self._t.oracle.twin.controller == "local":
            self._t.panel("panel.control", "remote")
        self._t.guard_off()


_DOES: dict[type, Callable[..., None]] = {
    Say: Doer._say,
    Half: Doer._half,
    Split: Doer._split,
    Noise: Doer._noise,
    Long: Doer._long,
    Again: Doer._again,
    Wait: Doer._wait,
    Turn: Doer._turn,
    Panel: Doer._panel,
    Stall: Doer._stall,
    Boot: Doer._boot,
    Cut: Doer._cut,
    Go: Doer._go,
    Provoke: Doer._provoke,
}


def _way(vow: Vow, start: str, target: str) -> list[str] | None:
    """The fewest actions that lead from one state to another."""
    ways: deque[tuple[str, list[str]]] = deque([(start, [])])
    seen = {start}
    while ways:
        state, names = ways.popleft()
        if state == target:
            return names
        for action in vow.actions.values():
            to = action.to.get(state)
            if to is not None and to not in seen and ("reboot", "") not in action.does:
                seen.add(to)
                ways.append((to, [*names, action.name]))
    return None


def value_at(t: Tester, entry: PointEntry, place: Place, share: int) -> Value:
    """The value of a setting at a place, now."""
    if entry.scale is None:
        return entry.choices[share % len(entry.choices)]
    low, high = t.bounds(entry) if entry.source == "setting" else (entry.number.low, entry.number.high)
    match place:
        case "low":
            return low
        case "high":
            return high
        case "below":
            return low - 1
        case "above":
            return high + 1
        case "least":
            return entry.number.low
        case "most":
            return entry.number.high
        case "between":
            return low + (high - low) * share // SHARES
    assert isinstance(entry.default, int)
    return entry.default


def _formed(entry: PointEntry, value: Value, form: Form) -> list[str]:
    """The words of a value in a request, in a right or a wrong form."""
    number, *unit = entry.words(value)
    match form:
        case "no unit":
            return [number]
        case "wrong unit":
            ours = "".join(unit)
            return [number, ours.swapcase() if ours.swapcase() != ours else f"m{ours}"]
        case "digit more":
            return [f"{number}0" if "." in number or entry.scale is None else f"{number}.0", *unit]
        case "digit less":
            return [number[:-1] or "x", *unit]
        case "word more":
            return [number, *unit, "1"]
        case "no value":
            return []
    return [number, *unit]


def _damaged(line: bytes, damage: Damage | None) -> bytes:
    if damage is None:
        return line
    at = len(line) * damage.share // SHARES
    value = line[at] ^ 1 << damage.byte % 8 if damage.kind == "flip" else damage.byte
    byte = bytes((value if value != 0x0A else 0x3F,))
    match damage.kind:
        case "change" | "flip":
            return line[:at] + byte + line[at + 1 :]
        case "drop":
            return line[:at] + line[at + 1 :]
        case "double":
            return line[: at + 1] + line[at:]
    return line[:at] + byte + line[at:]


# ------------------------------------------------------------------------------------ what a document offers


@dataclass(frozen=True, slots=True)
class Repertoire:
    """The names and times that a document gives to choose from."""

    points: tuple[str, ...]
    settable: tuple[str, ...]
    actions: tuple[str, ...]
    waits_ns: tuple[int, ...]
    """About the times of the document: shortly before, at, and shortly after."""
    turns: tuple[Turn, ...]
    panel: tuple[str, ...]
    """Settings that the panel has."""
    states: tuple[str, ...]
    trips: tuple[str, ...]
    boots: tuple[Literal["power", "reset"], ...]
    pipeline: int
    cuts: bool
    """Whether saves are promised to be whole, and there is a hand on the supply."""


def repertoire(t: Tester) -> Repertoire:
    """What the search chooses from, given the tester's hands."""
    vow = t.vow
    bench = "bench" in t.abilities
    turns = [each for event in vow.document.bench if event in t.events for each in _turns(vow, event)]
    return Repertoire(
        points=tuple(vow.points),
        # Notices stay on: without them nobody knows when a trip has acted.
        settable=tuple(
            name for name, entry in vow.points.items() if entry.settable and entry.system != "notices"
        ),
        actions=tuple(name for name in vow.actions if t.may_do(name)),
        waits_ns=_waits_ns(vow),
        turns=tuple(turns) if bench else (),
        panel=tuple(
            name
            for name, entry in vow.points.items()
            if bench and entry.local and f"panel.{name}" in t.events
        ),
        states=tuple(
            name for name, state in vow.states.items() if name != vow.initial and t.may_enter(state.name)
        ),
        trips=tuple(name for name, trip in vow.document.trips.items() if trip.provoke is not None),
        boots=tuple(way for way in ("power", "reset") if way in t.abilities),
        pipeline=vow.document.wire.pipeline,
        cuts=WHOLE.partition(".")[2] in vow.document.promises and "power" in t.abilities,
    )


def _turns(vow: Vow, event: str) -> list[Turn]:
    declared = vow.document.bench[event]
    if declared.choice is not None:
        return [Turn(event, choice) for choice in declared.choice]
    if declared.value is None:
        return [Turn(event, None)]
    if not isinstance(declared.base, Decimal):
        return []
    values = [declared.base]
    if isinstance(declared.other, Decimal):
        values += [declared.other, (declared.base + declared.other) / 2]
    return [Turn(event, value) for value in values]


def _waits_ns(vow: Vow) -> tuple[int, ...]:
    wire = vow.document.wire
    times = {wire.idle_typing, wire.idle_checked}
    times |= {leave.after_ns for state in vow.states.values() for leave in state.leaves}
    times |= {trip.after_ns for trip in vow.trips.values()}
    times |= {action.gives_ticket_ns or 0 for action in vow.actions.values()}
    times |= {entry.period_ns for entry in vow.points.values()}
    near = {time_ns + time_ns * part // 50 for time_ns in times for part in (-1, 0, 1)}
    # A line that is begun for just the idle time is stale or not, as the instrument's clock has it.
    near -= {wire.idle_typing, wire.idle_checked}
    return tuple(sorted({*near, NS_PER_S // 1000, 10 * NS_PER_S, 100 * NS_PER_S} - {0}))
