"""A document seen as a finite state machine: about twenty inputs, and what each does on the wire.

An *input* is a concrete stimulus under a name: a request, a wait, or a turn of the bench. Its output is what
came of it (`ok`, or `refuse` and the reason) and the state that `ask self.state` answers afterwards. A
`Mapper` carries inputs out through `Hands`, and keeps what that takes: the ticket given last, the state
answered last. Whatever the hands hold, the inputs are the same: the checker's hands hold an instrument that
the oracle judges, a learner's hold one of which nothing is known, and `Imagined` ones hold the document
itself, which is how its machine is computed.

The machine has to be deterministic, so inputs whose outcome hangs on readings, on the store or on earlier
hours are left out, each with the reason; and where an input cannot be tried (a wait in a state without a
time), it sends nothing and its output is `-`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

from wirevow.protocol.conformance.envelope import energising_actions
from wirevow.protocol.conformance.suite.machine import Machine, Step, minimised
from wirevow.protocol.device import MISSES, NS_PER_S, Device
from wirevow.protocol.document.model import Provoke
from wirevow.protocol.twin import Twin
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value, Vow, value_of

IDLE = "-"
"""Output of an input that sent nothing."""
MOST_STATES = 200
"""An abstraction with more is of no use; a document that has one is told so."""
LONGEST_HELD_NS = 600 * NS_PER_S
LONGEST_RUNNING_NS = 2 * NS_PER_S
"""Longest single wait of an input, on a held and on a running clock."""
DRY_REASON = "it handles power, and is tried on a simulated instrument only"
LONGEST_CAUSE_NS = 300 * NS_PER_S
"""What takes longer to provoke leaves a plant behind that is not at rest."""
CLEAR_PATIENCE_NS = (NS_PER_S, 10 * NS_PER_S, 60 * NS_PER_S)
"""How long the condition of a trip whose cause is gone is waited for, three times."""

Answer = tuple[bool, tuple[str, ...]]
Kind = Literal["ask", "put", "act", "time", "lapse", "cause"]


class Hands(Protocol):
    """What carries inputs out. Times are integer nanoseconds."""

    def reset(self) -> None:
        """Bring the instrument to its initial state and the settings that a trial begins with."""
        ...

    def now_ns(self) -> int:
        """The time."""
        ...

    def say(self, text: str) -> Answer:
        """A request without tag and check; whether its reply is ok, and the words after that."""
        ...

    def wait(self, ns: int) -> None:
        """Let time pass, the link kept alive."""
        ...

    def provoke(self, cause: Cause) -> bool:
        """Turn the bench and wait until the state has changed, then turn it back; whether it has changed."""
        ...

    def booted(self) -> None:
        """A boot was accepted: wait for its end, and bring the settings back to what a trial begins with."""
        ...


@dataclass(frozen=True, slots=True)
class Reach:
    """What these hands can and may do."""

    energise: bool
    held: bool
    """The clock is held, so that waiting costs nothing."""
    events: frozenset[str] = frozenset()
    """Bench events that can be made to happen."""
    barred: frozenset[tuple[str, str]] = frozenset()
    """Actions that may not be done, and why."""


@dataclass(frozen=True, slots=True)
class Cause:
    """A change of state that the bench or silence brings about, from one state."""

    requirement: str
    provoke: Provoke
    to: str
    trip: TripEntry | None = None
    leave: LeaveEntry | None = None


@dataclass(frozen=True, slots=True)
class Stimulus:
    """One abstract input."""

    name: str
    kind: Kind
    target: str = ""
    """The point, the action, or the action that gives the ticket."""
    value: Value = ""
    """What is put."""
    right: bool = True
    """Whether the ticket is the one given last, for an action that takes one."""
    cause: Cause | None = None


@dataclass(frozen=True, slots=True)
class Abstraction:
    """The inputs of a document for certain hands, in a fixed order."""

    vow: Vow
    reach: Reach
    stimuli: tuple[Stimulus, ...]
    omitted: tuple[tuple[str, str], ...]
    """What was left out, and why."""
    assumed: tuple[str, ...]
    """What is taken for granted, in words."""
    settle_in: frozenset[str]
    """States that are given time to settle when they are entered: guards look at readings there."""
    tracked: tuple[str, ...]
    """Choices that inputs change and that others depend on."""


def abstraction(vow: Vow, reach: Reach) -> Abstraction:
    """The inputs for a document. Actions first, then settings, time and the bench."""
    omitted: list[tuple[str, str]] = []
    assumed: list[str] = []
    tracked = _tracked(vow)
    stimuli = [
        *_actions(vow, reach, omitted, assumed),
        *_settings(vow, tracked),
        *_times(vow, reach, omitted),
        *_causes(vow, reach, omitted),
    ]
    acted = {each.target for each in stimuli if each.kind == "act"}
    settle_in = {state for name in acted if _reads(vow, vow.actions[name]) for state in vow.actions[name].to}
    return Abstraction(
        vow, reach, tuple(stimuli), tuple(omitted), tuple(assumed), frozenset(settle_in), tuple(tracked)
    )


def _reads(vow: Vow, action: ActionEntry) -> list[str]:
    """Readings that the guard of an action looks at."""
    if action.guard is None:
        return []
    return sorted(name for name in action.guard.names if name in vow.measured)


def _tracked(vow: Vow) -> list[str]:
    """Choices that guards of actions depend on: an input for each value."""
    guards = [action.guard for action in vow.actions.values() if action.guard is not None]
    return [
        entry.name
        for entry in vow.settings
        if entry.kind == "choice" and any(entry.name in guard.names for guard in guards)
    ]


def _actions(
    vow: Vow, reach: Reach, omitted: list[tuple[str, str]], assumed: list[str]
) -> Iterator[Stimulus]:
    energising = energising_actions(vow)
    barred = dict(reach.barred)
    for name, action in vow.actions.items():
        kinds = {kind for kind, _ in action.does}
        if "save" in kinds:
            omitted.append((name, "each save wears the EEPROM"))
        elif "recall" in kinds:
            omitted.append((name, "what it does depends on the saved settings"))
        elif not reach.energise and name in energising:
            omitted.append((name, DRY_REASON))
        elif name in barred:
            omitted.append((name, barred[name]))
        else:
            readings = _reads(vow, action)
            if readings:
                assert action.guard is not None
                assumed.append(f"{action.guard.text} while the bench is at rest, for {name}")
            if action.takes_ticket is None:
                yield Stimulus(name, "act", name)
            else:
                yield Stimulus(f"{name}, right ticket", "act", name)
                yield Stimulus(f"{name}, wrong ticket", "act", name, right=False)


def _settings(vow: Vow, tracked: list[str]) -> Iterator[Stimulus]:
    """For each kind of limit one setting: the value it has, put again, and one outside its limits."""
    for name in tracked:
        entry = vow.points[name]
        other = next(choice for choice in entry.choices if choice != entry.default)
        yield Stimulus(f"ask {name}", "ask", name)
        for value in (entry.default, other):
            yield Stimulus(f"put {name} {value}", "put", name, value)
    seen = {_limit_kind(vow.points[name]) for name in tracked}
    imagined = Imagined(vow)
    imagined.reset()
    for entry in vow.settings:
        kind = _limit_kind(entry)
        if kind in seen or entry.kind not in ("number", "choice"):
            continue
        seen.add(kind)
        value = imagined.twin.settings[entry.name]
        yield Stimulus(f"put {entry.name} {' '.join(entry.words(value))}", "put", entry.name, value)
        if isinstance(value, int) and entry.set_in is None:
            low, high = imagined.twin.bounds(entry, imagined.now_ns())
            beyond = high + 1 if len(entry.number.text(high + 1).strip("-.0")) <= 9 else low - 1
            yield Stimulus(f"put {entry.name} {' '.join(entry.words(beyond))}", "put", entry.name, beyond)


def _limit_kind(entry: PointEntry) -> tuple[bool, bool, frozenset[str] | None]:
    return entry.kind == "choice", entry.low is not None or entry.high is not None, entry.set_in


def _times(vow: Vow, reach: Reach, omitted: list[tuple[str, str]]) -> Iterator[Stimulus]:
    timed = False
    for state, leave in _timed(vow):
        if _past(leave.after_ns) <= _longest_ns(reach):
            timed = True
        else:
            omitted.append(
                (f"state.{state}.leave.{leave.index + 1}", f"it takes {leave.after_ns / NS_PER_S:g} s")
            )
    if timed:
        yield Stimulus("the time of the state passes", "time")
    for name, action in vow.actions.items():
        if action.gives_ticket_ns is None:
            continue
        if _past(action.gives_ticket_ns) <= _longest_ns(reach):
            yield Stimulus(f"the ticket of {name} lapses", "lapse", name)
        else:
            omitted.append((f"the ticket of {name} lapses", f"it takes {action.gives_ticket_ns / 1e9:g} s"))


def _timed(vow: Vow) -> Iterator[tuple[str, LeaveEntry]]:
    for state in vow.states.values():
        for leave in state.leaves:
            if leave.when is None:
                yield state.name, leave


def _longest_ns(reach: Reach) -> int:
    return LONGEST_HELD_NS + NS_PER_S * 60 if reach.held else LONGEST_RUNNING_NS


def _past(ns: int) -> int:
    """Surely later than that, whatever the instrument's clock and the host's jitter."""
    return ns + ns // 50 + NS_PER_S // 10


def _causes(vow: Vow, reach: Reach, omitted: list[tuple[str, str]]) -> Iterator[Stimulus]:
    """Changes of state from outside. Of trips that change it alike, the quickest stands for all."""
    causes: dict[object, list[Cause]] = {}
    for state, leave in ((s, each) for s in vow.states.values() for each in s.leaves):
        if leave.when is None:
            continue
        provoke = vow.document.states[state.name].leaves[leave.index].provoke
        requirement = f"state.{state.name}.leave.{leave.index + 1}"
        why = _hindrance(vow, reach, provoke)
        if why is None:
            assert provoke is not None
            causes[requirement] = [Cause(requirement, provoke, leave.to, leave=leave)]
        else:
            omitted.append((requirement, why))
    for name, trip in vow.trips.items():
        provoke = vow.document.trips[name].provoke
        why = _hindrance(vow, reach, provoke)
        if why is None:
            assert provoke is not None
            kind = (provoke.state, trip.to, trip.latched, provoke.silence)
            causes.setdefault(kind, []).append(Cause(f"trip.{name}.fires", provoke, trip.to, trip))
        else:
            omitted.append((f"trip.{name}", why))
    for alike in causes.values():
        chosen, *rest = sorted(alike, key=lambda each: (each.provoke.within, len(each.provoke.put)))
        shown = chosen.requirement.removesuffix(".fires")
        yield Stimulus(f"{shown} is provoked", "cause", cause=chosen)
        omitted.extend((each.requirement.removesuffix(".fires"), f"covered by {shown}") for each in rest)


def _hindrance(vow: Vow, reach: Reach, provoke: Provoke | None) -> str | None:
    """Why a provocation cannot be an input; None if it can."""
    if provoke is None:
        return "the document does not say how to provoke it"
    if vow.states[provoke.state].energised and not reach.energise:
        return DRY_REASON
    missing = sorted(set(provoke.bench) - reach.events)
    if missing:
        return f"it needs a rig that can make {missing[0]} happen"
    if set(provoke.bench) - set(provoke.relief):
        return "the document does not say what ends it"
    for name in provoke.put:
        allowed = vow.points[name].set_in
        if allowed is not None and provoke.state not in allowed:
            return f"it needs {name} to be put in another state"
    longest = LONGEST_CAUSE_NS if reach.held else LONGEST_RUNNING_NS
    if provoke.within > longest:
        return f"it may take {provoke.within / NS_PER_S:g} s, and the plant is not at rest afterwards"
    return None


# ------------------------------------------------------------------------------------------- carrying out


class Mapper:
    """Carries inputs out and tells what came of them."""

    def __init__(self, abstraction: Abstraction, hands: Hands) -> None:
        self.abstraction = abstraction
        self.hands = hands
        self.state = ""
        """The state answered last."""
        self.ticket = ""
        self.older = "0000"
        """A ticket that is not good any more, if there was one."""
        self.lapses_ns = 0
        self.given_by = ""
        self.misses = 0
        """Attempts with a wrong one since it was given."""
        self.moved: dict[str, Value] = {}
        """Choices that are not at their defaults."""

    def begin(self) -> None:
        """Start afresh."""
        self.hands.reset()
        self.ticket, self.older, self.given_by, self.misses = "", "0000", "", 0
        self.moved.clear()
        self._look()

    def step(self, stimulus: Stimulus) -> str:
        """Carry an input out: its output."""
        match stimulus.kind:
            case "ask":
                answer = self._plain(f"ask {stimulus.target}", values=True)
            case "put":
                answer = self._put(stimulus)
            case "act":
                answer = self._act(stimulus)
            case "time":
                answer = self._time()
            case "lapse":
                answer = self._lapse(stimulus.target)
            case "cause":
                assert stimulus.cause is not None
                answer = self._cause(stimulus.cause)
        if answer == IDLE:
            return IDLE
        self._look()
        return f"{answer}, {self.state}"

    def _look(self) -> None:
        ok, words = self.hands.say("ask self.state")
        self.state = " ".join(words) if ok else "(no state)"

    def _plain(self, text: str, values: bool = False) -> str:
        ok, words = self.hands.say(text)
        if ok:
            return f"ok {' '.join(words)}" if values else "ok"
        return _refusal(words)

    def _put(self, stimulus: Stimulus) -> str:
        entry = self.abstraction.vow.points[stimulus.target]
        answer = self._plain(f"put {entry.name} {' '.join(entry.words(stimulus.value))}")
        if answer == "ok" and entry.name in self.abstraction.tracked:
            self.moved[entry.name] = stimulus.value
            if stimulus.value == entry.default:
                del self.moved[entry.name]
        return answer

    def _act(self, stimulus: Stimulus) -> str:
        action = self.abstraction.vow.actions[stimulus.target]
        text = action.line()
        if action.takes_ticket is not None:
            if not stimulus.right and not self._may_miss():
                return IDLE
            wrong = self.older if self.ticket != self.older else "0001"
            text += f" {(self.ticket or '0000') if stimulus.right else wrong}"
        ok, words = self.hands.say(text)
        if not stimulus.right and words == ("state", "ticket"):
            self.misses += 1
        kinds = {kind for kind, _ in action.does}
        if "clear_trip" in kinds:
            # What caused it is gone, its readings may lag behind.
            for ns in CLEAR_PATIENCE_NS:
                if ok or words[:1] != ("fault",) or (ns > NS_PER_S and not self.abstraction.reach.held):
                    break
                self.hands.wait(ns)
                ok, words = self.hands.say(text)
        if not ok:
            return _refusal(words)
        if action.gives_ticket_ns is not None:
            self._given(action.name, action.gives_ticket_ns, words)
        if action.takes_ticket is not None or "reboot" in kinds:
            self.given_by = ""
        if kinds & {"defaults", "reboot"}:
            self.moved.clear()
        if "reboot" in kinds:
            self.hands.booted()
        to = action.to.get(self.state)
        if to in self.abstraction.settle_in and (to != self.state or action.gives_ticket_ns is not None):
            self.hands.wait(self.abstraction.vow.document.trial.settle)
        return "ok"

    def _given(self, giver: str, good_ns: int, words: tuple[str, ...]) -> None:
        self.ticket, self.older, self.given_by = " ".join(words), self.ticket or "0000", giver
        self.lapses_ns = self.hands.now_ns() + good_ns
        self.misses = 0

    def _may_miss(self) -> bool:
        """Take a newer ticket, if one more miss made this one void: counted misses would be three times the
        states. Where none is given without leaving the state, the miss is left out."""
        if self.misses < MISSES - 1 or not self.given_by:
            return True
        giver = self.abstraction.vow.actions[self.given_by]
        if giver.to.get(self.state) != self.state or giver.gives_ticket_ns is None:
            return False
        ok, words = self.hands.say(f"act {giver.name}")
        if ok:
            self._given(giver.name, giver.gives_ticket_ns, words)
            if self.state in self.abstraction.settle_in:
                self.hands.wait(self.abstraction.vow.document.trial.settle)
        return ok

    def _time(self) -> str:
        state = self.abstraction.vow.states.get(self.state)
        after = [each.after_ns for each in state.leaves if each.when is None] if state is not None else []
        if not after or _past(min(after)) > _longest_ns(self.abstraction.reach):
            return IDLE
        self.hands.wait(_past(min(after)))
        return "passed"

    def _lapse(self, giver: str) -> str:
        """Only where an action takes the ticket: elsewhere nobody could tell."""
        actions = self.abstraction.vow.actions
        if not any(each.takes_ticket == giver and self.state in each.to for each in actions.values()):
            return IDLE
        action = actions[giver]
        assert action.gives_ticket_ns is not None
        end_ns = self.lapses_ns - action.gives_ticket_ns + _past(action.gives_ticket_ns)
        left_ns = end_ns - self.hands.now_ns()
        if self.given_by != giver or left_ns <= 0:
            return IDLE
        self.hands.wait(left_ns)
        return "passed"

    def _cause(self, cause: Cause) -> str:
        """Settings that a provocation needs are put, and put back the other way round."""
        vow = self.abstraction.vow
        if self.state != cause.provoke.state or self.moved:
            return IDLE
        before: list[tuple[PointEntry, tuple[str, ...]]] = []
        self.given_by = ""
        answer = ""
        for name, value in cause.provoke.put.items():
            entry = vow.points[name]
            ok, words = self.hands.say(f"ask {name}")
            if ok:
                before.append((entry, words))
            ok, _ = self.hands.say(f"put {name} {' '.join(entry.words(value_of(entry, value)))}")
            if not ok:
                answer = f"refuse {name}"
                break
        else:
            answer = "changed" if self.hands.provoke(cause) else "unchanged"
        for entry, words in reversed(before):
            self.hands.say(f"put {entry.name} {' '.join(words)}")
        if vow.document.trial.settle and cause.provoke.bench:
            self.hands.wait(vow.document.trial.settle)
        return answer


def _refusal(words: tuple[str, ...]) -> str:
    """The reason of a refusal, with its detail where that is part of the reason."""
    return f"refuse {' '.join(words[:2] if words[1:] in (('guard',), ('ticket',)) else words[:1])}"


# -------------------------------------------------------------------------------- the document's own machine


class _Supposed(Twin):
    """The document itself as an instrument: what it leaves open goes as it does with the bench at rest."""

    def _unless_seen(self, decided: bool | None, refusal: str, detail: str) -> bool:
        return True if decided is None else decided

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        return Device._give(self, action, now_ns)


class Imagined:
    """Hands that hold the document itself."""

    def __init__(self, vow: Vow) -> None:
        self.vow = vow
        self.twin = _Supposed(vow, 0)
        self._now_ns = 0

    def now_ns(self) -> int:
        return self._now_ns

    def reset(self) -> None:
        self._now_ns = 0
        self.twin = _Supposed(self.vow, 0)
        self.booted()

    def booted(self) -> None:
        self.twin.boot("request", self._now_ns)
        for name, value in self.vow.document.trial.put.items():
            self.twin.settings[name] = value_of(self.vow.points[name], value)

    def say(self, text: str) -> Answer:
        reply = self.twin.judge(text.encode("ascii"), None, None, self._now_ns)
        assert reply is not None, text
        return reply.ok, reply.words

    def wait(self, ns: int) -> None:
        end_ns = self._now_ns + ns
        while (due_ns := self.twin.next_timeout_ns()) is not None and due_ns <= end_ns:
            self._now_ns = due_ns
            self.twin.expire(due_ns)
        self._now_ns = end_ns

    def provoke(self, cause: Cause) -> bool:
        self._now_ns += cause.provoke.within
        if cause.trip is not None:
            value = self.vow.points[cause.trip.reports].default
            self.twin.fire(cause.trip, value, self._now_ns)
        elif cause.leave is not None:
            self.twin.leave(cause.leave, self._now_ns)
        return True

    def key(self, mapper: Mapper) -> tuple[object, ...]:
        """All that decides what comes next. Time counts as far as something waits for it."""
        twin = self.twin
        timed = twin.next_timeout_ns()
        left_ns = mapper.lapses_ns - self._now_ns
        live = left_ns > 0 and (bool(mapper.given_by) or twin.ticket == mapper.ticket)
        return (
            twin.state,
            mapper.state,
            tuple(twin.settings.items()),
            tuple(mapper.moved.items()),
            twin.latched,
            None if timed is None else timed - self._now_ns,
            (mapper.given_by, twin.ticket == mapper.ticket, left_ns) if live else None,
        )


@dataclass(frozen=True, slots=True)
class DocumentMachine:
    """The document as a minimal machine over the inputs of an abstraction."""

    abstraction: Abstraction
    machine: Machine

    def idle(self, state: int, given: int) -> bool:
        """Whether the input sends nothing in this state."""
        return self.machine.table[state][given][0] == IDLE

    @property
    def states_reached(self) -> frozenset[str]:
        """States of the document that the inputs lead to."""
        names = {output.rpartition(", ")[2] for row in self.machine.table for output, _ in row}
        return frozenset(names & set(self.abstraction.vow.states)) | {self.abstraction.vow.initial}


def machine_of(given: Abstraction) -> DocumentMachine:
    """Explore the document from its initial state with every input. ValueError if it has too many states."""
    imagined = Imagined(given.vow)
    mapper = Mapper(given, imagined)
    mapper.begin()
    numbers: dict[tuple[object, ...], int] = {imagined.key(mapper): 0}
    names = [_called(imagined, mapper)]
    table: list[tuple[Step, ...]] = []
    queue: deque[tuple[Stimulus, ...]] = deque([()])
    while queue:
        way = queue.popleft()
        row: list[Step] = []
        for stimulus in given.stimuli:
            mapper.begin()
            for each in way:
                mapper.step(each)
            output = mapper.step(stimulus)
            key = imagined.key(mapper)
            if key not in numbers:
                if len(numbers) == MOST_STATES:
                    raise ValueError(
                        f"seen through its inputs the document has more than {MOST_STATES} states"
                    )
                numbers[key] = len(numbers)
                names.append(_called(imagined, mapper))
                queue.append((*way, stimulus))
            row.append((output, numbers[key]))
        table.append(tuple(row))
    inputs = tuple(each.name for each in given.stimuli)
    small = minimised(Machine(inputs, tuple(table), tuple(names)))
    return DocumentMachine(given, Machine(small.inputs, small.table, _distinct(small.names)))


def _called(imagined: Imagined, mapper: Mapper) -> str:
    """A name for where the document is now."""
    twin = imagined.twin
    good = twin.ticket is not None and mapper.lapses_ns > imagined.now_ns()
    takes = any(each.takes_ticket and twin.state in each.to for each in twin.vow.actions.values())
    parts = [twin.state, *(f"{name} {value}" for name, value in mapper.moved.items())]
    return ", ".join([*parts, "ticket"] if good and takes else parts)


def _distinct(names: tuple[str, ...]) -> tuple[str, ...]:
    """The names, numbered where several states have the same."""
    counts: dict[str, int] = {}
    found = []
    for name in names:
        counts[name] = counts.get(name, 0) + 1
        found.append(name if names.count(name) == 1 else f"{name} ({counts[name]})")
    return tuple(found)
