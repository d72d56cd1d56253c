"""Faults of protection: trips that come late, early, never or for a wrong reason; how they are cleared."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from wirevow.emu.faults.behaviour import law_watches
from wirevow.emu.faults.change import with_state, with_trip
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.notices import has_notices
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.instrument import Instrument
from wirevow.emu.rules import Rule, Rules, _Comparison
from wirevow.protocol.device import NS_PER_S, Answer, Device, Values
from wirevow.protocol.document.model import Trip
from wirevow.protocol.expression import And, Comparison, Threshold, parse
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Request
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, TripEntry, Value, Vow

trips = Kind("trips", seen=58)


def _provoked(vow: Vow) -> list[TripEntry]:
    """The trips that hands on the bench can provoke."""
    ways = {name: trip.provoke for name, trip in vow.document.trips.items()}
    return [trip for name, trip in vow.trips.items() if (way := ways[name]) is not None and way.bench]


def _provoked_by_number(trip: Trip) -> bool:
    """Whether a bench event with a number, not a word, provokes a trip: so its threshold can be felt for."""
    return trip.provoke is not None and any(not isinstance(each, str) for each in trip.provoke.bench.values())


def _has_provoked(vow: Vow) -> bool:
    return bool(_provoked(vow))


def _latched(vow: Vow) -> bool:
    return any(trip.latched for trip in _provoked(vow))


def _clearable(vow: Vow) -> bool:
    clears = any(effect == "clear_trip" for action in vow.actions.values() for effect, _ in action.does)
    return _latched(vow) and clears


def _leads_elsewhere(vow: Vow) -> bool:
    """Whether clearing leads to another state than one in which a latched trip acts and nothing is drawn."""
    resting = {
        state
        for trip in vow.trips.values()
        if trip.latched
        for state in trip.armed_in - {trip.to}
        if not vow.states[state].energised
    }
    clearing = [each for each in vow.actions.values() if ("clear_trip", "") in each.does]
    return any(resting - {to} for action in clearing for to in action.to.values())


def _stops_when_tripped(vow: Vow) -> bool:
    """Whether the action that is always done can be done where a latched trip leads."""
    tripped = {trip.to for trip in _provoked(vow) if trip.latched}
    return any(action.always and tripped & action.to.keys() for action in vow.actions.values())


def _has_last_trip(vow: Vow) -> bool:
    return _has_provoked(vow) and any(entry.system == "last_trip" for entry in vow.points.values())


def _silence(vow: Vow) -> str | None:
    """The point with the host's silence, if a trip watches it."""
    silence = {entry.name for entry in vow.points.values() if entry.system == "silence"}
    watched = (name for trip in vow.trips.values() for name in trip.when.names)
    return next((name for name in watched if name in silence), None)


def _has_watchdog(vow: Vow) -> bool:
    return _silence(vow) is not None


# ------------------------------------------------------------------------------------------- whether and when


@trips.tables("trip.*.fires", _has_provoked)
def trip_first_never(vow: Vow) -> Vow:
    """The first protection in the table is never looked at: the loop begins at 1."""
    return with_trip(vow, _provoked(vow)[0].name, armed_in=frozenset())


@trips.tables("trip.*.delay trip.*.fires", lambda vow: any(trip.after_ns for trip in _provoked(vow)))
def trip_too_late(vow: Vow) -> Vow:
    """The delays of the protections are counted in a timer that runs ten times too slowly."""
    for trip in vow.trips.values():
        vow = with_trip(vow, trip.name, after_ns=10 * trip.after_ns)
    return vow


@trips.tables("trip.*.delay", lambda vow: any(trip.after_ns for trip in _provoked(vow)))
def trip_at_once(vow: Vow) -> Vow:
    """A protection acts at the first sample beyond its threshold; its delay is left out."""
    for trip in vow.trips.values():
        vow = with_trip(vow, trip.name, after_ns=0)
    return vow


class _Adding(Rules):
    """A condition's time goes on where it was when it last held."""

    def _update(self, rule: Rule, now_ns: int) -> None:
        since_ns, held = rule.since_ns, self.held.setdefault(rule.order, 0)
        super()._update(rule, now_ns)
        if since_ns is not None and rule.since_ns is None:
            self.held[rule.order] = held + now_ns - since_ns
        elif since_ns is None and rule.since_ns is not None:
            rule.since_ns -= held

    @property
    def held(self) -> dict[int, int]:
        return self.__dict__.setdefault("_held", {})  # type: ignore[no-any-return]


@trips.instrument("trip.*.delay", lambda vow: any(trip.after_ns for trip in _provoked(vow)))
class TripDelayAddsUp(Instrument):
    """The delay of a protection is not started afresh when its condition is gone: short times add up."""

    rules = _Adding


@trips.plant(
    "trip.*.fires", lambda vow: any(_provoked_by_number(trip) for trip in vow.document.trips.values())
)
class TripThresholdsOff(Overlay):
    """The comparators of the protections are set 5 % too far from zero."""

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, 1.05 * threshold)


class _Deaf(Rules):
    """Settings are looked at when a rule is armed only."""

    def changed(self, *changed: object) -> None:
        pass


@trips.instrument("trip.*.fires", lambda vow: any(trip.when.names - vow.measured for trip in _provoked(vow)))
class TripThresholdFromArming(Instrument):
    """A threshold is worked out when the protection is armed; a setting that changes later does not move
    it."""

    rules = _Deaf


def _joined(vow: Vow) -> TripEntry | None:
    """The last trip whose condition joins two with `and`."""
    joined = [trip for trip in vow.trips.values() if isinstance(trip.when.atoms(), And)]
    return joined[-1] if joined else None


# ------------------------------------------------------------------------------------------ what it does then


@trips.device("law.*", lambda vow: _latched(vow) and law_watches(vow, [trip.to for trip in _provoked(vow)]))
class TripLeavesOutputsOn(Device):
    """A trip changes the state and says so, but the outputs stay as they are."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        states = self.vow.states
        self.vow = with_state(self.vow, trip.to, outputs={}, followers={})
        super().fire(trip, value, now_ns)
        self.vow = replace(self.vow, states=states)


@trips.device("trip.*.notice", lambda vow: has_notices(vow) and _has_provoked(vow))
class TripUnnoticed(Device):
    """A trip is not noticed."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if event != "trip":
            super().notify(event, words)


@trips.device("trip.*.notice wire.unit", lambda vow: has_notices(vow) and _has_provoked(vow))
class TripNoticedWithoutUnit(Device):
    """The notice of a trip has the number alone."""

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        super().notify(event, words[:2] if event == "trip" else words)


@trips.device("trip.*.notice wire.notice.number", lambda vow: has_notices(vow) and _has_provoked(vow))
class TripNoticedAsStateToo(Device):
    """The state that a trip leads to is noticed after the trip, as if it had been a change of its own."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.notify("state", (trip.to,))


@trips.device("trip.*.notice trip.*.report", lambda vow: _has_provoked(vow) and len(vow.trips) > 1)
class TripUnderWrongName(Device):
    """A trip is reported under the name of the one before it in the table."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        names = list(self.vow.trips)
        super().fire(replace(trip, name=names[names.index(trip.name) - 1]), value, now_ns)


@trips.device("trip.*.report", lambda vow: _has_last_trip(vow) and _clearable(vow))
class TripLastIsFirst(Device):
    """The last trip that can be asked for is the first since the boot."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        last = self.last_trip
        super().fire(trip, value, now_ns)
        if last != ("none",):
            self.last_trip = last


@trips.device("trip.*.report", lambda vow: _has_last_trip(vow) and _clearable(vow))
class TripLastForgotten(Device):
    """The last trip cannot be asked for any more once it is cleared."""

    def _effect(self, effect: str, what: str, now_ns: int) -> None:
        super()._effect(effect, what, now_ns)
        if effect == "clear_trip":
            self.last_trip = ("none",)


# ----------------------------------------------------------------------------------------- latch and clearing


@trips.tables("trip.*.latch", _latched)
def latch_opens_itself(vow: Vow) -> Vow:
    """A trip clears itself after two seconds."""
    trip = next(trip for trip in _provoked(vow) if trip.latched)
    state = vow.states[trip.to]
    return with_state(vow, trip.to, leaves=(*state.leaves, LeaveEntry(9, None, 2_000_000_000, vow.initial)))


@trips.device(
    "trip.*.latch action.*.effect",
    lambda vow: any(
        action.always and action.to.get(trip.to) == trip.to
        for trip in _provoked(vow)
        if trip.latched
        for action in vow.actions.values()
    ),
)
class LatchOpenedByStop(Device):
    """The action that is always done leaves the tripped state too."""

    def _target(self, action: ActionEntry) -> str | None:
        target = super()._target(action)
        return self.vow.initial if action.always and self.latched is not None else target


@trips.device("trip.*.clears", lambda vow: _clearable(vow) and _stops_when_tripped(vow))
class LatchForgottenByStop(Device):
    """The action that is always done forgets which trip there was: it can be cleared with its cause there."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        words = super()._perform(action, target, now_ns)
        if action.always:
            self.latched = None
        return words


@trips.device("trip.*.clears", _clearable)
class ClearWhateverTheCause(Device):
    """A trip can be cleared while its cause is there."""

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        return True


@trips.device("trip.*.clears", _clearable)
class ClearNever(Device):
    """Whether the cause is gone is judged by the value at the trip, so that it never is."""

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        return False


@trips.device("trip.*.clears", lambda vow: _clearable(vow) and len(_provoked(vow)) > 1)
class ClearRefusedUnderFirstName(Device):
    """The refusal to clear names the first protection in the table."""

    def _act(self, request: Request, now_ns: int) -> tuple[bool, tuple[str, ...]]:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "fault":
            return False, ("fault", next(iter(self.vow.trips)))
        return ok, words


# ---------------------------------------------------------------------------------------------- link watchdog


@trips.tables("trip.*.fires wire.watchdog", _has_watchdog)
def watchdog_never(vow: Vow) -> Vow:
    """The watch over the host's silence is never armed."""
    silence = _silence(vow)
    for trip in vow.trips.values():
        if silence in trip.when.names:
            vow = with_trip(vow, trip.name, armed_in=frozenset())
    return vow


@trips.tables("trip.*.fires wire.watchdog", _has_watchdog)
def watchdog_early(vow: Vow) -> Vow:
    """The host's patience is halved: the silence is counted on a timer that runs twice as fast."""
    silence = _silence(vow)
    assert silence is not None
    for trip in vow.trips.values():
        if silence in trip.when.names:
            vow = with_trip(vow, trip.name, when=parse(trip.when.text.replace(silence, f"{silence} * 2")))
    return vow


@trips.device("wire.watchdog", _has_watchdog)
class WatchdogFedByAnyByte(Device):
    """Any byte that arrives ends the host's silence, whole line or not."""

    def receive(self, data: bytes, now_ns: int) -> None:
        if data:
            self.accepted_ns = now_ns
        super().receive(data, now_ns)


@trips.device("wire.watchdog", _has_watchdog)
class WatchdogNotFedByAsking(Device):
    """Only `put` and `act` end the host's silence."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        self.asked = False
        accepted_ns = self.accepted_ns
        super().line(line, now_ns)
        if self.asked:
            self.accepted_ns = accepted_ns

    def _ask(self, request: Request, now_ns: int) -> tuple[bool, tuple[str, ...]]:
        self.asked = True
        return super()._ask(request, now_ns)


# ----------------------------------------------------------------------------------------------- second round


@trips.device("trip.*.notice trip.*.report trip.*.fires", _has_provoked)
class TripReportsAfterOpening(Device):
    """The value of a trip is read when the outputs are off already."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        armed = len(trip.armed_in) < len(self.vow.states)
        super().fire(trip, 0 if armed and isinstance(value, int) else value, now_ns)


@trips.tables(
    "trip.*.delay trip.*.fires", lambda vow: len({trip.after_ns for trip in vow.trips.values()}) > 1
)
def trip_delays_shifted(vow: Vow) -> Vow:
    """The delays of the protections are a row off: each has that of the one before it."""
    delays = [trip.after_ns for trip in vow.trips.values()]
    for name, after_ns in zip(list(vow.trips), [delays[-1], *delays], strict=False):
        vow = with_trip(vow, name, after_ns=after_ns)
    return vow


@trips.tables("trip.*.fires wire.watchdog", lambda vow: _has_watchdog(vow) and "link.patience" in vow.points)
def watchdog_with_fixed_patience(vow: Vow) -> Vow:
    """The host's patience is that of the table, whatever is put."""
    silence = _silence(vow)
    for trip in vow.trips.values():
        if silence in trip.when.names:
            entry = vow.points["link.patience"]
            assert isinstance(entry.default, int)
            text = trip.when.text.replace("link.patience", entry.number.text(entry.default))
            vow = with_trip(vow, trip.name, when=parse(text))
    return vow


@trips.device("trip.*.fires", _clearable)
class TripOncePerBoot(Device):
    """A protection that has acted is not armed again before the next boot."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.acted: set[str] = set()
        super().boot(cause, now_ns)

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if trip.name not in self.acted:
            self.acted.add(trip.name)
            super().fire(trip, value, now_ns)


@trips.device("action.*.effect trip.*.clears", _leads_elsewhere)
class ClearGoesBack(Device):
    """Clearing a trip goes back to where it tripped, if nothing was drawn there."""

    tripped_in = ""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if self.state != trip.to:
            self.tripped_in = self.state
        super().fire(trip, value, now_ns)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        back = ("clear_trip", "") in action.does and self.tripped_in
        if back and not self.vow.states[self.tripped_in].energised:
            target = self.tripped_in
        return super()._perform(action, target, now_ns)


@trips.device("trip.*.fires wire.atomic point.*.readable", _has_provoked)
class TripSetsDefaults(Device):
    """A trip sets the defaults, so that nothing dangerous is left."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self._replace(self._defaults(saved_only=False), now_ns)


@trips.device(
    "trip.*.report wire.boot point.*.readable",
    lambda vow: (
        _has_last_trip(vow)
        and any(effect == "reboot" for action in vow.actions.values() for effect, _ in action.does)
    ),
)
class LastTripKeptOverBoot(Device):
    """The last trip can still be asked for after a boot that was asked for."""

    def boot(self, cause: str, now_ns: int) -> None:
        last = self.last_trip if cause == "request" else ("none",)
        super().boot(cause, now_ns)
        self.last_trip = last


@trips.device("trip.*.report", _has_last_trip)
class TripLastInOldDigits(Device):
    """The last trip is kept with its value in whole units; its notice was right."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        name, number, *rest = self.last_trip
        self.last_trip = (name, number.partition(".")[0], *rest)


# ------------------------------------------------------------------------------------------------ third round


def _anywhere(vow: Vow) -> TripEntry | None:
    """The last trip that hands provoke and that watches every state."""
    found = [trip for trip in _provoked(vow) if vow.document.trips[trip.name].armed_in is None]
    return found[-1] if found else None


@trips.tables("trip.*.fires", lambda vow: _anywhere(vow) is not None)
def trip_watched_in_operation_only(vow: Vow) -> Vow:
    """A protection that is to watch always is looked at in operation only."""
    trip = _anywhere(vow)
    assert trip is not None
    energised = frozenset(name for name, state in vow.states.items() if state.energised)
    return with_trip(vow, trip.name, armed_in=energised)


@trips.device("wire.watchdog trip.*.fires", _has_watchdog)
class WatchdogNotFedByPutting(Device):
    """A put does not end the host's silence."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        accepted_ns = self.accepted_ns
        super().line(line, now_ns)
        if isinstance(line, bytes) and b"put " in line:
            self.accepted_ns = accepted_ns


@trips.device("trip.*.report action.*.effect", lambda vow: _clearable(vow) and _has_last_trip(vow))
class ClearForgetsLast(Device):
    """Clearing a trip also takes it from what can be asked, if it was cleared at the second try."""

    refused = False

    def _act(self, request: Request, now_ns: int) -> tuple[bool, tuple[str, ...]]:
        ok, words = super()._act(request, now_ns)
        if ok and self.refused and ("clear_trip", "") in self.vow.actions[request.name].does:
            self.last_trip = ("none",)
        self.refused = words[:1] == ("fault",)
        return ok, words


# ----------------------------------------------------------------------------------------------- fourth round


class _Blind(Rules):
    """For a second after a state is entered nothing acts."""

    entered_ns = 0

    def enter(self, state: str, now_ns: int) -> None:
        self.entered_ns = now_ns
        super().enter(state, now_ns)

    def _update(self, rule: Rule, now_ns: int) -> None:
        super()._update(rule, now_ns)
        if rule.since_ns is not None and isinstance(rule.act, TripEntry):
            rule.since_ns = max(rule.since_ns, self.entered_ns + 1_000_000_000)


@trips.instrument("trip.*.fires trip.*.delay", _has_provoked)
class TripBlindAfterChange(Instrument):
    """For a second after a change of state the protections are not looked at, so that nothing trips on it."""

    rules = _Blind


@trips.device(
    "trip.*.clears action.*.effect",
    lambda vow: _clearable(vow) and any(action.always for action in vow.actions.values()),
)
class ClearAfterStopOnly(Device):
    """A trip can be cleared once the action that is always done has been done."""

    stopped = False

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.stopped = False
        super().fire(trip, value, now_ns)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        self.stopped = self.stopped or action.always
        return super()._perform(action, target, now_ns)

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        return self.stopped and super()._gone(trip, now_ns)


# ------------------------------------------------------------------------------------------------ fifth round


@trips.device("trip.*.notice", lambda vow: has_notices(vow) and _has_watchdog(vow))
class WatchdogNoticedAsState(Device):
    """A trip that does not latch is noticed as a change of state: it shares the code of the timed ones."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.plain = not trip.latched
        super().fire(trip, value, now_ns)
        self.plain = False

    plain = False

    def notify(self, event: str, words: tuple[str, ...]) -> None:
        if self.plain:
            event, words = "state", (self.state,)
        super().notify(event, words)


class _WholeSeconds(Rules):
    """The host's silence is compared with whole seconds."""

    def _look(self, comparison: _Comparison, now_ns: int) -> None:
        super()._look(comparison, now_ns)
        threshold = comparison.threshold
        if comparison.clocked and threshold is not None:
            level = int(threshold.expression.number(self._values))
            turns_ns = self._accepted_ns() + level * NS_PER_S
            comparison.true = (now_ns > turns_ns) == threshold.above
            comparison.due_ns = turns_ns + 1 if now_ns <= turns_ns else None


@trips.instrument(
    "trip.*.fires wire.watchdog",
    lambda vow: (
        _has_watchdog(vow) and "link.patience" in vow.points and vow.points["link.patience"].number.digits > 0
    ),
)
class PatienceCutToWholeSeconds(Instrument):
    """The watch over the host's silence counts whole seconds, and the patience is cut to them."""

    rules = _WholeSeconds


class _Afresh(Rules):
    """Every change of state starts all delays again."""

    def enter(self, state: str, now_ns: int) -> None:
        super().enter(state, now_ns)
        for rule in self._active:
            if rule.since_ns is not None:
                rule.since_ns = now_ns


@trips.instrument(
    "trip.*.delay trip.*.fires",
    lambda vow: any(trip.after_ns > NS_PER_S and len(trip.armed_in) > 1 for trip in _provoked(vow)),
)
class TripDelayAfreshAfterChange(Instrument):
    """The delay of a protection that is running begins again whenever the state changes."""

    rules = _Afresh


_CONSTANT = re.compile(r" [+] [0-9.]+$")


@trips.tables("trip.*.fires", lambda vow: any(_CONSTANT.search(trip.when.text) for trip in _provoked(vow)))
def trip_threshold_without_constant(vow: Vow) -> Vow:
    """Of a threshold that is a share of a ceiling and a constant above it only the share is left."""
    for trip in _provoked(vow):
        vow = with_trip(vow, trip.name, when=parse(_CONSTANT.sub("", trip.when.text)))
    return vow


def _plain(vow: Vow, trip: TripEntry) -> Threshold | None:
    """The threshold of a trip that compares what it reports, and nothing else."""
    found = trip.when.as_threshold(vow.measured) if isinstance(trip.when.atoms(), Comparison) else ()
    return found[0] if len(found) == 1 and found[0].point == trip.reports else None


@trips.device("trip.*.notice trip.*.report", lambda vow: any(_plain(vow, trip) for trip in _provoked(vow)))
class TripReportsThreshold(Device):
    """A trip reports the threshold that was passed, not the value that passed it."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        threshold = _plain(self.vow, trip)
        if threshold is not None:
            level = threshold.expression.number(Values(self, now_ns))
            value = self.vow.points[trip.reports].number.nearest(level)
        super().fire(trip, value, now_ns)


@trips.device("wire.watchdog", lambda vow: has_notices(vow) and "local" in vow.parts and _has_watchdog(vow))
class SilenceEndedByNotice(Device):
    """The timer of the host's silence is started again by whatever passes on the line: by notices too."""

    def sent(self, now_ns: int) -> None:
        if self.notices:
            self.accepted_ns = now_ns

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        super().leave(leave, now_ns)
        self.sent(now_ns)

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        self.sent(now_ns)

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        self.sent(now_ns)


# ------------------------------------------------------------------------------------------------ sixth round


@trips.device(
    "trip.*.clears",
    lambda vow: any(
        trip.latched and (trip.cleared_when or trip.when).names & {each.name for each in vow.settings}
        for trip in vow.trips.values()
    ),
)
class ClearByCeilingAtTrip(Device):
    """Whether the cause is gone is judged by the ceiling there was at the trip, whatever has been put
    since."""

    then: dict[str, Value] | None = None

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.then = dict(self.settings)
        super().fire(trip, value, now_ns)

    def _gone(self, trip: TripEntry, now_ns: int) -> bool:
        now = self.settings
        self.settings = now if self.then is None else self.then
        gone = super()._gone(trip, now_ns)
        self.settings = now
        return gone


@trips.device("trip.*.fires trip.*.delay", lambda vow: "local" in vow.parts and _has_provoked(vow))
class TripsWaitForPanel(Device):
    """While the front panel has control protections do not act; they do when it gives it back."""

    missed: tuple[tuple[TripEntry, Value], ...] = ()

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        if self.controller == "remote":
            super().fire(trip, value, now_ns)
        else:
            self.missed = (*self.missed, (trip, value))

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if self.controller == "remote":
            missed, self.missed = self.missed, ()
            for trip, then in missed:
                if self.state in trip.armed_in and trip.when.truth(Values(self, now_ns)):
                    self.fire(trip, then, now_ns)


def _locking(vow: Vow) -> set[str]:
    """States at rest that settings have for their own."""
    return {
        state
        for entry in vow.settings
        if entry.set_in is not None and vow.initial not in entry.set_in
        for state in entry.set_in
        if not vow.states[state].energised
    }


@trips.tables("trip.*.fires", lambda vow: any(trip.armed_in & _locking(vow) for trip in _provoked(vow)))
def trips_off_beside(vow: Vow) -> Vow:
    """In a state that is there for settings alone no protection is looked at: nothing is connected there."""
    for trip in vow.trips.values():
        vow = with_trip(vow, trip.name, armed_in=trip.armed_in - _locking(vow))
    return vow


@trips.device("trip.*.report", _has_watchdog)
class TripLastLatchedOnly(Device):
    """The last trip that can be asked for is the last that latched."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        last = self.last_trip
        super().fire(trip, value, now_ns)
        if not trip.latched:
            self.last_trip = last


# ---------------------------------------------------------------------------------------------- seventh round


@trips.tables("trip.*.latch", _latched)
def latch_opens_with_cause(vow: Vow) -> Vow:
    """A trip clears itself as soon as no protection finds anything wrong any more."""
    latched = [trip for trip in _provoked(vow) if trip.latched]
    gone = [
        f"not ({trip.when.text})" if trip.cleared_when is None else f"({trip.cleared_when.text})"
        for trip in latched
    ]
    state = vow.states[latched[0].to]
    opens = LeaveEntry(len(state.leaves), parse(" and ".join(gone)), 0, vow.initial)
    return with_state(vow, state.name, leaves=(*state.leaves, opens))


@trips.device("trip.*.latch", lambda vow: "local" in vow.parts and _latched(vow))
class LatchOpenedAtThePanel(Device):
    """The key that takes control at the front panel acknowledges a trip as well."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if (name, value) == ("panel.control", "local") and self.latched is not None:
            self.latched = None
            self.enter(self.vow.initial, now_ns)
            self.notify("state", (self.state,))


_SLOW_TASK_NS = 10 * NS_PER_S


def _slow(vow: Vow) -> set[str]:
    """The trips whose condition is looked at every 20 ms or more seldom."""
    every = {name: trip.every or 0 for name, trip in vow.document.trips.items()}
    return {trip.name for trip in _provoked(vow) if every[trip.name] >= 20_000_000}


class _InTheSlowTask(Rules):
    """What need not be looked at every millisecond is looked at every ten seconds."""

    def _update(self, rule: Rule, now_ns: int) -> None:
        since_ns = rule.since_ns
        super()._update(rule, now_ns)
        slow = isinstance(rule.act, TripEntry) and rule.act.name in _slow(self._vow)
        if slow and since_ns is None and rule.since_ns is not None:
            rule.since_ns = -(-now_ns // _SLOW_TASK_NS) * _SLOW_TASK_NS


@trips.instrument("trip.*.fires", lambda vow: bool(_slow(vow)))
class TripInTheSlowTask(Instrument):
    """Protections of slow things are looked at in the task that writes the log, every ten seconds."""

    rules = _InTheSlowTask


class _AfreshAtWill(Rules):
    """Delays that run can be made to begin again."""

    def begin_again(self, now_ns: int) -> None:
        for rule in self._active:
            if rule.since_ns is not None and isinstance(rule.act, TripEntry):
                rule.since_ns = now_ns


@trips.instrument("trip.*.delay trip.*.fires", lambda vow: any(trip.after_ns for trip in _provoked(vow)))
class TripDelayAfreshAfterLine(Instrument):
    """A line that is answered starts the delays of the protections again: one timer does for both."""

    rules = _AfreshAtWill

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        if b"\n" in data and isinstance(self._rules, _AfreshAtWill):
            self._catch_up()
            self._rules.begin_again(now_ns)
            self._quiet_ns = 0


_BELOW = re.compile(r" - (?=[0-9])")


@trips.tables(
    "trip.*.clears",
    lambda vow: any(
        trip.cleared_when is not None and _BELOW.search(trip.cleared_when.text) for trip in _provoked(vow)
    ),
)
def clear_hysteresis_turned_round(vow: Vow) -> Vow:
    """The hysteresis of clearing is added, not taken off: a trip can be cleared while it would trip again."""
    for trip in _provoked(vow):
        if trip.cleared_when is not None:
            turned = _BELOW.sub(" + ", trip.cleared_when.text)
            vow = with_trip(vow, trip.name, cleared_when=parse(turned))
    return vow


class _ByteOfTenths(Rules):
    """The host's silence is compared with one byte of tenths of a second."""

    def _look(self, comparison: _Comparison, now_ns: int) -> None:
        super()._look(comparison, now_ns)
        threshold = comparison.threshold
        if comparison.clocked and threshold is not None:
            tenths = round(threshold.expression.number(self._values) * 10) % 256
            turns_ns = self._accepted_ns() + tenths * NS_PER_S // 10
            comparison.true = (now_ns > turns_ns) == threshold.above
            comparison.due_ns = turns_ns + 1 if now_ns <= turns_ns else None


def _long_patience(vow: Vow) -> bool:
    """Whether the setting that the host's silence is compared with can be longer than a byte of tenths."""
    silence = _silence(vow)
    names = {name for trip in vow.trips.values() if silence in trip.when.names for name in trip.when.names}
    return any(
        entry.name in names
        and entry.scale is not None
        and entry.scale.high * entry.scale.step > Fraction(51, 2)
        for entry in vow.settings
    )


@trips.instrument("trip.*.fires wire.watchdog", lambda vow: _has_watchdog(vow) and _long_patience(vow))
class PatienceInAByte(Instrument):
    """The host's patience is handed on in one byte of tenths of a second: a minute comes round to 8.8 s."""

    rules = _ByteOfTenths


def _control(vow: Vow) -> str | None:
    """The point that tells who has control, if the watch over the host's silence looks at it."""
    control = next((entry.name for entry in vow.points.values() if entry.system == "control"), None)
    silence = _silence(vow)
    watched = any({control, silence} <= trip.when.names for trip in vow.trips.values())
    return control if watched else None


class _NotAgain(Rules):
    """That the host has control again is not heard of before the next change of state."""

    def changed(self, names: Sequence[str], now_ns: int) -> None:
        control = _control(self._vow)
        if control is None or tuple(names) != (control,) or self._values[control] != "remote":
            super().changed(names, now_ns)


@trips.instrument("trip.*.fires wire.watchdog", lambda vow: _has_watchdog(vow) and _control(vow) is not None)
class WatchdogNotAfterPanel(Instrument):
    """The front panel stops the watch over the host's silence; nobody starts it when control is given
    back."""

    rules = _NotAgain


@trips.tables(
    "trip.*.fires", lambda vow: _latched(vow) and any(not trip.latched for trip in vow.trips.values())
)
def every_trip_latches(vow: Vow) -> Vow:
    """Every protection goes through one routine, which latches: also the one that is not to."""
    to = next(trip.to for trip in vow.trips.values() if trip.latched)
    for trip in vow.trips.values():
        if not trip.latched:
            vow = with_trip(vow, trip.name, latched=True, to=to, armed_in=trip.armed_in - {to})
    return vow


@trips.device("state.*.reachable wire.boot", _latched)
class LatchKeptOverReset(Device):
    """A trip is kept in memory that the reset pin does not clear, so that nobody gets round it."""

    def boot(self, cause: str, now_ns: int) -> None:
        latched = self.latched if cause == "reset" else None
        super().boot(cause, now_ns)
        if latched is not None:
            self.latched = latched
            self.enter(self.vow.trips[latched].to, now_ns)


@trips.device(
    "law.* state.*.reachable",
    lambda vow: _clearable(vow) and any(entry.drives == "mode" for entry in vow.settings),
)
class ModeLostByTrip(Device):
    """A trip puts the regulator into its first mode to be safe; the mode that is shown stays as it was."""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        for entry in self.vow.settings:
            if entry.drives == "mode":
                self.world.control({entry.drives: entry.plant_word(entry.choices[0])}, now_ns)


@trips.device("wire.atomic trip.*.clears", _clearable)
class RefusedClearHalfDone(Device):
    """The latch is taken back before the cause is looked at: refused once, a trip can be cleared."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("fault",):
            self.latched = None
        return ok, words


@trips.device(
    "wire.atomic law.* trip.*.clears",
    lambda vow: _clearable(vow) and law_watches(vow, [trip.to for trip in _provoked(vow)]),
)
class RefusedClearEnergises(Device):
    """Clearing switches the outputs back on before it looks at the cause, and its refusal leaves them so."""

    before = ""

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        self.before = self.state
        super().fire(trip, value, now_ns)

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words[:1] == ("fault",):
            self.world.control(self.vow.states[self.before].outputs, now_ns)
        return ok, words


# ---------------------------------------------------------------------------------------------- eighth round


@trips.device(
    "trip.*.clears trip.*.latch",
    lambda vow: _clearable(vow) and sum(trip.latched for trip in _provoked(vow)) > 1,
)
class LatchKeepsFirstTrip(Device):
    """Which trip there was is kept by the first: a later, other one is cleared by the first's condition."""

    first: str | None = None

    def boot(self, cause: str, now_ns: int) -> None:
        self.first = None
        super().boot(cause, now_ns)

    def fire(self, trip: TripEntry, value: Value, now_ns: int) -> None:
        super().fire(trip, value, now_ns)
        if trip.latched:
            self.first = self.latched = self.first or trip.name


@trips.instrument(
    "trip.*.notice trip.*.report",
    lambda vow: any(
        _plain(vow, trip) is not None and trip.after_ns < vow.points[trip.reports].period_ns
        for trip in _provoked(vow)
    ),
)
class TripReportsLastSample(Instrument):
    """A trip reports the last sample its point has, which may be from before what it tripped on."""

    def _present(self, entry: PointEntry) -> Value:
        return super()._present(entry) if entry.signal is None else self.reading(entry, self.now_ns)


_MARGIN = re.compile(r"(?<= [-+] )[0-9.]+$")


@trips.tables(
    "trip.*.clears",
    lambda vow: any(
        trip.cleared_when is not None and _MARGIN.search(trip.cleared_when.text) for trip in _provoked(vow)
    ),
)
def clear_hysteresis_of_a_tenth(vow: Vow) -> Vow:
    """The hysteresis of clearing is a tenth of what it should be: a constant was taken for one in tenths."""
    for trip in _provoked(vow):
        if trip.cleared_when is not None:
            text = _MARGIN.sub(lambda found: str(Decimal(found[0]) / 10), trip.cleared_when.text)
            vow = with_trip(vow, trip.name, cleared_when=parse(text))
    return vow


def _unlatched_watchdogs(vow: Vow) -> list[TripEntry]:
    """The trips that watch the host's silence and do not latch."""
    return [trip for trip in vow.trips.values() if not trip.latched and _silence(vow) in trip.when.names]


@trips.device(
    "trip.*.latch trip.*.fires wire.watchdog", lambda vow: _latched(vow) and bool(_unlatched_watchdogs(vow))
)
class WatchdogOpensLatch(Device):
    """The watch over the host's silence goes on where a trip has latched, and ends that as it ends
    operation."""

    ended_ns = -1
    """Which silence has ended a trip already, by the time it began."""

    def next_timeout_ns(self) -> int | None:
        timeout_ns = super().next_timeout_ns()
        if self.latched is None or self.accepted_ns == self.ended_ns or self.controller == "local":
            return timeout_ns
        silence, values = _silence(self.vow), Values(self, self.accepted_ns)
        for threshold in _unlatched_watchdogs(self.vow)[0].when.as_threshold(self.vow.measured):
            if threshold.point == silence:
                turns_ns = self.accepted_ns + int(threshold.expression.number(values) * NS_PER_S) + 1
                return turns_ns if timeout_ns is None else min(timeout_ns, turns_ns)
        return timeout_ns

    def expire(self, now_ns: int) -> None:
        timed_ns, turns_ns = super().next_timeout_ns(), self.next_timeout_ns()
        if turns_ns == timed_ns or turns_ns is None or turns_ns > now_ns:
            super().expire(now_ns)
            return
        self.ended_ns = self.accepted_ns
        watchdog = _unlatched_watchdogs(self.vow)[0]
        self.latched = None
        self.fire(watchdog, self.value(self.vow.points[watchdog.reports], now_ns), now_ns)


@trips.instrument("trip.*.fires trip.*.delay", _latched)
class TripsWaitForTransmitter(Instrument):
    """The task that looks at conditions prints its notices itself: while the transmitter is stuck, it is
    too."""

    def _timer_ns(self) -> int | None:
        if not self.device.blocked:
            return super()._timer_ns()
        times = (self.device.next_timeout_ns(), self._capture[2] if self._capture is not None else None)
        return min((time for time in times if time is not None), default=None)

    def _act(self) -> bool:
        if not self.device.blocked:
            return super()._act()
        timeout_ns = self.device.next_timeout_ns()
        if self._capture is not None and self._capture[2] <= self.now_ns:
            self._finish_capture()
        elif timeout_ns is not None and timeout_ns <= self.now_ns:
            self.device.expire(self.now_ns)
        else:
            return False
        return True
