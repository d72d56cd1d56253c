"""One search: Hypothesis walks the instrument about until an answer is wrong, and shortens the way to it.

Every walk begins in the initial state with default settings and ends on the way back there. While a failure
is being shortened, the instrument is got to know anew before every attempt. What the search strives for are
pairs of requirement and state that the check has not seen before.

Hypothesis takes a while to import, so this module is imported when a search begins.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from tempfile import TemporaryDirectory
from typing import Any
from unittest import SkipTest

from hypothesis import HealthCheck, Phase, Verbosity, seed, settings, target
from hypothesis import strategies as st
from hypothesis.configuration import set_hypothesis_home_dir
from hypothesis.database import ExampleDatabase
from hypothesis.errors import Flaky
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.rig import CoveringRig
from wirevow.protocol.conformance.search.actions import (
    SHARES,
    Action,
    Again,
    Boot,
    Cut,
    Damage,
    Doer,
    Go,
    Half,
    Line,
    Long,
    Noise,
    Panel,
    Provoke,
    Repertoire,
    Say,
    Split,
    Stall,
    Talk,
    Turn,
    Wait,
    repertoire,
)
from wirevow.protocol.conformance.search.constants import without_constants
from wirevow.protocol.conformance.search.memory import Memory
from wirevow.protocol.conformance.tester import Tester

STEPS = 24
"""Steps of a walk, at most."""
STRIVING = 10_000
"""Lines from which on a search strives for what is unseen: it does so by varying walks it has had, which
in a short one would leave no room for others. Where a rig sees into the firmware, it always does."""
SHORTENING = 1500
"""Lines that making a failure shorter may take, on a held clock; the check itself takes out what is left."""
SHORTENING_REAL = 300


class _Ended(BaseException):
    """The search is over. No Exception, because Hypothesis takes those for failures to be shortened."""

    def __init__(self, why: BaseException | None = None) -> None:
        self.why = why


@dataclass(slots=True)
class Search:
    """A search with one tester.

    `lines`: requests after which no further walk begins. `shorten`: look for a shorter way to a failure.
    `memory`: failures found before; `recall` tries just these. `cuts`: the supply is cut while it saves, too.
    `seen`: what of the firmware was reached before (`CoveringRig`); it strives for the rest of it.
    """

    tester: Tester
    seed: int
    lines: int
    shorten: bool = True
    memory: Memory | None = None
    recall: bool = False
    cuts: bool = False
    seen: int = 0
    _end: int = 0
    _first: Broken | None = None
    _best: Broken | None = None
    _astray: bool = False

    def run(self) -> None:
        """Search. Raises the `Broken` with the shortest way that was found, and what ends a check."""
        t = self.tester
        self._end = t.lines + self.lines
        phases = [Phase.reuse] if self.recall else [Phase.generate]
        if (self.lines >= STRIVING or _ways(t)) and not self.recall:
            phases.append(Phase.target)
        options = settings(
            max_examples=max(2, self.lines // STEPS),
            stateful_step_count=STEPS,
            database=None if self.memory is None else _Remembered(self.memory),
            phases=[*phases, *([Phase.shrink] if self.shorten else [])],
            derandomize=False,
            deadline=None,
            verbosity=Verbosity.quiet,
            report_multiple_bugs=False,
            suppress_health_check=list(HealthCheck),
            print_blob=False,
        )
        try:
            with TemporaryDirectory() as folder, without_constants():
                # Hypothesis keeps notes of its own, else in the current folder.
                set_hypothesis_home_dir(folder)
                run_state_machine_as_test(seed(self.seed)(self._machine()), settings=options)
        except SkipTest:
            pass  # nothing is remembered
        except (Broken, Flaky):
            pass  # the shortest of them is kept here
        except _Ended as ended:
            if ended.why is not None and self._best is None:
                raise ended.why from None
        finally:
            set_hypothesis_home_dir(None)
            if self.memory is not None:
                self.memory.write()
            self.tester.session.look()
        if self._best is not None:
            raise self._best

    def _machine(self) -> type[RuleBasedStateMachine]:
        search = self
        rules = _strategies(repertoire(self.tester), self.cuts)
        body: dict[str, Any] = {name: rule(action=strategy)(_step(name)) for name, strategy in rules}

        def begin(machine: Any) -> None:
            RuleBasedStateMachine.__init__(machine)
            machine.walk = _Walk(search)

        body["__init__"] = begin
        body["teardown"] = lambda machine: machine.walk.end()
        return type("Wandering", (RuleBasedStateMachine,), body)

    # ------------------------------------------------------------------------------------------ of one walk

    def begin(self) -> None:
        """Bring the instrument to where walks begin."""
        t = self.tester
        t.session.look()
        if t.lines >= self._end:
            raise _Ended
        if self._astray:
            t.acquaint()
            self._astray = False
        t.home()
        t.mark()

    def failed(self, broken: Broken) -> bool:
        """Keep it if it is the best so far; whether it counts as a failure."""
        t = self.tester
        self._astray = True
        if self._first is None:
            self._first = broken
            broken.lines = t.lines
            most = SHORTENING if t.session.held else SHORTENING_REAL
            self._end = t.lines + most
        elif broken.judgement.requirement != self._first.judgement.requirement:
            return False
        broken.lines = self._first.lines
        broken.steps = t.since_mark()
        if self._best is None or _sends(broken) <= _sends(self._best):
            self._best = broken
        if not self.shorten:
            raise _Ended
        return True


class _Remembered(ExampleDatabase):
    """A memory as Hypothesis speaks to it."""

    def __init__(self, memory: Memory) -> None:
        super().__init__()
        self._memory = memory

    def save(self, key: bytes, value: bytes) -> None:
        self._memory.found.add((key.hex(), bytes(value).hex()))

    def fetch(self, key: bytes) -> Iterable[bytes]:
        return [bytes.fromhex(choices) for held, choices in sorted(self._memory.found) if held == key.hex()]

    def delete(self, key: bytes, value: bytes) -> None:
        self._memory.found.discard((key.hex(), bytes(value).hex()))


def _ways(t: Tester) -> int:
    return t.rig.ways() if isinstance(t.rig, CoveringRig) else 0


def _sends(broken: Broken) -> int:
    return len([each for each in broken.steps or () if each.kind != "line"])


def _step(name: str) -> Callable[[Any, Action], None]:
    def work(machine: Any, action: Action) -> None:
        machine.walk.step(action)

    work.__name__ = name
    return work


class _Walk:
    """One run of the state machine."""

    def __init__(self, search: Search) -> None:
        self._search = search
        self._t = search.tester
        self._over = False
        self._doer = Doer(self._t)
        self._guarded(search.begin)
        self._visited = self._t.visited
        self._t.visited = set()
        self._reached = search.seen | _ways(self._t)

    def step(self, action: Action) -> None:
        if not self._over:
            self._guarded(lambda: self._doer.do(action))

    def end(self) -> None:
        """Look about and go home: what a walk has left behind shows on the way."""
        try:
            if not self._over:
                self._guarded(self._close)
                self._t.session.look()
                target(float(len(self._t.visited - self._visited)), label="unseen pairs")
                if ways := _ways(self._t):
                    target(float((ways & ~self._reached).bit_count()), label="unseen ways")
        finally:
            self._visited |= self._t.visited
            self._t.visited = self._visited

    def _close(self) -> None:
        self._doer.close()
        self._t.home()

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            with suppress(NotSelected):
                work()
        except Doubtful:
            # It cannot be brought to where the action belongs: this walk is over, and no failure.
            self._over = self._search._astray = True
        except Broken as broken:
            self._over = True
            if self._search.failed(broken):
                raise
        except Exception as error:
            # A lost port, a budget used up, a defect: nothing to make shorter.
            self._over = True
            raise _Ended(error) from error
        except BaseException:
            # The search is over, or somebody wants an end: what tears the walk down must send nothing.
            self._over = True
            raise


# --------------------------------------------------------------------------------------------------- choices


_Weighed = tuple[int, st.SearchStrategy[Action]]


def _one(line: Line, look: bool) -> Say:
    return Say((line,), look=look)


def _many(lines: list[Line], pieces: int) -> Say:
    return Say(tuple(lines), pieces)


def _wait(exponent: int) -> Wait:
    """Any length is as likely as any other of twice the length."""
    return Wait(int(10 ** (exponent / 100)))


def _cut(exponent: int) -> Cut:
    return Cut(int(10 ** (exponent / 100)))


def _cut_within(exponent: int) -> Cut:
    return Cut(0, int(10 ** (exponent / 100)))


@lru_cache(maxsize=2)
def _strategies(given: Repertoire, cuts: bool) -> list[tuple[str, st.SearchStrategy[Action]]]:
    """What the rules choose from, by their names. A walk may leave a whole rule out."""
    share = st.integers(0, SHARES - 1)
    place = st.sampled_from(("default", "low", "high", "below", "above", "between", "least", "most"))
    good_place = st.sampled_from(("between", "low", "high", "default"))
    ask = st.builds(Talk, st.just("ask"), st.sampled_from(given.points), share=share)
    put = st.builds(Talk, st.just("put"), st.sampled_from(given.settable), good_place, share)
    edge = st.builds(Talk, st.just("put"), st.sampled_from(given.settable), place, share)
    odd = st.builds(
        Talk,
        st.sampled_from(("put", "ask")),
        st.sampled_from(given.settable),
        place,
        share,
        st.sampled_from(("no unit", "wrong unit", "digit more", "digit less", "word more", "no value")),
    )
    act = st.builds(Talk, st.just("act"), st.sampled_from(given.actions))
    ticket = st.builds(
        Talk,
        st.just("act"),
        st.sampled_from(given.actions),
        share=share,
        form=st.sampled_from(("full", "word more")),
        ticket=st.sampled_from(("good", "old", "near", "none")),
    )
    if not given.actions:
        act, ticket = ask, odd
    tag = st.sampled_from(("new", "none", "same"))
    plain = st.builds(Line, st.one_of(ask, put, act), tag)
    ending = st.sampled_from(("\n", "\r\n"))
    odd_line = st.builds(
        Line, st.one_of(odd, ticket, edge), tag, st.sampled_from(("needed", "right", "wrong")), ending=ending
    )
    damage = st.builds(
        Damage, st.sampled_from(("change", "flip", "drop", "double", "insert")), share, st.integers(0, 255)
    )
    bad = st.builds(Line, st.one_of(put, act, ask), tag, st.sampled_from(("needed", "right")), damage)
    say: list[_Weighed] = [
        (2, st.builds(_one, st.builds(Line, ask))),
        (3, st.builds(_one, st.builds(Line, put, tag), st.booleans())),
        (3, st.builds(_one, st.builds(Line, edge), st.just(True))),
        (3, st.builds(_one, st.builds(Line, act, tag))),
        (6, st.builds(_one, odd_line, st.booleans())),
    ]
    meanwhile: list[st.SearchStrategy[Wait | Turn | Panel | Boot]] = [
        st.builds(Wait, st.sampled_from(given.waits_ns))
    ]
    if given.panel:
        meanwhile += [st.just(Panel(None)), st.builds(Panel, st.sampled_from(given.panel), place, share)]
    if given.boots:
        meanwhile.append(st.builds(Boot, st.sampled_from(given.boots)))
    mistreat: list[_Weighed] = [
        (5, st.builds(_one, bad, st.booleans())),
        (2, st.just(Again())),
        (1, st.builds(Noise, st.binary(min_size=1, max_size=40))),
        (1, st.builds(Long, st.integers(-2, 300), st.none() | plain)),
        (1, st.builds(Half, plain, share)),
        (2, st.builds(Split, plain, share, st.one_of(meanwhile))),
        (1, st.builds(_many, st.lists(plain, min_size=1, max_size=given.pipeline), st.integers(1, 9))),
    ]
    move: list[_Weighed] = [
        (2, st.builds(Wait, st.sampled_from(given.waits_ns))),
        (1, st.builds(_wait, st.integers(500, 1150))),
    ]
    if given.states:
        move.append((4, st.builds(Go, st.sampled_from(given.states))))
    if given.turns:
        move.append((2, st.sampled_from(given.turns)))
    if given.panel:
        move.append((1, st.just(Panel(None))))
        move.append((1, st.builds(Panel, st.sampled_from(given.panel), place, share)))
        move.append((1, st.builds(Stall, st.integers(0, 12))))
    if given.boots:
        move.append((1, st.builds(Boot, st.sampled_from(given.boots))))
    if cuts and given.cuts:
        move.append((1, st.builds(_cut, st.integers(400, 850))))
        move.append((1, st.builds(_cut_within, st.integers(0, 400))))
    if given.trips:
        move.append((1, st.builds(Provoke, st.sampled_from(given.trips))))
    return [
        ("say", _weighed(say)),
        ("mistreat", _weighed(mistreat)),
        ("move", _weighed(move)),
    ]


def _weighed(choices: Sequence[_Weighed]) -> st.SearchStrategy[Action]:
    """One of the strategies, as likely as its weight."""
    return st.sampled_from([each for weight, each in choices for _ in range(weight)]).flatmap(_same)


def _same(strategy: st.SearchStrategy[Action]) -> st.SearchStrategy[Action]:
    return strategy
