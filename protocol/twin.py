"""The twin: a device half that has made the choices of the instrument that is watched.

What the document fixes, it computes as any device half does. What the document leaves open (a reading within
its accuracy, a ticket, the moment of a timed change within its tolerance, a guard over a reading) it takes
from what was seen, if that is allowed, and goes on from there. Where nothing told of what the instrument did
by itself, it keeps every state that it may be in.

More than 500 lines: every open choice is a rule of the same remembered state, and none stands alone.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping, Sequence, Set
from fractions import Fraction
from functools import lru_cache

from wirevow.protocol.closure import closure
from wirevow.protocol.device import Answer, Device, Store
from wirevow.protocol.document.model import RecordField
from wirevow.protocol.expression import And, Comparison, Condition, Expression, ExpressionError, Not, Or
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import (
    LAST_NOTICE,
    UNSAID,
    Reply,
    Request,
    parse_answer,
    parse_request,
)
from wirevow.protocol.record import span_ns
from wirevow.protocol.unsaid import Course
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value, Vow

_AFTER_STATE = (("range",), ("busy",), ("fault",), ("state", "guard"), ("state", "ticket"))
"""So begin refusals for what is tested only where the state allows it (`wire.reasons`)."""

CLOCK_PARTS = 1000
"""A clock may be off by one part in so many (a ceramic resonator; common practice, no source)."""

LEARNED = frozenset({"boots", "saves", "boot_cause", "last_trip", "drops", "captures"})
"""System values that an observer who came late does not know until it has asked once."""


class Twin(Device):
    """A device half whose open choices are made by what was seen.

    `seen` is the reply that the real one gave to the line being judged (None if none came); `slack_ns` the
    uncertainty of times.
    """

    def __init__(self, vow: Vow, slack_ns: int) -> None:
        super().__init__(vow, self, Store())
        self.slack_ns = slack_ns
        self.vague = False
        """A refusal may lack its details, or its reason."""
        self.seen: Reply | None = None
        self.reply: Reply | None = None
        self.raw: bytes | None = None
        self.repeated = False
        self.open_words: tuple[str, ...] | None = None
        self.unknown: set[str] = set()
        """System values not yet learned."""
        self.readings: dict[str, tuple[int, int]] = {}
        """Bounds for readings that the tester knows more about than the quantity's range, in counts."""
        self.last_reading: dict[str, int] = {}
        self.own_texts: dict[str, tuple[str, ...]] = {}
        """What this instrument answers for the texts that have digits of its own."""
        self.uptime_slack_ns = 0
        """How much earlier than we think it may have booted."""
        self.due: deque[tuple[int, tuple[str, ...]]] = deque()
        """Notices that the tester's own hands, or time in a stall, have caused and that have not come: number
        and words."""
        self.rebooted = False
        """The last request asked for a boot, and was accepted."""
        self.number_known = False
        """Whether it is known how many notices there have been."""
        self.hand_ns = 0
        """When the panel was last turned."""
        self._by_hand = False
        self._overlooked: set[str] = set()
        """Trips that may have acted while nothing told of them, and the state has been left since."""
        self.fired: Counter[str] = Counter()
        """How often each trip has acted, as far as was seen."""
        self._untold: list[TripEntry] = []
        """Those that can have tripped, where nothing told of it and more than one can."""
        self._capture_ns: int | None = None
        self._course = Course(self)
        self.early_ns = 0
        """How much earlier than we think the present state may have been entered."""
        self._sure_ns = 0
        self._elsewhere: set[str] = set()
        """Where it may be instead, since what readings decide may have come before what time has done."""
        self._elsewhere_ns = 0
        """Since when at the earliest."""
        self.boot("power", 0)
        self.unknown = set(LEARNED)

    # -------------------------------------------------------------------------- answers are kept, not sent

    def judge(
        self, line: bytes | Overlong, seen: Reply | None, raw: bytes | None, now_ns: int
    ) -> Reply | None:
        """The reply that is due, made with the choices of the one seen; None if none is due."""
        self.seen, self.raw = seen, raw
        self.reply, self.repeated, self.open_words = None, False, None
        told = self.told
        if not told:
            self.pass_on(now_ns)
            self._follow(line, now_ns)
        self._course.heard(now_ns)
        self.line(line, now_ns)
        if self.told and not told:
            # From now on notices tell, and not of what has happened before.
            at_once = self._course.may_act(now_ns)
            if at_once or now_ns > self._sure_ns:
                self._perhaps_in(self._may_be(now_ns) - {self.state}, self._sure_ns)
                self.number_known = self.number_known and not at_once
                self._overlook(now_ns)
        self.output.clear()
        return self.reply

    def _answer(self, reply: Reply) -> bytes:
        self.reply = reply
        return self.raw or b""

    def _repeat(self, answer: bytes) -> None:
        self.repeated = True
        parsed = parse_answer(answer)
        self.reply = parsed if isinstance(parsed, Reply) else None

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        # What the tester's hands cause is known to come. For the rest, numbers are followed where notices are
        # seen (`Oracle.notice`); unseen, they go on all the same.
        if not self._by_hand:
            if not self.notices:
                self._number = self._number % LAST_NOTICE + 1
            return
        self._number = self._number % LAST_NOTICE + 1
        if not self.notices or not self._notices_on_wire:
            return
        if self.blocked and len(self.due) >= self._wire.notice_queue:
            self.due.popleft()
            self.drops += 1
        self.due.append((self._number, (event, *words)))

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.pass_on(now_ns)
        self.hand_ns = now_ns
        self._by_hand = True
        try:
            super().panel(name, value, now_ns)
        finally:
            self._by_hand = False

    @property
    def unsure(self) -> bool:
        """Whether it may have come elsewhere instead of to where time and settings surely led it."""
        return bool(self._elsewhere - {self.state}) or bool(self._course.perhaps and not self.told)

    @property
    def told(self) -> bool:
        """Whether notices tell of what happens."""
        return self.notices and self._notices_on_wire and not self.blocked

    def pass_on(self, now_ns: int) -> None:
        """What has surely happened has; where it could not be sent, its notice waits with the others."""
        while not self.told and (found := self._course.surely(now_ns)) is not None:
            due_ns, act = found
            self._overlook(due_ns)
            elsewhere = self._may_be(now_ns) - {act.to, self.state}
            if elsewhere:
                # Something that readings decide may have come before it.
                self._perhaps_in(elsewhere, self._sure_ns)
                self.number_known = False
            # Or a protection that readings decide has led there before it.
            rivals = [
                trip
                for trip in self.vow.trips.values()
                if trip is not act and trip.to == act.to and self._may_fire(trip, self.state, now_ns)
            ]
            self._by_hand = self.blocked
            try:
                if isinstance(act, LeaveEntry):
                    self.leave(act, due_ns)
                else:
                    self._fire_unseen(act, due_ns)
            finally:
                self._by_hand = False
            if rivals:
                self.unknown.add("last_trip")
                self.number_known = False
                self._untold = rivals if isinstance(act, LeaveEntry) else [act, *rivals]

    def _perhaps_in(self, states: Set[str], since_ns: int) -> None:
        """It may be in one of these as well, since then at the earliest."""
        if states and not self._elsewhere:
            self._elsewhere_ns = since_ns
        self._elsewhere |= states

    def when(self, act: TripEntry | LeaveEntry, now_ns: int) -> tuple[int, int] | None:
        """Between which times it has acted by itself by now, if settings and silence alone tell."""
        return self._course.between_ns(act, now_ns)

    def _fire_unseen(self, trip: TripEntry, now_ns: int) -> None:
        entry = self.vow.points[trip.reports]
        value = self.value(entry, now_ns) if entry.source != "signal" else entry.default
        self.fire(trip, value, now_ns)
        if not self.fixed(trip.reports):
            self.unknown.add("last_trip")

    def reboot(self, now_ns: int) -> None:
        """Whoever asked for it says when it has happened (`Oracle.boot`)."""
        self._reboot = False
        self.rebooted = True

    def boot(self, cause: str, now_ns: int) -> None:
        self.due.clear()
        self.blocked = False
        super().boot(cause, now_ns)

    # ------------------------------------------------------------------ the world (`World`): none is known

    def look(self, now_ns: int) -> None:
        """What is seen of a reading is looked at when it is (`_within`)."""

    def reading(self, entry: PointEntry, now_ns: int) -> int:
        """A reading is what was seen last."""
        return self.last_reading.get(entry.name, 0)

    def _drive(self, names: Sequence[str], now_ns: int) -> None:
        # Not even worked out: a twin boots thousands of times while the document's machine is explored.
        pass

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        """Nothing is driven."""

    def changed(self, names: Sequence[str] | None, now_ns: int) -> None:
        """What settings alone decide is known."""
        if names is None:
            self.early_ns, self._sure_ns = 0, now_ns
            self._course.entered(self.state, now_ns)
        else:
            self._course.changed(names, now_ns)
            if not self.told:
                self._perhaps_in(self._crossed(names, now_ns), now_ns)

    def _crossed(self, names: Sequence[str], now_ns: int) -> set[str]:
        """Where it may be because it has gone on by time just before these settings changed."""
        states = self.vow.states
        timed = (each for each in states[self.state].leaves if each.when is None)
        there = {each.to for each in timed if self._late_enough(each, now_ns)}
        acts: list[LeaveEntry | TripEntry] = [leave for state in there for leave in states[state].leaves]
        acts += [trip for trip in self.vow.trips.values() if there & trip.armed_in]
        return {each.to for each in acts if each.when is not None and not each.when.names.isdisjoint(names)}

    def booted(self) -> None:
        """No series is being taken, and nothing has tripped."""
        self._capture_ns = None
        self._overlooked = set()
        self._untold = []
        self._elsewhere = set()

    def capture(self, record: str, now_ns: int) -> None:
        """The series will be complete by its own length."""
        if self._capture_ns is not None and self._capture_ns < now_ns:
            self.captures += 1  # the one before is complete, though nobody has asked
        self._capture_ns = now_ns + span_ns(self.vow.document.records[record])

    # ---------------------------------------------------------------------------------------- open choices

    def _words(self, entry: PointEntry, now_ns: int) -> tuple[str, ...]:
        if entry.system == "state":
            self._moved_on(now_ns)
            self._sure_ns = now_ns
        if entry.system == "last_trip" and (self._overlooked or not self.told):
            self._tripped_unseen(now_ns)
        if entry.text:
            return self._own_text(entry)
        if entry.system in self.unknown:
            words = self._learn(entry, now_ns)
            if words is not None:
                return words
        if entry.kind == "number" and entry.source in ("signal", "extreme", "derived", "system"):
            bounds = self._bounds_of(entry, now_ns)
            if bounds is not None:
                return self._within(entry, *bounds)
        return super()._words(entry, now_ns)

    def _own_text(self, entry: PointEntry) -> tuple[str, ...]:
        """A text; the digits that only this instrument has are those that were seen first."""
        known = self.own_texts.get(entry.name)
        if known is None:
            seen = self._words_seen()
            if not entry.says(seen):
                return tuple(f"{{{word}}}" if "#" in word else word for word in entry.text)
            known = self.own_texts[entry.name] = seen
        return known

    def _moved_on(self, now_ns: int) -> None:
        """About the time of a timed transition both states are right; the one seen is taken."""
        words = self._words_seen()
        for leave in self.vow.states[self.state].leaves:
            if leave.when is None and words == (leave.to,) and self._late_enough(leave, now_ns):
                if self.notices and self._notices_on_wire:
                    self.enter(leave.to, now_ns)
                else:
                    self.leave(leave, now_ns)
                return
        if not (self.notices and self._notices_on_wire) and len(words) == 1:
            self._moved_unseen(words[0], now_ns)
        elif words:
            elsewhere, self._elsewhere = self._elsewhere, set()
            if words[0] in elsewhere:
                self.enter(words[0], now_ns)
                self.unknown.add("last_trip")

    def _follow(self, line: bytes | Overlong, now_ns: int) -> None:
        """Where nothing tells of changes, other answers do: a refusal names the state, or is for what comes
        after it in the order of refusals, and what one state refuses was done in another."""
        remembered = self._remembered
        if not isinstance(line, bytes) or self.seen is None or (remembered and remembered[0] == line):
            return
        request = parse_request(line)
        if not isinstance(request, Request) or request.verb == "ask":
            return
        seen = self.seen
        if (
            not seen.ok
            and len(seen.words) == 2
            and seen.words[0] == "state"
            and seen.words not in _AFTER_STATE
        ):
            self._moved_unseen(seen.words[1], now_ns)
            return
        # Whatever is tested after the state has found the state right.
        done = seen.ok or seen.words[:1] in _AFTER_STATE or seen.words[:2] in _AFTER_STATE
        if not done and not (self.vague and self._for_the_state(seen.words, request, now_ns)):
            return
        entry, action = self.vow.points.get(request.name), self.vow.actions.get(request.name)
        done_in = action.to.keys() if action is not None else entry.set_in if entry is not None else None
        if done_in is not None and (self.state in done_in) != done:
            may_be = self._may_be(now_ns)
            states = (each for each in self.vow.states if (each in done_in) == done and each in may_be)
            if (state := next(states, None)) is not None:
                self._moved_unseen(state, now_ns)

    def _for_the_state(self, refused: tuple[str, ...], request: Request, now_ns: int) -> bool:
        """Whether a refusal without details can only be for the state: nothing else is wrong with it."""
        entry, action = self.vow.points.get(request.name), self.vow.actions.get(request.name)
        if refused not in (("state",), (UNSAID,)):
            return False
        if request.verb == "put" and entry is not None and entry.settable:
            given = self._read(entry, request)
            if not isinstance(given, int):
                return isinstance(given, str)
            low, high = self.bounds(entry, now_ns)
            return low <= given <= high
        if action is None or self._wrong_arguments(action, request.arguments):
            return False
        if ("clear_trip", "") in action.does and refused == (UNSAID,):
            trip = self.vow.trips.get(self.latched or "")
            if trip is not None and self._cleared(trip, now_ns) is not True:
                return False
        if action.guard is not None and self.decide(action.guard, now_ns) is not True:
            return False
        if action.many and not 0 <= self._number_of(request) < action.many:
            return False
        giver = action.takes_ticket
        return giver is None or self.ticket_of(giver, now_ns) == request.arguments[0]

    def _may_be(self, now_ns: int) -> set[str]:
        """Every state that it may be in by now."""
        return closure({self.state}, lambda each: self._may_follow(each, now_ns)) | self._elsewhere

    def _moved_unseen(self, state: str, now_ns: int) -> None:
        """Nothing tells of changes that readings cause: the state seen is taken if they may have led there.

        If others may have led there one after another, it is not known how many there were.
        """
        if state not in self.vow.states:
            return
        elsewhere, self._elsewhere = self._elsewhere, set()
        since_ns = min(self._elsewhere_ns, self._sure_ns) if state in elsewhere else self._sure_ns
        before, early_ns = self.state, now_ns - since_ns
        if state == before:
            self._elsewhere = elsewhere & {state}  # it may have left it and come back
            later = closure(
                {each.to for each in self._course.perhaps}, lambda each: self._may_follow(each, now_ns)
            )
            if state not in later:
                self._course.perhaps = []
            return
        passed = closure({before}, lambda each: self._may_follow(each, now_ns) - {state})
        last = {each for each in passed if state in self._may_follow(each, now_ns)}
        if not last:
            if state in elsewhere:
                self.enter(state, now_ns)
                self.unknown.add("last_trip")
                self.early_ns = early_ns
            return
        # If it may have come round, nobody knows how often.
        once = last == {before} and before not in closure(
            {state}, lambda each: self._may_follow(each, now_ns)
        )
        trips = [
            trip
            for trip in self.vow.trips.values()
            if trip.to == state and any(self._may_fire(trip, each, now_ns) for each in last)
        ]
        leave = next((each for each in self.vow.states[self.state].leaves if each.to == state), None)
        if leave is not None and self._may_leave(leave, now_ns):
            self.leave(leave, now_ns)
        elif trips:
            self.fire(trips[0], self.vow.points[trips[0].reports].default, now_ns)
            self._untold = trips
        else:
            self.enter(state, now_ns)
        self.early_ns = early_ns
        # It may have come there before the numbers that have been told since.
        self.number_known = self.number_known and once and state not in elsewhere
        if trips or passed - {before}:
            self.unknown.add("last_trip")

    def _overlook(self, now_ns: int, done_in: Set[str] | None = None) -> None:
        """What may have tripped since the state was last known, nothing told of it, and what came then can
        have come (an action, from one of these states) from where that has led."""
        if self.seen is None or now_ns <= self._sure_ns:
            return
        later = closure(self._may_follow(self.state, now_ns), lambda each: self._may_follow(each, now_ns))
        if done_in is None or later & done_in:
            passed = later | {self.state}
            trips = self.vow.trips.values()
            missed = {each for each in trips if any(self._may_fire(each, state, now_ns) for state in passed)}
            self._overlooked |= {each.name for each in missed}
            self.number_known = self.number_known and not missed

    def _tripped_unseen(self, now_ns: int) -> None:
        """Nothing told of a trip, and another is the last one than was known: it is, if that may be."""
        words = self._words_seen()
        trip = self.vow.trips.get(words[0]) if words else None
        if trip is not None and words != self.last_trip and "last_trip" not in self.unknown:
            passed = closure({self.state}, lambda each: self._may_follow(each, now_ns))
            may_be = not self.told and any(self._may_fire(trip, each, now_ns) for each in passed)
            if (may_be or trip.name in self._overlooked) and self._reported(trip, words[1:]):
                self.last_trip = words
        self._overlooked.clear()

    def _reported(self, trip: TripEntry, words: tuple[str, ...]) -> bool:
        """Whether this is a value of what a trip reports, as it is written."""
        entry = self.vow.points[trip.reports]
        if entry.scale is None:
            return len(words) == 1 and words[0] in entry.choices
        return _counts_in(entry, words) is not None

    def _may_follow(self, state: str, now_ns: int) -> set[str]:
        """Where time, readings and protections may have led from this state, since the present one began."""
        left = {each.to for each in self.vow.states[state].leaves if self._may_leave(each, now_ns)}
        return left | {trip.to for trip in self.vow.trips.values() if self._may_fire(trip, state, now_ns)}

    def _may_leave(self, leave: LeaveEntry, now_ns: int) -> bool:
        if leave in self._course.perhaps:
            return True
        if not self._late_enough(leave, now_ns):
            return False
        return leave.when is None or self.decide(leave.when, now_ns) is not False

    def _late_enough(self, leave: LeaveEntry, now_ns: int) -> bool:
        return now_ns >= self.entered_ns + leave.after_ns - self.slack_of(leave.after_ns) - self.early_ns

    def may_have_tripped(self, name: str) -> bool:
        """Whether this trip may be the last one: where nothing told of it, it may be any that leads here."""
        return self.last_trip[0] == name or any(trip.name == name for trip in self._untold)

    def surely_tripped(self, name: str) -> bool:
        """Whether it is known that this trip was the last one."""
        return self.last_trip[0] == name and not (len(self._untold) > 1 or "last_trip" in self.unknown)

    def slack_of(self, after_ns: int) -> int:
        """How far the end of a time may be off: our own uncertainty and the instrument's clock."""
        return self.slack_ns + after_ns // CLOCK_PARTS

    def _may_fire(self, trip: TripEntry, state: str, now_ns: int) -> bool:
        if state == self.state and trip in self._course.perhaps:
            return True
        return state in trip.armed_in and True in self.truths(trip.when.atoms(), {}, now_ns)

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self._untold = []
        self._overlooked.clear()
        self.fired[trip.name] += 1
        super().fire(trip, value, now_ns)

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if action is not None and self.seen is not None and self.seen.ok and not self.told:
            self._overlook(now_ns, action.to.keys())
        if action is not None and ("clear_trip", "") in action.does:
            for trip in self._untold:
                if self._may_clear(trip, now_ns):
                    if self.seen is not None and not self.seen.ok and len(self.seen.words) == 1:
                        self.latched = trip.name  # for now: the refusal names none
                    else:
                        self._take_for(trip)
                    break
        ok, words = super()._act(request, now_ns)
        if ok and action is not None and self._elsewhere:
            # From wherever it was it has been led on, or has shown not to have been there.
            self._elsewhere = {action.to[each] for each in self._elsewhere if each in action.to} - {
                self.state
            }
        return ok, words

    def _may_clear(self, trip: TripEntry, now_ns: int) -> bool:
        """Whether the reply to an action that clears fits this trip."""
        if self.seen is None or self.seen.ok:
            return not trip.latched or self._cleared(trip, now_ns) is not False
        named = self.means(self.seen.words, ("fault", trip.name))
        return trip.latched and named and self._cleared(trip, now_ns) is not True

    def _take_for(self, trip: TripEntry) -> None:
        """It was this one that nothing told of."""
        self.latched = trip.name if trip.latched else None
        self._untold = []

    def _learn(self, entry: PointEntry, now_ns: int) -> tuple[str, ...] | None:
        """Take a value that only the instrument can know, if it has the right form."""
        assert entry.system is not None
        words = self._words_seen()
        if entry.kind == "words":
            self.unknown.discard(entry.system)
            self.last_trip = words or ("none",)
            for trip in self._untold:
                if words[:1] == (trip.name,):
                    self._take_for(trip)
                    break
            return self.last_trip if words else None
        if entry.kind == "choice":
            if len(words) == 1 and words[0] in entry.choices:
                self.unknown.discard(entry.system)
                self.boot_cause = words[0]
            return None
        counts = self._counts_seen(entry)
        if counts is None:
            return self._within(entry, entry.number.low, entry.number.high)
        self.unknown.discard(entry.system)
        match entry.system:
            case "boots":
                self.store.boots = counts
            case "saves":
                self.store.saves = counts
            case "drops":
                self.drops = counts
            case "captures":
                self._learn_captures(counts, now_ns)
        return None

    def _learn_captures(self, counts: int, now_ns: int) -> None:
        """Take the count. A capture that is complete is in it, and one that just may be leaves it unknown."""
        self.captures = counts
        late_ns = now_ns - self._capture_ns if self._capture_ns is not None else -self.slack_ns - 1
        if late_ns > self.slack_ns:
            self._capture_ns = None
        elif late_ns >= -self.slack_ns:
            self.unknown.add("captures")

    def _bounds_of(self, entry: PointEntry, now_ns: int) -> tuple[int, int] | None:
        """Bounds in counts of a number that is not fixed; None if it is."""
        scale = entry.number
        if entry.source == "signal":
            return self.readings.get(entry.name, (scale.low, scale.high))
        if entry.source == "extreme":
            known = self.extremes.get(entry.name)
            if known is None:
                return scale.low, scale.high
            return (known, scale.high) if entry.highest else (scale.low, known)
        if entry.derived is not None:
            measured = [self.vow.points[name] for name in entry.derived.names if not self.fixed(name)]
            if not measured:
                return None
            ranges: dict[str, tuple[Fraction, Fraction]] = {}
            for name in entry.derived.names:
                point = self.vow.points[name]
                if self.fixed(name):
                    value = point.exact(self.value(point, now_ns))
                    assert not isinstance(value, str)
                    ranges[name] = (value, value)
                else:
                    low, high = self._bounds_of(point, now_ns) or (point.number.low, point.number.high)
                    ranges[name] = (low * point.number.step, high * point.number.step)
            try:
                low_value, high_value = entry.derived.interval(ranges)
            except ExpressionError:
                return scale.low, scale.high
            return (
                min(max(scale.nearest(low_value), scale.low), scale.high),
                min(max(scale.nearest(high_value), scale.low), scale.high),
            )
        if entry.system in ("uptime", "silence"):
            low, high = self.clock_bounds(entry, now_ns)
            return low, high
        return None

    def clock_bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        """Bounds of a time that the instrument counts: our own count, give or take slack and clock error."""
        since_ns = now_ns - (self.booted_ns if entry.system == "uptime" else self.accepted_ns)
        slack_ns = self.slack_ns + since_ns // CLOCK_PARTS
        more_ns = slack_ns + (self.uptime_slack_ns if entry.system == "uptime" else 0)
        return self._elapsed(entry, max(0, since_ns - slack_ns)), self._elapsed(entry, since_ns + more_ns)

    def fixed(self, name: str) -> bool:
        entry = self.vow.points[name]
        if entry.source == "derived":
            assert entry.derived is not None
            return all(self.fixed(each) for each in entry.derived.names)
        return entry.source == "setting" or entry.kind == "choice"

    def _within(self, entry: PointEntry, low: int, high: int) -> tuple[str, ...]:
        scale = entry.number
        counts = self._counts_seen(entry)
        if counts is not None and low <= counts <= high:
            self.last_reading[entry.name] = counts
            for kept in self.vow.extremes:
                if entry.name in (kept.name, kept.extreme_of):
                    self._keep(kept, counts)
            return scale.words(counts)
        shown = scale.text(low) if low == high else f"{{{scale.text(low)}..{scale.text(high)}}}"
        return (shown,) if scale.unit == "1" else (shown, scale.unit)

    def _counts_seen(self, entry: PointEntry) -> int | None:
        """The value seen, if it is written as the point writes values."""
        return _counts_in(entry, self._words_seen())

    def _words_seen(self) -> tuple[str, ...]:
        return self.seen.words if self.seen is not None and self.seen.ok else ()

    def value(self, entry: PointEntry, now_ns: int) -> Value:
        if entry.source == "extreme":
            return self.last_reading.get(entry.name, 0)
        if entry.system == "captures" and self._capture_ns is not None:
            self._count_capture(entry, now_ns)
        return super().value(entry, now_ns)

    def _count_capture(self, entry: PointEntry, now_ns: int) -> None:
        assert self._capture_ns is not None
        late_ns = now_ns - self._capture_ns
        if late_ns > self.slack_ns or (
            late_ns >= -self.slack_ns and self._counts_seen(entry) == self.captures + 1
        ):
            self.captures += 1
            self._capture_ns = None

    def _part(
        self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int
    ) -> tuple[bool, tuple[str, ...]]:
        ok, words = super()._part(entry, arguments, now_ns)
        fields = self.vow.document.records[entry.record or ""].fields
        if ok and not all(self._known_field(field) for field in fields):
            if any(field.count > 1 for field in fields) and self._captured_none(now_ns):
                return ok, words
            # A series holds samples, and a field may hold a reading: any bytes, of the right length.
            seen = self._words_seen()
            digits = "0123456789ABCDEF"
            if len(seen) == 2 and len(seen[1]) == len(words[1]) and set(seen[1]) <= set(digits):
                return True, (words[0], seen[1])
            return True, (words[0], "{any}")
        return ok, words

    def _captured_none(self, now_ns: int) -> bool:
        """Whether no capture can have been completed since the boot: a series is all zeros until then."""
        begun_ns = self._capture_ns
        complete = begun_ns is not None and now_ns >= begun_ns - self.slack_ns
        return not complete and not self.captures and "captures" not in self.unknown

    def _known_field(self, field: RecordField) -> bool:
        """Whether a field of a record can only be what it is here."""
        entry = self.vow.points.get(str(field.value))
        if field.count > 1 or entry is None:
            return field.count == 1
        if entry.system in self.unknown:
            return False
        return entry.system in LEARNED or self.fixed(entry.name)

    def _unless_seen(self, decided: bool | None, refusal: str, detail: str) -> bool:
        """A decision: our own if there is one, else yes unless the reply refuses for this very reason."""
        if decided is not None:
            return decided
        seen = self.seen
        return seen is not None and (seen.ok or not self.means(seen.words, (refusal, detail)))

    def means(self, seen: tuple[str, ...], due: tuple[str, ...]) -> bool:
        """Whether the words of a refusal are those that are due, as far as they have to be told."""
        return seen[: len(due)] == due or (self.vague and seen in (due[:1], (UNSAID,)))

    def _holds(self, guard: Expression, now_ns: int) -> bool:
        return self._unless_seen(self.decide(guard, now_ns), "state", "guard")

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        return self._unless_seen(self._cleared(trip, now_ns), "fault", trip.name)

    def _cleared(self, trip: TripEntry, now_ns: int) -> bool | None:
        """Whether the condition of a trip is gone, if what is known fixes it."""
        if trip.cleared_when is not None:
            return self.decide(trip.cleared_when, now_ns)
        holds = self.decide(trip.when, now_ns)
        return None if holds is None else not holds

    def decide(self, condition: Expression, now_ns: int) -> bool | None:
        """The truth of a condition if what is known fixes it."""
        truths = self.truths(condition.atoms(), {}, now_ns)
        return next(iter(truths)) if len(truths) == 1 else None

    def truths(
        self, node: Condition, known: Mapping[str, tuple[Fraction, Fraction]], now_ns: int
    ) -> frozenset[bool]:
        """The truth values a condition can have; `known` narrows readings, in units of their quantity."""
        match node:
            case And(parts=parts):
                each = [self.truths(part, known, now_ns) for part in parts]
                return frozenset(
                    ({True} if all(True in part for part in each) else set())
                    | ({False} if any(False in part for part in each) else set())
                )
            case Or(parts=parts):
                each = [self.truths(part, known, now_ns) for part in parts]
                return frozenset(
                    ({True} if any(True in part for part in each) else set())
                    | ({False} if all(False in part for part in each) else set())
                )
            case Not(part=part):
                return frozenset(not truth for truth in self.truths(part, known, now_ns))
            case Comparison():
                return self._compared(_comparison(node), known, now_ns)

    def _compared(
        self, comparison: Expression, known: Mapping[str, tuple[Fraction, Fraction]], now_ns: int
    ) -> frozenset[bool]:
        if all(self.fixed(name) for name in comparison.names):
            return frozenset({super()._holds(comparison, now_ns)})
        ranges: dict[str, tuple[Fraction, Fraction]] = {}
        for name in comparison.names:
            point = self.vow.points[name]
            if point.kind != "number":
                return frozenset({True, False})
            if self.fixed(name):
                value = Fraction(point.exact(self.value(point, now_ns)))
                ranges[name] = known.get(name, (value, value))
            else:
                low, high = self._bounds_of(point, now_ns) or (point.number.low, point.number.high)
                ranges[name] = known.get(name, (low * point.number.step, high * point.number.step))
        try:
            return comparison.truths(ranges)
        except ExpressionError:
            return frozenset({True, False})

    def _good(self, giver: str, given: str, now_ns: int) -> bool:
        ticket = self._ticket
        if ticket is not None and ticket[:2] == (giver, given) and abs(now_ns - ticket[2]) <= self.slack_ns:
            return self._unless_seen(None, "state", "ticket")
        return super()._good(giver, given, now_ns)

    def _give(self, action: ActionEntry, now_ns: int) -> str:
        super()._give(action, now_ns)
        words = self._words_seen()
        good = len(words) == 1 and len(words[0]) == 4 and set(words[0]) <= set("0123456789abcdef")
        ticket = words[0] if good else "{ticket}"
        assert action.gives_ticket_ns is not None
        self._ticket = (action.name, ticket, now_ns + action.gives_ticket_ns)
        return ticket

    def frames(self, data: bytes, now_ns: int) -> list[bytes | Overlong]:
        """The lines that the instrument makes of these bytes."""
        return [] if now_ns < self._deaf_until_ns else self._framer.feed(data, now_ns)

    @property
    def ticket(self) -> str | None:
        """The ticket that is good now."""
        return self._ticket[1] if self._ticket is not None else None

    def ticket_of(self, giver: str, now_ns: int) -> str | None:
        """The same, if this action has given it and its time is not over."""
        ticket = self._ticket
        return ticket[1] if ticket is not None and ticket[0] == giver and now_ns <= ticket[2] else None

    @property
    def number(self) -> int:
        """Number of the last notice."""
        return self._number

    @number.setter
    def number(self, number: int) -> None:
        self._number = number

    @property
    def remembered(self) -> bytes | None:
        """The reply that is given again if its request is repeated (`wire.once`)."""
        return self._remembered[1] if self._remembered is not None else None

    def forget_request(self) -> None:
        """What was remembered for `wire.once` is not known any more."""
        self._remembered = None


def _counts_in(entry: PointEntry, words: tuple[str, ...]) -> int | None:
    """The number in these words, if they are written as the point writes values."""
    parsed = entry.number.parse(words[0]) if words else None
    return parsed[0] if parsed is not None and entry.number.words(parsed[0]) == words else None


_comparison = lru_cache(maxsize=256)(Expression.of)
"""Parts of a document's conditions are few, and looked at again and again."""
