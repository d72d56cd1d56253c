"""Faults of refusals: a wrong reason, a wrong order of reasons, something done all the same."""

from __future__ import annotations

import re

from wirevow.emu.faults.change import with_point
from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Reply, Request, check_of
from wirevow.protocol.vow import ActionEntry, PointEntry, Value, Vow

refusals = Kind("refusals", seen=45)


def has_panel(vow: Vow) -> bool:
    """The front panel can take control."""
    return "local" in vow.parts


def watched_starts(vow: Vow) -> list[ActionEntry]:
    """Actions that energise with a ticket, from a state that a protection of its own watches."""
    watched = {state for trip in vow.document.trips.values() for state in trip.armed_in or ()}
    return [
        action
        for action in vow.actions.values()
        if action.takes_ticket is not None
        and any(before in watched and vow.states[after].energised for before, after in action.to.items())
    ]


def _takes_ticket(vow: Vow) -> bool:
    return any(action.takes_ticket is not None for action in vow.actions.values())


# ----------------------------------------------------------------------------------- which reason comes first


@refusals.device(
    "wire.reasons",
    lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class UnitBeforeNumber(Device):
    """The unit is looked at before the number, so that a line wrong in both is refused for its unit."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None or not entry.settable or entry.scale is None or len(request.arguments) != 2:
            return super()._put(request, now_ns)
        if not self._unit(entry.scale.unit, request.arguments[1:], request.checked):
            return False, ("unit", entry.scale.unit)
        return super()._put(request, now_ns)


@refusals.device("wire.reasons", lambda vow: any(entry.set_in is not None for entry in vow.settings))
class StateBeforeType(Device):
    """The state is looked at before the value: a bad value in the wrong state is refused for the state."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.settable and not self._settable_now(entry):
            return False, ("state", self.state)
        return super()._put(request, now_ns)


@refusals.device(
    "wire.reasons",
    lambda vow: any(entry.set_in is not None and entry.scale is not None for entry in vow.settings),
)
class RangeBeforeState(Device):
    """The limits are tested before the state."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and words[0] == "state":
            # The same request, as if the state allowed it, would be refused for its range.
            entry = self.vow.points[request.name]
            given = self._read(entry, request)
            if isinstance(given, int):
                low, high = self.bounds(entry, now_ns)
                if not low <= given <= high:
                    return False, ("range", entry.number.text(low), *entry.words(high))
        return ok, words


@refusals.device("wire.reasons", has_panel)
class BusyBeforeEverything(Device):
    """While the front panel has control every `put` is refused `busy`, before it is even read."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        return (False, ("busy", "local")) if self._busy() else super()._put(request, now_ns)


@refusals.device("wire.reasons", has_panel)
class BusyBeforeState(Device):
    """An action is refused `busy` before its state is looked at."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "state" and self._busy() and not self.vow.actions[request.name].always:
            return False, ("busy", "local")
        return ok, words


@refusals.device("wire.reasons", _takes_ticket)
class StateBeforeTicketForm(Device):
    """The state is looked at before the ticket is read: a missing ticket is refused for the wrong state."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if action is not None and self._target(action) is None:
            return False, ("state", self.state)
        return super()._act(request, now_ns)


@refusals.device(
    "wire.reasons",
    lambda vow: any(
        action.guard is not None and action.takes_ticket is not None for action in vow.actions.values()
    ),
)
class TicketBeforeGuard(Device):
    """The ticket is tested before the guard."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words != ("state", "guard"):
            return ok, words
        giver = self.vow.actions[request.name].takes_ticket
        bad = giver is not None and not self._good(giver, request.arguments[0], now_ns)
        return False, ("state", "ticket" if bad else "guard")


# ----------------------------------------------------------------------------------------- which reason it is


@refusals.device("point.*.access")
class AccessIsUnknown(Device):
    """Points and actions are looked for in their own table only; one that is in the other is `unknown`."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        known = self.vow.actions if request.verb == "act" else self.vow.points
        return (False, ("unknown",)) if words == ("access",) and request.name not in known else (ok, words)


@refusals.device("point.*.access")
class ReadingCannotBePutIsType(Device):
    """`put` of a reading is refused `type`, as if it were the value's fault."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        reading = words == ("access",) and request.name in self.vow.points
        return (False, ("type", "none")) if reading else (ok, words)


@refusals.device(
    "action.*.guard", lambda vow: any(action.guard is not None for action in vow.actions.values())
)
class GuardRefusalNamesState(Device):
    """When its guard is false, an action's refusal names the state, as if that were the cause."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return (False, ("state", self.state)) if words == ("state", "guard") else (ok, words)


@refusals.device("action.*.refused")
class StateRefusalNamesFirstState(Device):
    """The refusal names the state there was at the boot."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return (False, ("state", self.vow.initial)) if words == ("state", self.state) else (ok, words)


@refusals.device("wire.length")
class LengthRefusalWithoutLimit(Device):
    """`refuse length` does not say how long a line may be."""

    def _refuse_overlong(self, line: Overlong) -> Reply:
        return super()._refuse_overlong(line)._replace(words=("length",))


# --------------------------------------------------------------------------- done, or half done, all the same


@refusals.device("wire.atomic")
class RefusedNumberIsHeld(Device):
    """A number out of range is refused, but the nearest limit is put."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and words[0] == "range":
            entry = self.vow.points[request.name]
            low, high = self.bounds(entry, now_ns)
            given = self._read(entry, request)
            assert isinstance(given, int)
            self._set(entry, min(max(given, low), high), now_ns)
        return ok, words


@refusals.device(
    "wire.atomic",
    lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RefusedUnitIsPut(Device):
    """The number is stored as soon as it is read, before the unit behind it is looked at."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and words[0] == "unit":
            entry = self.vow.points[request.name]
            parsed = entry.number.parse(request.arguments[0])
            low, high = self.bounds(entry, now_ns)
            if parsed is not None and low <= parsed[0] <= high and self._settable_now(entry):
                self._set(entry, parsed[0], now_ns)
        return ok, words


@refusals.device(
    "wire.atomic point.*.set_in", lambda vow: any(entry.set_in is not None for entry in vow.settings)
)
class RefusedInStateIsPut(Device):
    """A setting that cannot be changed in the present state is refused, and changed."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        entry = self.vow.points.get(request.name)
        if not ok and words[0] == "state" and entry is not None and self.state != self.vow.initial:
            given: Value | tuple[str, ...] = self._read(entry, request)
            assert not isinstance(given, tuple)
            self._set(entry, given, now_ns)
        return ok, words


@refusals.device("wire.watchdog", lambda vow: any(entry.system == "silence" for entry in vow.points.values()))
class RefusedLineEndsSilence(Device):
    """Whatever is understood ends the host's silence, refused or not."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if not ok:
            self.accepted_ns = now_ns
        return ok, words


@refusals.device("wire.ticket action.*.ticket", _takes_ticket)
class RefusedLineClearsTicket(Device):
    """Any refused action makes the ticket void."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok:
            self._ticket = None
        return ok, words


@refusals.device("wire.atomic trip.*.fires", lambda vow: bool(watched_starts(vow)))
class RefusedStartEnergises(Device):
    """The outputs are switched before the ticket is tested; the refusal does not switch them back."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "ticket"):
            target = self._target(self.vow.actions[request.name])
            if target is not None:
                self.world.control(self.vow.states[target].outputs, now_ns)
        return ok, words


# ------------------------------------------------------------------------------------ access that is too wide


@refusals.device("point.*.access", lambda vow: any(entry.system == "boots" for entry in vow.points.values()))
class CountCanBePut(Device):
    """The count of boots can be put, which service found handy."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.system == "boots":
            given = self._read(entry, request)
            if isinstance(given, int):
                self.store.boots = min(max(given, entry.number.low), entry.number.high)
                return True, entry.words(self.store.boots)
        return super()._put(request, now_ns)


# ---------------------------------------------------------------------------------------------- local control


@refusals.device("wire.reasons point.*.local action.*.effect", has_panel)
class BusyIgnored(Device):
    """Requests are obeyed while the front panel has control."""

    def _busy(self) -> bool:
        return False


@refusals.device("point.*.readable", has_panel)
class BusyForAsking(Device):
    """While the front panel has control the readings cannot be asked either."""

    def _ask(self, request: Request, now_ns: int) -> Answer:
        return (False, ("busy", "local")) if self._busy() else super()._ask(request, now_ns)


@refusals.device(
    "wire.reasons action.*.always",
    lambda vow: has_panel(vow) and any(action.always for action in vow.actions.values()),
)
class StopTakesControlBack(Device):
    """The action that is always done also takes control back from the front panel."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if ok and self.vow.actions[request.name].always:
            self.controller = "remote"
        return ok, words


# ----------------------------------------------------------------------------------------------- second round


@refusals.device(
    "wire.reasons",
    lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RangeBeforeUnit(Device):
    """The limits are tested as soon as the number is read, before the unit."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None or not entry.settable or entry.scale is None or len(request.arguments) != 2:
            return super()._put(request, now_ns)
        read = self._read(entry, request._replace(arguments=(request.arguments[0], entry.scale.unit)))
        low, high = self.bounds(entry, now_ns)
        if isinstance(read, int) and not self._inside(read, low, high):
            return False, ("range", entry.number.text(low), *entry.words(high))
        return super()._put(request, now_ns)


@refusals.device("action.*.ticket wire.ticket", _takes_ticket)
class TicketRefusalNamesState(Device):
    """A wrong ticket is refused with the state's name, as if the state were the cause."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return ok, words if words[:2] != ("state", "ticket") else ("state", self.state)


@refusals.device(
    "wire.reasons", lambda vow: has_panel(vow) and any(entry.scale is None for entry in vow.settings)
)
class BusyForNumbersOnly(Device):
    """While the front panel has control words can still be put; only numbers are locked."""

    word = False

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        self.word = entry is not None and entry.scale is None and entry.source == "setting"
        answer = super()._put(request, now_ns)
        self.word = False
        return answer

    def _busy(self) -> bool:
        return super()._busy() and not self.word


def _after_locked(vow: Vow) -> str | None:
    """The last setting without states of its own that comes behind one with some."""
    pairs = zip(vow.settings, vow.settings[1:], strict=False)
    found = [b.name for a, b in pairs if a.set_in is not None and b.set_in is None]
    return found[-1] if found else None


@refusals.tables(
    "point.*.readable point.*.quantum point.*.set_in", lambda vow: _after_locked(vow) is not None
)
def set_in_of_neighbour(vow: Vow) -> Vow:
    """A row of the table is a line too long: a setting has the states of the one before it."""
    name = _after_locked(vow)
    assert name is not None
    names = [entry.name for entry in vow.settings]
    return with_point(vow, name, set_in=vow.settings[names.index(name) - 1].set_in)


@refusals.device("wire.reasons")
class ActionsWithArgumentsDone(Device):
    """An action does not look at arguments it does not need."""

    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        return None if action.takes_ticket is None else super()._wrong_arguments(action, arguments)


@refusals.device("wire.reasons")
class AskingAnActionIsUnknown(Device):
    """An action that is asked is `unknown`; only `put` looks into both tables."""

    def _ask(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._ask(request, now_ns)
        return ok, words if ok or request.name not in self.vow.actions else ("unknown",)


@refusals.device("wire.atomic", lambda vow: _takes_ticket(vow) and bool(watched_starts(vow)))
class RefusedInOperationStops(Device):
    """Any refusal while energised stops it, to be on the safe side."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and self.vow.states[self.state].energised:
            self.enter(self.vow.initial, now_ns)
        return ok, words


# ------------------------------------------------------------------------------------------------ third round


@refusals.device("wire.reasons", has_panel)
class BusyBeforeRange(Device):
    """While the front panel has control a number is refused `busy` before its range is tested."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return (ok, ("busy", "local")) if words[:1] == ("range",) and self._busy() else (ok, words)


@refusals.device("action.*.refused", _takes_ticket)
class RefusedInOperationIsOk(Device):
    """An action that is not for the present state is answered `ok` while energised, and not done."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "state" and self.vow.states[self.state].energised:
            return True, ()
        return ok, words


# ----------------------------------------------------------------------------------------------- fourth round


@refusals.device("wire.reasons")
class UnknownActionIsAccess(Device):
    """An action that does not exist is refused `access`: what is no action must be a point."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return ok, words if words != ("unknown",) else ("access",)


@refusals.device("wire.reasons point.*.access")
class PutWithoutValueIsAccess(Device):
    """A put without a value is refused `access`, like a put of a reading."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return ok, words if request.arguments or words[:1] != ("type",) else ("access",)


# ------------------------------------------------------------------------------------------------ fifth round


@refusals.device(
    "wire.reasons",
    lambda vow: (
        has_panel(vow)
        and any(effect == "clear_trip" for each in vow.actions.values() for effect, _ in each.does)
    ),
)
class FaultBeforeBusy(Device):
    """Whether a trip's cause is gone is looked at before who has control."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("busy", "local") and self.latched is not None:
            clears = ("clear_trip", "") in self.vow.actions[request.name].does
            if clears and not self._gone(self.vow.trips[self.latched], now_ns):
                return False, ("fault", self.latched)
        return ok, words


@refusals.device("wire.reasons wire.guard")
class UnknownBeforeCheck(Device):
    """While the guard is on the name is looked for before the check that is missing: `unknown` comes
    first."""

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        known = request.name in self.vow.points or request.name in self.vow.actions
        return (ok, words) if known or words != ("check",) else (False, ("unknown",))


def _has_parts(vow: Vow) -> bool:
    return any(entry.record is not None for entry in vow.points.values())


@refusals.device("wire.bulk wire.reasons point.*.readable", _has_parts)
class PartRefusalNamesCount(Device):
    """The refusal of a part's index names how many parts there are, not the last one."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        return (ok, words) if words[0] != "range" else (ok, ("range", words[1], str(int(words[2]) + 1)))


@refusals.device("wire.bulk wire.reasons point.*.readable", _has_parts)
class IndexBelowZeroIsType(Device):
    """An index is read without a sign: one below zero is refused `type`."""

    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        below = words[0] == "range" and arguments[0].startswith("-")
        return (ok, ("type", "index")) if below else (ok, words)


@refusals.device("point.*.set_in", lambda vow: any(entry.set_in is not None for entry in vow.settings))
class PutRefusalNamesWhereItCan(Device):
    """The refusal of a `put` in the wrong state names the state it would be right in."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "state":
            return ok, words
        right = self.vow.points[request.name].set_in or frozenset()
        return ok, ("state", next(state for state in self.vow.states if state in right))


# ------------------------------------------------------------------------------------------------ sixth round


@refusals.device("wire.reasons wire.syntax")
class CheckBeforeSyntax(Device):
    """The check is looked at before the line is taken apart: one wrong in both is refused for its check."""

    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.fullmatch(rb"(.*) ~([0-9A-F]{4})", line)
        if isinstance(parsed, Request) or found is None or check_of(found[1]) == found[2].decode():
            return parsed
        return Malformed("check")


@refusals.device(
    "wire.atomic state.*.leave.*",
    lambda vow: any(
        leave.when is None
        for action in watched_starts(vow)
        for state in action.to
        for leave in vow.states[state].leaves
    ),
)
class RefusedStartRestartsTimer(Device):
    """A start with a wrong ticket is refused, and the time in which it must be started begins again."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words == ("state", "ticket"):
            self.entered_ns = now_ns
            self.world.changed(None, now_ns)
        return ok, words


@refusals.device("wire.reasons wire.unit")
class PutWithoutValueAnswers(Device):
    """A `put` without a value is answered with the value there is, as if it had been asked."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.settable and not request.arguments:
            return True, self._words(entry, now_ns)
        return super()._put(request, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


@refusals.device("wire.reasons", lambda vow: has_panel(vow) and _takes_ticket(vow))
class BusyBeforeTicket(Device):
    """Who has control is looked at before the ticket is compared."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "ticket") and self._busy() and not self.vow.actions[request.name].always:
            return False, ("busy", "local")
        return ok, words


@refusals.device(
    "wire.reasons",
    lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RestOfLineIsUnit(Device):
    """The unit is all that is left of the line: a word too many is refused as a wrong unit."""

    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is None or entry.scale.unit == "1" or len(request.arguments) < 3:
            return super()._read(entry, request)
        given = super()._read(entry, request._replace(arguments=request.arguments[:2]))
        return ("unit", entry.scale.unit) if isinstance(given, int) else given


@refusals.device(
    "wire.atomic law.*",
    lambda vow: has_panel(vow) and any(entry.drives == "level.current" for entry in vow.settings),
)
class RefusedBusyReachesConverter(Device):
    """A number goes to its converter as soon as it is in range; who has control decides whether it is
    kept."""

    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if words == ("busy", "local"):
            entry = self.vow.points[request.name]
            given = self._read(entry, request)
            if entry.drives is not None and isinstance(given, int):
                self.world.control({entry.drives: given * entry.si}, now_ns)
        return ok, words


@refusals.device(
    "wire.atomic trip.*.fires law.* action.*.guard",
    lambda vow: any(action.guard is not None for action in watched_starts(vow)),
)
class OutputsBeforeGuard(Device):
    """The outputs are switched before the condition that guards an action is looked at, and stay so."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "guard"):
            target = self._target(self.vow.actions[request.name])
            assert target is not None
            self.world.control(self.vow.states[target].outputs, now_ns)
        return ok, words


# ---------------------------------------------------------------------------------------------- eighth round


@refusals.device(
    "wire.reasons action.*.guard action.*.refused",
    lambda vow: any(
        action.guard is not None and len(action.to) < len(vow.states) for action in vow.actions.values()
    ),
)
class GuardBeforeState(Device):
    """The condition that guards an action is looked at before the state is."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if (
            action is not None
            and action.guard is not None
            and self._wrong_arguments(action, request.arguments) is None
            and not self._holds(action.guard, now_ns)
        ):
            return False, ("state", "guard")
        return super()._act(request, now_ns)


def _pulses(action: ActionEntry) -> bool:
    """Whether an action that needs no ticket does something by a pulse."""
    return action.takes_ticket is None and any(kind == "pulse" for kind, _ in action.does)


@refusals.device(
    "wire.atomic law.* action.*.refused",
    lambda vow: any(
        _pulses(vow.actions[name])
        and any(state.energised and state.name not in vow.actions[name].to for state in vow.states.values())
        and any(getattr(effect, "zeroes", None) for effect in action.does)
        for name, action in vow.document.actions.items()
    ),
)
class RefusedActionZeroes(Device):
    """What an action zeroes is zeroed before its state is looked at: refused, it has done so all the same."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        refused = action is not None and self._target(action) is None
        if action is not None and refused and _pulses(action) and not request.arguments:
            for effect, what in action.does:
                self._effect(effect, what, now_ns)
        return super()._act(request, now_ns)


@refusals.device(
    "wire.reasons action.*.refused point.*.set_in",
    lambda vow: any(state.leaves for state in vow.states.values()),
)
class StateRefusalNamesAskedFor(Device):
    """The refusal for the state names the state that was last asked for, not one that came by itself
    since."""

    asked = ""

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self.asked = self.state

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        self.asked = target
        return super()._perform(action, target, now_ns)

    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if not ok and words == ("state", self.state):
            return False, ("state", self.asked)
        return ok, words


@refusals.device("wire.atomic law.* trip.*.fires", lambda vow: has_panel(vow) and bool(watched_starts(vow)))
class RefusedBusyEnergises(Device):
    """A start switches the outputs before it looks at who has control; its refusal does not switch them
    back."""

    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "busy":
            target = self.vow.states[self.vow.actions[request.name].to[self.state]]
            if target.energised:
                self.world.control(target.outputs, now_ns)
        return ok, words


@refusals.device(
    "wire.reasons point.panel.control.*",
    lambda vow: has_panel(vow) and any(not entry.saved for entry in vow.settings),
)
class BusyForSavedOnly(Device):
    """While the front panel has control settings that are not saved can be put: it has no page for them."""

    loose = False

    def _do(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        self.loose = entry is not None and entry.source == "setting" and not entry.saved
        return super()._do(request, now_ns)

    def _busy(self) -> bool:
        return super()._busy() and not self.loose
