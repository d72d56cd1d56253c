"""The complete suite of a document within a check: its sequences, run and judged, and what they guarantee.

Every answer on the way is judged by the oracle, as in any purpose. Where an answer is allowed and yet not the
one the document's machine has (a reading decided), the sequence is given up and counted: the guarantee is
then for the rest. Sequences are handed out in small batches, each under the requirement that its transition
bears on, to be mixed among the purposes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Set
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import accumulate

from wirevow.protocol.conformance.abstraction import (
    Answer,
    Cause,
    DocumentMachine,
    Mapper,
    Reach,
    Stimulus,
    abstraction,
    machine_of,
)
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.purposes import Purpose
from wirevow.protocol.conformance.suite.hsi import Sequence, suite
from wirevow.protocol.conformance.suite.machine import Machine
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.vow import Vow

BATCH = 6
"""Sequences in a row."""
MOST_LINES = 300_000
"""Requests that a suite may take unless extra states are asked for: some documents need hours for theirs."""
RANK = 100
"""Of the first batch; the choices of a purpose depend on its rank."""
HELD_LINE_S = 0.0006
"""What a request and its reply take on a held clock, on an ordinary machine of 2025; a nominal value."""
TURNAROUND_S = 0.004
"""What a request takes beside its bytes, on a running clock; a nominal value."""
BYTES = 34
"""Of a request and its reply together, about."""


@dataclass(slots=True)
class Group:
    """The suite for one tester. Take `batches` among the purposes of a check; ask `guarantee` afterwards."""

    document: DocumentMachine
    sequences: tuple[Sequence, ...]
    extra: int
    reset: str
    """How the instrument is brought back to its start, in words."""
    hindrance: str = ""
    """Why there is no suite, if there is none."""
    most_lines: int | None = None
    """Requests that its sequences may take, about; what is beyond is left out."""
    done: int = 0
    undecided: list[str] = field(default_factory=list)
    """Sequences whose answers were allowed but not fixed by the document, and why."""
    barred: list[str] = field(default_factory=list)
    """Sequences that could not be tried, and why."""

    def batches(self, known: Set[str]) -> list[tuple[str, Purpose]]:
        """Requirement and purpose for every batch, in a good order. `known`: the requirements there are.

        First a batch for each requirement, shortest sequences first, then the second for each, and so on,
        up to `most_lines`.
        """
        sharing: dict[str, list[Sequence]] = {}
        for each in self.sequences:
            sharing.setdefault(self._bears_on(each, known), []).append(each)
        rounds = [
            (start, requirement, sequences[start : start + BATCH])
            for requirement, sequences in sharing.items()
            for start in range(0, len(sequences), BATCH)
        ]
        rounds.sort(key=lambda each: (each[0], len(each[2][0].word), each[1]))
        if self.most_lines is not None:
            spent = accumulate(self._lines(batch) for _, _, batch in rounds)
            rounds = [each for each, lines in zip(rounds, spent, strict=True) if lines <= self.most_lines]
        return [
            (requirement, Purpose("machine", "sequence", RANK + number, self._work(batch)))
            for number, (_, requirement, batch) in enumerate(rounds)
        ]

    def _work(self, batch: list[Sequence]) -> Callable[[Tester, Requirement], None]:
        def work(t: Tester, r: Requirement) -> None:
            for each in batch:
                written = self.document.machine.written(each.word)
                try:
                    open_answer = self._run(t, each)
                except NotSelected as why:
                    self.barred.append(f"{written}: {why}")
                else:
                    if open_answer:
                        self.undecided.append(f"{written}: {open_answer}")
                self.done += 1

        return work

    def _run(self, t: Tester, sequence: Sequence) -> str:
        """Run a sequence; the first answer that the document leaves open, in words, if there was one."""
        mapper = Mapper(self.document.abstraction, TesterHands(t))
        mapper.begin()
        machine, state = self.document.machine, 0
        for given in sequence.word:
            due, state = machine.table[state][given]
            seen = mapper.step(self.document.abstraction.stimuli[given])
            if seen != due:
                return f"{machine.inputs[given]} gave `{seen}`"
        return ""

    def _bears_on(self, sequence: Sequence, known: Set[str]) -> str:
        if not sequence.word:
            return f"state.{self.document.abstraction.vow.initial}.reachable"
        machine = self.document.machine
        before = machine.after(sequence.word[: sequence.aim])
        given = sequence.word[sequence.aim]
        output = machine.table[before][given][0]
        state = machine.name(before).split(",")[0]
        named = requirement_of(self.document.abstraction.stimuli[given], output, state)
        return named if named in known else f"state.{self.document.abstraction.vow.initial}.reachable"

    def cost(self) -> str:
        """How long it takes, in words, before it is run."""
        extra = f"{self.extra} extra {'state' if self.extra == 1 else 'states'}"
        took = _spoken(self._seconds())
        return f"{len(self.sequences)} sequences, about {self.lines} lines and {took}, for {extra}"

    @property
    def lines(self) -> int:
        """Requests that all sequences take, about."""
        return self._lines(self.sequences)

    def _lines(self, sequences: Iterable[Sequence]) -> int:
        given = self.document.abstraction
        per_start = 2 + len(given.vow.document.trial.put)
        requests = [_requests(each) for each in given.stimuli]
        return sum(per_start + sum(requests[each] for each in sequence.word) for sequence in sequences)

    def _seconds(self) -> float:
        given = self.document.abstraction
        if given.reach.held:
            return self.lines * HELD_LINE_S
        waits_s = [_wait_ns(given.vow, each) / NS_PER_S for each in given.stimuli]
        waiting_s = sum(waits_s[each] for sequence in self.sequences for each in sequence.word)
        return self.lines * (BYTES * 10 / given.vow.document.wire.baud + TURNAROUND_S) + waiting_s

    def guarantee(self) -> str:
        """What is known after the check, in words, with what it takes for granted."""
        machine, given = self.document.machine, self.document.abstraction
        whole = len(self.sequences)
        if self.hindrance:
            return f"No guarantee about the state machine: {self.hindrance}."
        if self.done < whole:
            ran = f"{self.done} of {whole} sequences of its suite were run"
            if self.most_lines is not None and self.lines > self.most_lines:
                ran += f", for all take about {self.lines} lines, more than {self.most_lines}"
            return f"No guarantee about the state machine: {ran}."
        inputs = "input" if self.extra == 1 else "inputs"
        further = f"and at most {self.extra} further {inputs} " if self.extra else ""
        parts = [
            f"The state machine was tested with a complete suite (HSI, k = {self.extra}): {whole} sequences",
            f"over {len(given.stimuli)} inputs; seen through these,",
            f"the document has {_states(len(machine))}.",
            "Any fault in an answer to an input, or in the state after it, would have been seen, provided",
            "that, seen through these inputs, the instrument is deterministic,",
            f"that {self.reset} brings it back to its start,",
            "and that each of its states is reached by one of the shortest ways to the document's states",
            f"{further}(or two of these ways lead to the same).",
            f"So it is for every instrument of at most {_states(len(machine) + self.extra)}.",
        ]
        if self.undecided:
            parts.append(
                f"Not judged: {len(self.undecided)} sequences, in which the document leaves an answer open "
                f"(for example {self.undecided[0]})."
            )
        if self.barred:
            parts.append(f"Not tried: {len(self.barred)} sequences (for example {self.barred[0]}).")
        missing = [name for name in given.vow.states if name not in self.document.states_reached]
        if missing:
            parts.append(f"States that these inputs do not reach: {', '.join(missing)}.")
        if given.assumed:
            parts.append(f"Taken for granted: {'; '.join(given.assumed)}.")
        if given.omitted:
            reasons: dict[str, list[str]] = {}
            for name, why in given.omitted:
                reasons.setdefault(why, []).append(name)
            shown = "; ".join(f"{', '.join(names)} ({why})" for why, names in reasons.items())
            parts.append(f"Not among the inputs: {shown}.")
        return " ".join(parts)


def _requests(stimulus: Stimulus) -> int:
    """Requests of an input: its own, and the question for the state."""
    if stimulus.cause is not None:
        return 1 + 3 * len(stimulus.cause.provoke.put)
    return 1 if stimulus.kind in ("time", "lapse") else 2


def _wait_ns(vow: Vow, stimulus: Stimulus) -> int:
    """The time that an input may take, apart from its requests."""
    if stimulus.cause is not None:
        return stimulus.cause.provoke.within
    if stimulus.kind == "lapse":
        return vow.actions[stimulus.target].gives_ticket_ns or 0
    if stimulus.kind == "time":
        leaves = (each for state in vow.states.values() for each in state.leaves)
        return max((each.after_ns for each in leaves if each.when is None), default=0)
    return 0


def reach_of(t: Tester) -> Reach:
    """What a tester's hands may do here.

    A suite energises hundreds of times, and turns the bench as often: that is for simulated instruments. A
    real one is held to it as far as nothing handles power, with an envelope too.
    """
    simulated = t.energise and t.gate is None
    events = t.events if simulated and "bench" in t.abilities else frozenset()
    refused = ((name, t.limits.refused(name)) for name in t.vow.actions)
    barred = frozenset((name, why) for name, why in refused if why)
    return Reach(simulated, {"hold", "advance"} <= t.abilities, events, barred)


def group_for(t: Tester, extra: int = 0) -> Group:
    """The suite for what this tester can and may do."""
    reset = "a power cycle" if _by_power(t) else "the way back by its own actions"
    reach = reach_of(t)
    try:
        document, sequences = _made(t.vow, reach, extra)
    except ValueError as why:
        nothing = DocumentMachine(abstraction(t.vow, reach), Machine((), ((),)))
        return Group(nothing, (), extra, reset, str(why))
    return Group(document, sequences, extra, reset, most_lines=None if extra else MOST_LINES)


_Made = tuple[DocumentMachine, tuple[Sequence, ...]]
_last: tuple[Vow, Reach, int, _Made] | None = None


def _made(vow: Vow, reach: Reach, extra: int) -> _Made:
    """The machine and its suite. The last ones are kept: an audit checks one document hundreds of times."""
    global _last
    if _last is None or _last[0] is not vow or _last[1:3] != (reach, extra):
        document = machine_of(abstraction(vow, reach))
        _last = vow, reach, extra, (document, suite(document.machine, extra, document.idle))
    return _last[3]


def _by_power(t: Tester) -> bool:
    """A power cycle costs nothing on a held clock, and forgets more than any action. A real one is spared."""
    return t.limits.free and "power" in t.abilities and {"hold", "advance"} <= t.abilities


def requirement_of(stimulus: Stimulus, output: str, state: str) -> str:
    """The requirement that an input's output in a state bears on."""
    if stimulus.cause is not None:
        return stimulus.cause.requirement
    refusal = output.split(",")[0]
    if stimulus.kind == "act":
        aspect = {"refuse state": "refused", "refuse state guard": "guard", "refuse state ticket": "ticket"}
        return f"action.{stimulus.target}.{aspect.get(refusal, 'effect')}"
    if stimulus.kind == "put":
        kept = "quantum" if isinstance(stimulus.value, int) else "choices"
        aspect = {"refuse state": "set_in", "refuse range": "bounds"}
        return f"point.{stimulus.target}.{aspect.get(refusal, kept)}"
    if stimulus.kind == "lapse":
        return f"action.{stimulus.target}.ticket"
    if stimulus.kind == "time":
        return f"state.{state}.leave.1"
    return f"point.{stimulus.target}.readable"


class TesterHands:
    """A tester's hands: every answer is judged by the oracle, and raises `Broken` if it is wrong."""

    def __init__(self, t: Tester) -> None:
        self._t = t

    def reset(self) -> None:
        if _by_power(self._t):
            self._t.power_cycle()
        self._t.home()
        self._t.prepare()

    def now_ns(self) -> int:
        return self._t.now_ns

    def say(self, text: str) -> Answer:
        reply = self._t.say(text)
        return reply.ok, reply.words

    def wait(self, ns: int) -> None:
        self._t.alive(ns)

    def provoke(self, cause: Cause) -> bool:
        t, provoke = self._t, cause.provoke
        for event, value in provoke.bench.items():
            t.bench(event, value)
        before = t.state
        t.until(lambda: t.state != before, provoke.within, cause.requirement, silent=provoke.silence)
        with suppress(NotSelected):
            t.relieve(provoke)
        return True

    def booted(self) -> None:
        self._t.home()
        self._t.prepare()


def _spoken(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"


def _states(count: int) -> str:
    return "1 state" if count == 1 else f"{count} states"
