"""The way from here to every state, and home again."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from contextlib import nullcontext, suppress
from decimal import Decimal
from functools import partial

from wirevow.protocol.conformance.envelope import (
    fitting,
)
from wirevow.protocol.conformance.fixture import Fixture
from wirevow.protocol.conformance.gate import (
    BEYOND,
    DRY,
    NotSelected,
)
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import (
    HOST_SLACK_NS,
)
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Leave, Provoke
from wirevow.protocol.expression import Expression
from wirevow.protocol.message import Reply
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry, TripEntry, Value, value_of

CLEARING_NS = (
    0,
    NS_PER_S,
    60 * NS_PER_S,
    *(300 * NS_PER_S for _ in range(12)),
    *(3600 * NS_PER_S for _ in range(4)),
)
"""Waits before each try to clear a trip whose cause has been taken away: heat goes slowly."""
LONGEST_WAIT_NS = 20 * NS_PER_S
"""Where the clock runs nothing is waited for that may take longer."""
MOST_LOOKS = 200
"""Of those that one wait may take."""
MOST_TURNS = 3
"""A step that leads back here so often does not lead on."""


def over_unseen(state: str) -> NotSelected:
    """Nothing tells of a state that may be short."""
    return NotSelected(f"without notices {state} may be over before it is seen")


class Navigation(Fixture):
    """Leads an instrument to its states."""

    def home(self) -> None:
        """Bring the instrument to its initial state with default settings, sending only what that takes."""
        self.restore_bench()
        self.attend()
        self.guard_off()
        if not self.oracle.twin.notices:
            self.say("put link.notices on")
        if self._unasked is not None:
            self.ask("self.state")  # refusals that tell little may have hidden a change
        if self._seen_state() != self.vow.initial:
            self._put_right((self.vow.initial,), surely=True)
            self.safe()
        if self.state != self.vow.initial:
            self.clear()
        if self.state != self.vow.initial:
            self._calm()
            self.goto(self.vow.initial)
        if any(self.setting(entry.name) != entry.default for entry in self.vow.settings):
            reset = self.vow.document.trial.reset
            if reset is None or not self.act(reset).ok:
                self._put_back()
        if self._seen_state() != self.vow.initial:
            self.goto(self.vow.initial)  # a setting has led on, on its way to its default

    def _calm(self) -> None:
        """Settings with which something happens by itself to their defaults, where they can be put."""
        rules = [trip.when for trip in self.vow.trips.values()]
        rules += [each.when for state in self.vow.states.values() for each in state.leaves if each.when]
        for name in dict.fromkeys(name for when in rules for name in sorted(when.names)):
            if self.vow.points[name].source == "setting":
                self._to_default(self.vow.points[name])

    def _to_default(self, entry: PointEntry) -> bool:
        """Put a setting to its default, unless it is there; False if its limits or the state forbid it."""
        wanted = self._within(entry)
        if self.setting(entry.name) != wanted:
            if not self.settable_here(entry):
                return False
            if isinstance(wanted, int):
                low, high = self.bounds(entry)
                if not low <= wanted <= high:
                    return False
            self.put(entry.name, wanted)
        return True

    def _put_back(self) -> None:
        """Every setting to its default, in an order that their limits allow, each where it can be put."""
        left: Sequence[PointEntry] = self.vow.settings
        while (still := [each for each in left if not self._to_default(each)]) and len(still) < len(left):
            left = still
        for entry in still:
            if entry.set_in is not None and self.vow.initial not in entry.set_in:
                with suppress(NotSelected, Doubtful):
                    self.goto(min(entry.set_in))
                    self.put(entry.name, self._within(entry))
        if self.state != self.vow.initial:
            self.goto(self.vow.initial)

    def clear(self) -> None:
        """Clear a latched trip, waiting for its condition to go."""
        for entry in self._holding(self.oracle.twin.latched):
            wanted = self._within(entry)
            if (
                self.setting(entry.name) != wanted
                and self.settable_here(entry)
                and self.allows(entry, wanted)
            ):
                self.put(entry.name, wanted)
        for action in self.vow.actions.values():
            if ("clear_trip", "") in action.does and self.state in action.to:
                for patience_ns in CLEARING_NS:
                    if patience_ns:
                        if not self.session.held and patience_ns > NS_PER_S:
                            break
                        self.wait(patience_ns)
                    if self._cleared(action.name):
                        return
                    self.restore_bench()  # hands that brought it about may hold it still
                latched = self.oracle.twin.latched or ""
                if self.session.held and self._relieved(latched):
                    due = f"{action.name} done, with the bench as it was before the trip"
                    judgement = Judgement(False, f"trip.{latched}.clears", due)
                    raise Broken(judgement, f"act {action.name}", f"refuse fault {latched}, for hours")
                raise Doubtful(f"the cause of the trip does not go away, so {action.name} is refused")

    def _within(self, entry: PointEntry) -> Value:
        """A setting's default, or what is nearest to it within the envelope."""
        allowed = None if self.gate is None else self.gate.allowed(entry.name)
        if allowed is None or not isinstance(entry.default, int):
            return entry.default
        return fitting(entry, entry.default, allowed)

    def _relieved(self, name: str) -> bool:
        """Whether the tester's hands have taken away what the document says provokes this trip."""
        declared = self.vow.document.trips.get(name)
        if declared is None or declared.provoke is None or not declared.provoke.bench:
            return False
        return all(
            self.declared[event].base is not None and self.bench_now.get(event) == self.declared[event].base
            for event in declared.provoke.bench
        )

    def _cleared(self, name: str) -> bool:
        """Clear the trip; what its condition looks at is read first, so that the oracle can decide."""
        trip = self.vow.trips.get(self.oracle.twin.latched or "")
        if trip is not None:
            condition = trip.cleared_when if trip.cleared_when is not None else trip.when
            for point in sorted(condition.names):
                entry = self.vow.points[point]
                if entry.source == "signal":
                    counts = self.read(point)
                    width = int(2 * entry.range_error / entry.number.step) + 2
                    self.oracle.twin.readings[point] = (counts - width, counts + width)
        try:
            return self.act(name).ok
        finally:
            self.oracle.twin.readings = {}

    def _holding(self, latched: str | None = None) -> list[PointEntry]:
        """Settings that may keep the condition of a trip true, of this one or of any that leads here."""
        names: set[str] = set()
        for trip in self.vow.trips.values():
            if trip.name == latched or (latched is None and trip.to == self.state):
                names |= trip.when.names
                names |= trip.cleared_when.names if trip.cleared_when is not None else set()
        return [entry for entry in self.vow.settings if entry.name in names]

    def goto(self, state: str) -> None:
        """Go to a state, by actions where possible, else by what the document says provokes the way."""
        turns: Counter[tuple[str, str]] = Counter()
        while self._seen_state() != state:
            before = self.state
            # What led nowhere, or nowhere for good, is not tried for ever.
            shut = {each for each, tried in turns.items() if tried >= MOST_TURNS}
            name, to, step = self._way(state, shut)[0]
            if turns[before, name]:
                self._put_right((before, to))
            self._onward(name, step)
            if self._seen_state() == before and self._reconnected():
                continue
            turns[before, name] += MOST_TURNS if self.state == before else 1
            if self.state not in (before, to):
                self._led_on((before, to))

    def _seen_state(self) -> str:
        """The present state; asked for where nothing has told of it and it may be another."""
        if self.oracle.twin.unsure:
            self.ask("self.state")
        return self.state

    def _led_on(self, states: Iterable[str]) -> None:
        """Put right what leads on by itself from these states: settings at once, readings by waiting."""
        names = self._put_right(states)
        moves = [ns for each in self.declared.values() for point, ns in each.moves.items() if point in names]
        for name, trip in self.vow.document.trips.items():
            # What the bench moves as far as to a trip comes back in as long.
            if trip.provoke is not None and trip.provoke.bench:
                seen = self.vow.trips[name].when.names & self.vow.measured & names
                moves += [trip.provoke.within] if seen else []
        if self.session.held and moves:
            self.alive(max(moves))

    def _put_right(self, states: Iterable[str], *, surely: bool = False) -> set[str]:
        """The settings to their defaults, where they can be put; returns all that the conditions look at,
        those only that hold, if `surely`."""
        twin, rules = self.oracle.twin, []
        for name in states:
            rules += [each.when for each in self.vow.states[name].leaves if each.when is not None]
            rules += [trip.when for trip in self.vow.trips.values() if name in trip.armed_in]
        if surely:  # only what has been moved can be put right
            moved = {each.name for each in self.vow.settings if self.setting(each.name) != each.default}
            rules = [each for each in rules if not moved.isdisjoint(each.names)]
        now_ns, idle = self.now_ns, (False, None) if surely else (False,)
        names = {each for rule in rules if twin.decide(rule, now_ns) not in idle for each in rule.names}
        for entry in self.vow.settings:
            if entry.name in names and entry.name not in self.vow.document.trial.put:
                self._to_default(entry)
        return names

    def _onward(self, name: str, step: Callable[[], object]) -> None:
        """Take a step out of the present state; if need be again, with what may keep it shut put right."""
        before = self.state
        action = self.vow.actions.get(name)
        guard = action.guard if action is not None else None
        step()
        if self.state != before:
            return
        # A guard may look at a reading that has not followed yet, or at a setting that was moved.
        for moved, value in self.vow.document.trial.put.items():
            entry = self.vow.points[moved]
            if self.settable_here(entry) and self.allows(entry, value_of(entry, value)):
                self.settings({moved: value})
        if guard is not None:
            self._open(guard)
        self._calm()
        self.wait(self.vow.document.trial.settle)
        if self.state == before:
            step()
        if self.state == before and self.gate is not None and self.gate.isolated:
            return
        if self.state == before and action is not None and ("clear_trip", "") in action.does:
            self.clear()  # what has tripped it may go slowly
            return
        waits = action is None or (guard is not None and guard.names & self.vow.measured)
        if self.state == before and self.session.held and waits:
            # What an earlier purpose has warmed, say, may take as long to rest as the bench to move it.
            moves = [ns for declared in self.declared.values() for ns in declared.moves.values()]
            self.alive(max(moves, default=0))
            if self.state == before:
                step()

    def _open(self, guard: Expression) -> None:
        """Put a setting that surely keeps a guard shut to a value with which it may be open."""
        twin = self.oracle.twin
        given = self.vow.document.trial.put
        for name in sorted(guard.names):
            entry = self.vow.points[name]
            if twin.decide(guard, self.now_ns) is not False:
                return
            if entry.system == "guard":
                self.guard_turned()
            if entry.source != "setting" or not self.settable_here(entry):
                continue
            before = twin.settings[name]
            low, high = self.bounds(entry) if entry.scale is not None else (0, 0)
            values: list[Value] = [value_of(entry, given[name])] if name in given else []
            values += [entry.default, *entry.choices] if entry.scale is None else [entry.default, low, high]
            for value in dict.fromkeys(values):
                twin.settings[name] = value
                opens = twin.decide(guard, self.now_ns) is not False
                twin.settings[name] = before
                if opens and self.allows(entry, value):
                    self.put(name, value)
                    break

    def route(self, target: str) -> list[Callable[[], object]]:
        """The shortest way over the state table; NotSelected if there is none for these hands."""
        return [step for _, _, step in self._way(target, frozenset())]

    def _way(self, target: str, shut: Set[tuple[str, str]]) -> list[tuple[str, str, Callable[[], object]]]:
        """The same, each step with its name and where it leads, without those that led nowhere; Doubtful if
        none is left."""
        if barred := self.barred(target):
            raise NotSelected(barred)
        ways: deque[tuple[str, list[tuple[str, str, Callable[[], object]]]]] = deque([(self.state, [])])
        seen = {self.state}
        reason = f"state {target} cannot be reached"
        while ways:
            state, steps = ways.popleft()
            for name, to, step, within_ns in self._moves(state):
                if to in seen or (state, name) in shut:
                    continue
                barred = self.barred(to) or self.limits.acting(name) or self.too_long(within_ns)
                if barred:
                    reason = barred
                    continue
                if to == target:
                    return [*steps, (name, to, step)]
                seen.add(to)
                ways.append((to, [*steps, (name, to, step)]))
        if shut:
            raise Doubtful(f"the way to {target} ended in {self.state}")
        raise NotSelected(reason)

    def barred(self, state: str) -> str:
        """Why a state must not be entered on purpose, in these hands; empty if it may be."""
        if self.vow.states[state].energised and not self.energise:
            return f"state {state} energises the input; that {DRY}"
        return self.limits.entering(state)

    def may_enter(self, state: str) -> bool:
        """Whether a state may be entered on purpose."""
        return not self.barred(state)

    def may_do(self, name: str) -> bool:
        """Whether an action may be tried, wherever it is."""
        return not self.limits.acting(name) and (self.energise or name not in self._energising)

    def one_of(self, states: Iterable[str]) -> list[str]:
        """Those of the states that may be entered. NotSelected if there are some, and none may be."""
        found = list(states)
        usable = [state for state in found if self.may_enter(state)]
        if found and not usable:
            raise NotSelected(self.barred(found[0]))
        return usable

    def too_long(self, within_ns: int) -> str:
        """Why nobody waits for what may take so long, where the clock runs; empty if it can be waited for."""
        if self.session.held or within_ns <= LONGEST_WAIT_NS:
            return ""
        return "what brings it about takes too long on a clock that cannot be advanced"

    def _moves(self, state: str) -> list[tuple[str, str, Callable[[], object], int]]:
        """Everything that leads out of a state: name, target, how to do it, and how long that may take."""
        moves: list[tuple[str, str, Callable[[], object], int]] = []
        for action in self.vow.actions.values():
            to = action.to.get(state)
            if to is not None and to != state and ("reboot", "") not in action.does:
                work = self.act if action.takes_ticket is None else self.with_ticket
                moves.append((action.name, to, partial(work, action.name), 0))
        for index, leave in enumerate(self.vow.document.states[state].leaves):
            if leave.when is None or (leave.provoke is not None and self._possible(leave.provoke)):
                within_ns = leave.after if leave.provoke is None else leave.provoke.within
                name = f"{state}.leave.{index + 1}"
                moves.append((name, leave.to, partial(self.leave, state, leave), within_ns))
        for name, trip in self.vow.document.trips.items():
            if trip.provoke is not None and trip.provoke.state == state and self._possible(trip.provoke):
                work_of = partial(self._trip_away, name, trip.provoke)
                moves.append((name, trip.to, work_of, trip.provoke.within))
        return moves

    def _possible(self, provoke: Provoke) -> bool:
        return all(event in self.events for event in provoke.bench) and (
            "bench" in self.abilities or not provoke.bench
        )

    def with_ticket(self, name: str) -> Reply:
        """An action that takes a ticket, with a fresh one if none is good."""
        action = self.vow.actions[name]
        assert action.takes_ticket is not None
        giver = self.vow.actions[action.takes_ticket]
        if self.oracle.twin.ticket_of(giver.name, self.now_ns) is None and self.state in giver.to:
            self.act(giver.name)
        if self.oracle.twin.ticket_of(giver.name, self.now_ns) is None:
            self.act(giver.name)
        return self.act(name)

    def leave(self, state: str, leave: Leave) -> None:
        """Let an unasked transition happen. NotSelected where nobody waits so long for it."""
        within_ns = leave.after if leave.provoke is None else leave.provoke.within
        if leave.when is None and state == self.state:
            # A part of it may be over: who waits longer may find it gone and back.
            twin = self.oracle.twin
            left_ns = twin.entered_ns + leave.after - self.now_ns
            within_ns = max(left_ns, 0) + twin.slack_of(leave.after) + 1
        if slow := self.too_long(within_ns):
            raise NotSelected(slow)
        if leave.provoke is not None:
            self.settings(leave.provoke.put)
            for event, value in leave.provoke.bench.items():
                self.bench(event, value)
        entered_ns = self.oracle.twin.entered_ns
        self.until(
            # It may have come back meanwhile, by transitions that nobody asks for either.
            lambda: self.state != state or self.oracle.twin.entered_ns > entered_ns,
            within_ns,
            f"state.{state}.leave.{self.vow.document.states[state].leaves.index(leave) + 1}",
            silent=leave.provoke is not None and leave.provoke.silence,
            # It may be over sooner than time tells, and what it leads to as well.
            to=leave.to if leave.when is not None or self.oracle.twin.early_ns else None,
        )
        with suppress(NotSelected):
            if leave.provoke is not None:
                self.relieve(leave.provoke)

    def settings(self, values: Mapping[str, Decimal | str]) -> None:
        """Put settings that a document's trial or provocation names."""
        for name, value in values.items():
            entry = self.vow.points[name]
            wanted = value_of(entry, value)
            if self.setting(name) != wanted and not self.put(name, wanted).ok:
                if self.gate is not None:
                    raise NotSelected(f"{name} {value} is refused by limits of which more is {BEYOND}")
                raise Doubtful(f"the instrument refuses {name} {value}, which the document says to put")

    def relieve(self, provoke: Provoke) -> None:
        """Undo what a provocation did to the bench."""
        for event, value in provoke.relief.items():
            self.bench(event, value)

    def _trip_away(self, name: str, provoke: Provoke) -> None:
        """Make a trip happen to get where it leads. Without a latch it comes again while its cause lasts."""
        self.provoke_trip(name, provoke)
        if not self.vow.trips[name].latched:
            with suppress(NotSelected):
                self.relieve(provoke)

    def provoke_trip(self, name: str, provoke: Provoke) -> int:
        """Make a trip happen from its state; returns how long it took after the last hand, in nanoseconds."""
        self.arrange(provoke)
        return self.strike(self.vow.trips[name], provoke)

    def arrange(self, provoke: Provoke) -> None:
        """Settings and state before a provocation. Settings that only some states allow come first."""
        early = {
            name: value for name, value in provoke.put.items() if self.vow.points[name].set_in is not None
        }
        late = {name: value for name, value in provoke.put.items() if name not in early}
        if early and self.state != self.vow.initial:
            self.home()
        self.settings(early)
        self.prepare()
        self.goto(provoke.state)
        leaves = self.vow.states[provoke.state].leaves
        if any(each.when is not None and self.oracle.twin.decide(each.when, self.now_ns) for each in leaves):
            # What leads on from there holds already.
            self._put_right((provoke.state,))
            self.goto(provoke.state)
        self.settings(early | late)

    def prepare(self) -> None:
        """Settings that a tester works with (`trial.put`), where they still are at their defaults."""
        for name, value in self.vow.document.trial.put.items():
            entry = self.vow.points[name]
            if self.setting(name) == entry.default and self.allows(entry, value_of(entry, value)):
                self.settings({name: value})

    def strike(self, trip: TripEntry, provoke: Provoke, in_vain: Callable[[], bool] = lambda: False) -> int:
        """The bench part of a provocation, and wait for the trip, or until it has been `in_vain`."""
        if barred := self.barred(trip.to):
            raise NotSelected(barred)
        for event, value in provoke.bench.items():
            self.bench(event, value)
        began_ns = self.now_ns
        before = self.state
        expected = f"trip.{trip.name}.fires"
        trying = self.trying
        if "notices" in self.vow.parts:
            self.trying = f"trip.{trip.name}.notice"  # nothing but its notice tells of it yet
        self.until(
            lambda: self.struck(trip, before) or in_vain(),
            provoke.within,
            expected,
            silent=provoke.silence,
            to=trip.to,
        )
        self.trying = trying
        return self.now_ns - began_ns

    def struck(self, trip: TripEntry, before: str) -> bool:
        """Whether a trip that was provoked in this state has come, or can come no more.

        On its way to the trip an instrument may go by itself to other states that the trip watches. Or it may
        have tripped before the last hand.
        """
        moved = self.state != before or self.state == trip.to
        return moved and self.state not in trip.armed_in

    def until(
        self,
        happened: Callable[[], bool],
        within_ns: int,
        requirement: str,
        *,
        silent: bool = False,
        to: str | None = None,
    ) -> None:
        """Wait until something has happened, keeping the link alive; Broken if it has not in time.

        `to` is the state that it leads to: where nothing tells of that, it has to be seen before it ends.
        """
        left_ns = within_ns + (0 if self.session.held else HOST_SLACK_NS)
        if not silent:
            self.ask_for_patience(within_ns)
        patience_ns = self.patience_ns()
        self.session.settle()
        self.attend()
        while not happened():
            if left_ns <= 0:
                if to is not None and (self._returns(to) or self._trips_away(to)):
                    raise over_unseen(to)
                seconds = within_ns / NS_PER_S
                raise Broken(
                    Judgement(False, requirement, f"within {seconds:g} s"), "", f"still in state {self.state}"
                )
            # What takes long need not take all of its time.
            long_ns = left_ns if silent or within_ns < 60 * NS_PER_S else within_ns // 16
            step_ns = min(left_ns, long_ns if silent or patience_ns is None else patience_ns)
            step_ns = step_ns if silent else min(step_ns, self._seen_ns(to, within_ns) or step_ns)
            with self.silence() if silent else nullcontext():
                self.wait(step_ns)
            left_ns -= step_ns
            told = self.oracle.twin.told or to is None
            if not happened() and not silent and (not told or patience_ns is not None or left_ns <= 0):
                self.ask("self.state")

    def _seen_ns(self, to: str | None, within_ns: int) -> int | None:
        """How often to look, so that a state that nothing tells of is seen before time ends it; None if it
        does not. NotSelected if that is too often."""
        leaves = self.vow.states[to].leaves if to is not None and not self.oracle.twin.told else ()
        ends = [each.after_ns for each in leaves if each.when is None]
        silence_ns = self.longest_silence_ns()
        if to in self._listening and silence_ns is not None and not self.oracle.twin.told:
            ends.append(silence_ns)  # or it ends because nobody is heard
        if not ends:
            return within_ns // MOST_LOOKS if to is not None and self._returns(to) else None
        assert to is not None
        lasts_ns = min(ends)
        if within_ns > MOST_LOOKS * (lasts_ns // 2):
            raise over_unseen(to)
        return max(lasts_ns // 2, 1)

    def _trips_away(self, state: str) -> bool:
        """Whether a trip may end this state at once, and nothing tells of that."""
        twin, trips = self.oracle.twin, self.vow.trips.values()
        armed = [each for each in trips if state in each.armed_in]
        return not twin.told and any(twin.decide(each.when, self.now_ns) is not False for each in armed)

    def _returns(self, state: str) -> bool:
        """Whether a condition may end this state, and nothing tells of that."""
        leaves = self.vow.states[state].leaves
        return not self.oracle.twin.told and any(each.when is not None for each in leaves)
