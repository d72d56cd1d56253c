"""Learning: the state machine of whatever is behind a port, inferred from its answers.

The inputs are those of the document's abstraction, carried out without an oracle: nothing is taken for
granted but the wire and the names. The algorithm is KV (Kearns and Vazirani) of the library `aalpy`; whether
a hypothesis is right is asked of two complete suites (`suite.hsi`). The document's comes first: it leads
through all of the document's states, where a small first hypothesis would look no further than its own. The
hypothesis's own comes last, so the machine found is the instrument's, if every state of the instrument is
reached by the machine's access sequences and at most `extra` further inputs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from aalpy.base import SUL, Oracle
from aalpy.learning_algs import run_KV

from wirevow.protocol.conformance.abstraction import (
    CLEAR_PATIENCE_NS,
    IDLE,
    Abstraction,
    Answer,
    Cause,
    DocumentMachine,
    Mapper,
    Stimulus,
)
from wirevow.protocol.conformance.keeping import Found
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.suite.hsi import suite
from wirevow.protocol.conformance.suite.machine import Machine, Step, Word, differences, minimised
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Reply, Request, parse_answer
from wirevow.protocol.vow import value_of

SYNC_TRIES = 8
STRIDE_NS = 250_000_000
"""How often the state is asked for while something is provoked."""


class LearningError(WirevowError):
    """The instrument cannot be learned: why, and what to do."""


class PlainHands:
    """Hands that take every answer as it is. They use a tester's port, rig and clock, but not its oracle."""

    def __init__(self, t: Tester, by_power: bool) -> None:
        self._t = t
        self._session = t.session
        self._vow = t.vow
        self._by_power = by_power
        patience = self._vow.points.get("link.patience")
        self._patience_ns = None
        if patience is not None and isinstance(patience.default, int):
            self._patience_ns = int(patience.default * patience.number.step * NS_PER_S) // 2

    def meet(self) -> tuple[str, ...]:
        """Find the instrument, bring the bench to its base, and return who it says it is.

        A real one is not touched before its settings are read, or if it is not in its initial state.
        """
        t = self._t
        for event, declared in t.declared.items():
            if declared.base is not None and event in t.events and "bench" in t.abilities:
                t.bench(event, declared.base)
        for _ in range(SYNC_TRIES):
            self._session.send(b"\n")
            self._session.wait(0 if self._session.held else HOST_SLACK_NS)
            self._session.discard()
            answer = self._exchange("ask self.vow")
            if answer is not None:
                if t.found is not None:
                    self._find(t.found)
                # Whether the guard is on is not known: a checked line is right either way.
                self._exchange("put link.guard off", check=True)
                return answer[1] if answer[0] else ()
        raise LearningError(
            f"{self._session.port.port}: no answer to `ask self.vow`; "
            "is the instrument on, and is this its port and baud rate?"
        )

    def _find(self, found: Found) -> None:
        try:
            self._t.find(found)
        except Broken as broken:
            raise LearningError(
                f"{self._session.port.port}: no answer to `{broken.sent}`; is the instrument still there?"
            ) from broken

    def now_ns(self) -> int:
        return self._session.now_ns()

    def say(self, text: str) -> Answer:
        answer = self._exchange(text)
        if answer is None:
            raise LearningError(
                f"{self._session.port.port}: no answer to `{text}`; is the instrument still there?"
            )
        return answer

    def _exchange(self, text: str, check: bool = False) -> Answer | None:
        tag = self._t.new_tag()
        verb, name, *arguments = text.split(" ")
        self._session.send(Request(tag, verb, name, tuple(arguments), check).line() + b"\n")
        self._t.lines += 1
        deadline_ns = 2 * self._t.deadline_ns + HOST_SLACK_NS
        end_ns = self.now_ns() + deadline_ns
        while (left_ns := end_ns - self.now_ns()) >= 0:
            line = self._session.line(left_ns)
            if line is None:
                return None
            parsed = parse_answer(line) if isinstance(line, bytes) else None
            if isinstance(parsed, Reply) and parsed.tag == tag:
                return parsed.ok, parsed.words
        return None

    def wait(self, ns: int) -> None:
        end_ns = self.now_ns() + ns
        while (left_ns := end_ns - self.now_ns()) > 0:
            alive = self._patience_ns is not None and left_ns > self._patience_ns
            self._session.wait(self._patience_ns if alive and self._patience_ns is not None else left_ns)
            if alive:
                self.say("ask self.uptime")
        self._session.discard()

    def provoke(self, cause: Cause) -> bool:
        provoke = cause.provoke
        for event, value in provoke.bench.items():
            self._t.bench(event, value)
        if provoke.silence:
            self._session.wait(provoke.within)
            changed = self._state() != provoke.state
        else:
            end_ns = self.now_ns() + provoke.within
            while not (changed := self._state() != provoke.state) and self.now_ns() < end_ns:
                self._session.wait(min(STRIDE_NS, max(1, end_ns - self.now_ns())))
        for event, value in provoke.relief.items():
            self._t.bench(event, value)
        return changed

    def booted(self) -> None:
        self._session.wait(
            self._vow.document.wire.opening.settle + (0 if self._session.held else 2 * HOST_SLACK_NS)
        )
        self._session.discard()
        self._settings()

    def reset(self) -> None:
        if self._by_power:
            rig = self._t.boots("power")
            self._session.arrive()
            rig.power(False)
            rig.power(True)
            self.booted()
            return
        trial = self._vow.document.trial
        if trial.safe is not None:
            self.say(f"act {trial.safe}")
        self._unlatch()
        if self._state() != self._vow.initial:
            raise LearningError(
                f"{self._session.port.port}: it stays in state {self._state()} and does not come back to "
                f"{self._vow.initial}; use a rig that can cut its power"
            )
        self._settings()

    def _unlatch(self) -> None:
        for action in self._vow.actions.values():
            if ("clear_trip", "") in action.does and self._state() in action.to:
                for ns in CLEAR_PATIENCE_NS:
                    if self.say(f"act {action.name}")[0]:
                        return
                    self.wait(ns if self._session.held else min(ns, NS_PER_S))

    def _settings(self) -> None:
        trial = self._vow.document.trial
        if trial.reset is not None:
            self.say(f"act {trial.reset}")
        for name, value in trial.put.items():
            entry = self._vow.points[name]
            self.say(f"put {name} {' '.join(entry.words(value_of(entry, value)))}")

    def _state(self) -> str:
        ok, words = self.say("ask self.state")
        return " ".join(words) if ok else ""


@dataclass(slots=True)
class _Node:
    steps: dict[int, tuple[str, _Node]] = field(default_factory=dict)


class Instrument:
    """Answers words of inputs, each asked once: what is known already is not asked again."""

    def __init__(self, abstraction: Abstraction, hands: PlainHands) -> None:
        self.abstraction = abstraction
        self._mapper = Mapper(abstraction, hands)
        self._root = _Node()
        self.asked = 0
        """Words that were put to the instrument."""

    def outputs(self, word: Word) -> tuple[str, ...]:
        """The outputs along a word. LearningError if they contradict earlier ones."""
        known = self._known(word)
        if known is not None:
            return known
        self.asked += 1
        self._mapper.begin()
        node, found = self._root, []
        for place, each in enumerate(word):
            stimulus: Stimulus = self.abstraction.stimuli[each]
            output = self._mapper.step(stimulus)
            former = node.steps.get(each)
            if former is None:
                # What sends nothing leads nowhere: whatever follows is known from where it was.
                former = node.steps[each] = (output, node if output == IDLE else _Node())
            elif former[0] != output:
                way = "; ".join(self.abstraction.stimuli[i].name for i in word[:place]) or "a start"
                raise LearningError(
                    f"after {way}, `{stimulus.name}` gave `{former[0]}` and later `{output}`: seen through "
                    "these inputs the instrument is not deterministic, so it has no such machine"
                )
            found.append(output)
            node = former[1]
        return tuple(found)

    def _known(self, word: Word) -> tuple[str, ...] | None:
        node, found = self._root, []
        for each in word:
            if each not in node.steps:
                return None
            output, node = node.steps[each]
            found.append(output)
        return tuple(found)


class _System(SUL):  # type: ignore[misc]
    """The instrument as aalpy wants it."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__()
        self._instrument = instrument
        self._word: Word = ()

    def query(self, word: tuple[int, ...]) -> list[str]:
        return list(self._instrument.outputs(tuple(word)))

    def pre(self) -> None:
        self._word = ()

    def post(self) -> None:
        self._word = ()

    def step(self, letter: int) -> str:
        self._word = (*self._word, letter)
        return self._instrument.outputs(self._word)[-1]


class _Suites(Oracle):  # type: ignore[misc]
    """Is the hypothesis right? The document's suite and its own tell."""

    def __init__(
        self,
        system: _System,
        document: DocumentMachine,
        instrument: Instrument,
        extra: int,
        tell: Callable[[str], None],
    ) -> None:
        super().__init__(list(range(len(instrument.abstraction.stimuli))), system)
        self._first = [each.word for each in suite(document.machine, 0, document.idle)]
        self._instrument = instrument
        self._extra = extra
        self._tell = tell

    def find_cex(self, hypothesis: Any) -> Word | None:
        machine = minimised(_machine(self._instrument.abstraction, hypothesis))
        states = "state" if len(machine) == 1 else "states"
        self._tell(f"{len(machine)} {states} after {self._instrument.asked} sequences")
        own = suite(machine, self._extra, lambda state, given: machine.table[state][given][0] == IDLE)
        for word in (*self._first, *(each.word for each in own)):
            due, seen = machine.outputs(word), self._instrument.outputs(word)
            for place, (one, other) in enumerate(zip(due, seen, strict=True)):
                if one != other:
                    return word[: place + 1]
        return None


def _machine(abstraction: Abstraction, automaton: Any) -> Machine:
    """An automaton of aalpy as data."""
    states = [automaton.initial_state, *(s for s in automaton.states if s is not automaton.initial_state)]
    number = {id(state): index for index, state in enumerate(states)}
    inputs = range(len(abstraction.stimuli))
    table: list[tuple[Step, ...]] = [
        tuple((state.output_fun[each], number[id(state.transitions[each])]) for each in inputs)
        for state in states
    ]
    return Machine(tuple(each.name for each in abstraction.stimuli), tuple(table))


@dataclass(frozen=True, slots=True)
class Differs:
    """One transition that the instrument makes otherwise than the document."""

    way: Word
    """Inputs that lead to it, from the start."""
    state: int
    """The document's state there."""
    given: int
    """The input."""
    document: str
    seen: str
    """What came of it by the document, and on the instrument: the answer, and the state afterwards."""


def learn(
    document: DocumentMachine,
    instrument: Instrument,
    extra: int = 0,
    tell: Callable[[str], None] = lambda text: None,
) -> Machine:
    """The minimal machine of an instrument, over the inputs of the document's.

    `tell` hears of progress. LearningError if it is not deterministic or stops answering.
    """
    system = _System(instrument)
    inputs = list(range(len(instrument.abstraction.stimuli)))
    automaton = run_KV(
        inputs,
        system,
        _Suites(system, document, instrument, extra, tell),
        automaton_type="mealy",
        cex_processing="rs",
        cache_and_non_det_check=False,
        print_level=0,
    )
    return minimised(_machine(instrument.abstraction, automaton))


def compared(document: DocumentMachine, learned: Machine) -> tuple[Differs, ...]:
    """The transitions of the document that the instrument makes otherwise, each with a shortest way to it.

    Where an input sends nothing in one of the two, there is no answer to compare.
    """
    found: dict[tuple[int, int], Differs] = {}
    for word in differences(document.machine, learned):
        *way, given = word
        state = document.machine.after(way)
        due = document.machine.table[state][given][0]
        seen = learned.table[learned.after(way)][given][0]
        if IDLE not in (due, seen):
            found.setdefault((state, given), Differs(tuple(way), state, given, due, seen))
    return tuple(found.values())


def named(document: DocumentMachine, learned: Machine) -> Machine:
    """The learned machine, its states named after the document's states that the same ways lead to.

    A state without such a one is named after the state that the instrument answers there, with a `?`.
    """
    names: dict[int, str] = {0: document.machine.name(0)}
    queue = [(0, 0)]
    seen = {(0, 0)}
    for ours, theirs in queue:
        for (due, to), (output, other) in zip(
            document.machine.table[ours], learned.table[theirs], strict=True
        ):
            if due == output and (to, other) not in seen:
                seen.add((to, other))
                queue.append((to, other))
                names.setdefault(other, document.machine.name(to))
    for row in learned.table:
        for output, to in row:
            names.setdefault(to, f"{output.rpartition(', ')[2]}?")
    taken: dict[str, int] = {}
    shown = []
    for state in range(len(learned)):
        name = names[state]
        taken[name] = taken.get(name, 0) + 1
        shown.append(name if taken[name] == 1 else f"{name} #{taken[name]}")
    return Machine(learned.inputs, learned.table, tuple(shown))


def met(t: Tester, abstraction: Abstraction, by_power: bool) -> tuple[Instrument, tuple[str, ...]]:
    """An instrument ready to be learned, and who it says it is. LearningError if nothing answers."""
    hands = PlainHands(t, by_power)
    identity = hands.meet()
    return Instrument(abstraction, hands), identity
