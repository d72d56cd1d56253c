"""Faults of refusals: a wrong reason, a wrong order of reasons, something done all the same."""

from __future__ import annotations

import re

from wirevow.emu.faults.change import with_action, with_point
from wirevow.emu.faults.fault import Kind
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Reply, Request, check_of
from wirevow.protocol.vow import ActionEntry, PointEntry, Value, Vow

refusals = Kind("refusals", seen=50)


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
    "unit-before-number",
    "The unit is looked at before the number, so that a line wrong in both is refused for its unit.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class UnitBeforeNumber(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None or not entry.settable or entry.scale is None or len(request.arguments) != 2:
            return super()._put(request, now_ns)
        if not self._unit(entry.scale.unit, request.arguments[1:], request.checked):
            return False, ("unit", entry.scale.unit)
        return super()._put(request, now_ns)


@refusals.device(
    "state-before-type",
    "The state is looked at before the value: a bad value in the wrong state is refused for the state.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(entry.set_in is not None for entry in vow.settings),
)
class StateBeforeType(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.settable and not self._settable_now(entry):
            return False, ("state", self.state)
        return super()._put(request, now_ns)


@refusals.device(
    "range-before-state",
    "The limits are tested before the state.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(entry.set_in is not None and entry.scale is not None for entry in vow.settings),
)
class RangeBeforeState(Device):
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


@refusals.device(
    "busy-before-everything",
    "While the front panel has control every `put` is refused `busy`, before it is even read.",
    breaks="wire.reasons",
    depth=1,
    rig=True,
    applies=has_panel,
)
class BusyBeforeEverything(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        return (False, ("busy", "local")) if self._busy() else super()._put(request, now_ns)


@refusals.device(
    "busy-before-state",
    "An action is refused `busy` before its state is looked at.",
    breaks="wire.reasons",
    depth=1,
    rig=True,
    applies=has_panel,
)
class BusyBeforeState(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "state" and self._busy() and not self.vow.actions[request.name].always:
            return False, ("busy", "local")
        return ok, words


@refusals.device(
    "state-before-ticket-form",
    "The state is looked at before the ticket is read: a missing ticket is refused for the wrong state.",
    breaks="wire.reasons",
    depth=1,
    applies=_takes_ticket,
)
class StateBeforeTicketForm(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        if action is not None and self._target(action) is None:
            return False, ("state", self.state)
        return super()._act(request, now_ns)


@refusals.device(
    "ticket-before-guard",
    "The ticket is tested before the guard.",
    breaks="wire.reasons",
    depth=3,
    applies=lambda vow: any(
        action.guard is not None and action.takes_ticket is not None for action in vow.actions.values()
    ),
)
class TicketBeforeGuard(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words != ("state", "guard"):
            return ok, words
        giver = self.vow.actions[request.name].takes_ticket
        bad = giver is not None and not self._good(giver, request.arguments[0], now_ns)
        return False, ("state", "ticket" if bad else "guard")


# ----------------------------------------------------------------------------------------- which reason it is


@refusals.device(
    "access-is-unknown",
    "Points and actions are looked for in their own table only; one that is in the other is `unknown`.",
    breaks="point.*.access",
    depth=1,
)
class AccessIsUnknown(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        known = self.vow.actions if request.verb == "act" else self.vow.points
        return (False, ("unknown",)) if words == ("access",) and request.name not in known else (ok, words)


@refusals.device(
    "reading-cannot-be-put-is-type",
    "`put` of a reading is refused `type`, as if it were the value's fault.",
    breaks="point.*.access",
    depth=1,
)
class ReadingCannotBePutIsType(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        reading = words == ("access",) and request.name in self.vow.points
        return (False, ("type", "none")) if reading else (ok, words)


@refusals.device(
    "guard-refusal-names-state",
    "When its guard is false, an action's refusal names the state, as if that were the cause.",
    breaks="action.*.guard",
    depth=3,
    applies=lambda vow: any(action.guard is not None for action in vow.actions.values()),
)
class GuardRefusalNamesState(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return (False, ("state", self.state)) if words == ("state", "guard") else (ok, words)


@refusals.device(
    "state-refusal-names-first-state",
    "The refusal names the state there was at the boot.",
    breaks="action.*.refused",
    depth=2,
)
class StateRefusalNamesFirstState(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return (False, ("state", self.vow.initial)) if words == ("state", self.state) else (ok, words)


@refusals.device(
    "length-refusal-without-limit",
    "`refuse length` does not say how long a line may be.",
    breaks="wire.length",
    depth=1,
)
class LengthRefusalWithoutLimit(Device):
    def _refuse_overlong(self, line: Overlong) -> Reply:
        return super()._refuse_overlong(line)._replace(words=("length",))


# --------------------------------------------------------------------------- done, or half done, all the same


@refusals.device(
    "refused-number-is-held",
    "A number out of range is refused, but the nearest limit is put.",
    breaks="wire.atomic",
    depth=2,
)
class RefusedNumberIsHeld(Device):
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
    "refused-unit-is-put",
    "The number is stored as soon as it is read, before the unit behind it is looked at.",
    breaks="wire.atomic",
    depth=2,
    applies=lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RefusedUnitIsPut(Device):
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
    "refused-in-state-is-put",
    "A setting that cannot be changed in the present state is refused, and changed.",
    breaks="wire.atomic point.*.set_in",
    depth=4,
    applies=lambda vow: any(entry.set_in is not None for entry in vow.settings),
)
class RefusedInStateIsPut(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        entry = self.vow.points.get(request.name)
        if not ok and words[0] == "state" and entry is not None and self.state != self.vow.initial:
            given: Value | tuple[str, ...] = self._read(entry, request)
            assert not isinstance(given, tuple)
            self._set(entry, given, now_ns)
        return ok, words


@refusals.device(
    "refused-line-ends-silence",
    "Whatever is understood ends the host's silence, refused or not.",
    breaks="wire.watchdog",
    depth=2,
    applies=lambda vow: any(entry.system == "silence" for entry in vow.points.values()),
)
class RefusedLineEndsSilence(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        if not ok:
            self.accepted_ns = now_ns
        return ok, words


@refusals.device(
    "refused-line-clears-ticket",
    "Any refused action makes the ticket void.",
    breaks="wire.ticket action.*.ticket",
    depth=3,
    applies=_takes_ticket,
)
class RefusedLineClearsTicket(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok:
            self._ticket = None
        return ok, words


@refusals.device(
    "refused-start-energises",
    "The outputs are switched before the ticket is tested; the refusal does not switch them back.",
    breaks="wire.atomic trip.*.fires",
    depth=3,
    applies=lambda vow: bool(watched_starts(vow)),
)
class RefusedStartEnergises(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "ticket"):
            target = self._target(self.vow.actions[request.name])
            if target is not None:
                self.world.control(self.vow.states[target].outputs, now_ns)
        return ok, words


# ------------------------------------------------------------------------------------ access that is too wide


@refusals.device(
    "count-can-be-put",
    "The count of boots can be put, which service found handy.",
    breaks="point.*.access",
    depth=1,
    applies=lambda vow: any(entry.system == "boots" for entry in vow.points.values()),
)
class CountCanBePut(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.system == "boots":
            given = self._read(entry, request)
            if isinstance(given, int):
                self.store.boots = min(max(given, entry.number.low), entry.number.high)
                return True, entry.words(self.store.boots)
        return super()._put(request, now_ns)


@refusals.tables(
    "set-in-forgotten",
    "The states in which a setting can be put are left out of the table.",
    breaks="point.*.set_in",
    depth=1,
    applies=lambda vow: any(entry.set_in is not None for entry in vow.settings),
)
def set_in_forgotten(vow: Vow) -> Vow:
    for entry in vow.settings:
        vow = with_point(vow, entry.name, set_in=None)
    return vow


@refusals.tables(
    "set-in-while-energised",
    "A setting that is locked while energised can be put then: the first such one was left out of the table.",
    breaks="point.*.set_in",
    depth=3,
    applies=lambda vow: _locked_while_energised(vow) is not None,
)
def set_in_while_energised(vow: Vow) -> Vow:
    name = _locked_while_energised(vow)
    assert name is not None
    return with_point(vow, name, set_in=None)


def _locked_while_energised(vow: Vow) -> str | None:
    energised = {name for name, state in vow.states.items() if state.energised}
    locked = (
        entry.name
        for entry in vow.settings
        if entry.set_in is not None and vow.initial in entry.set_in and not entry.set_in & energised
    )
    return next(locked, None)


@refusals.tables(
    "save-anywhere",
    "The settings can be saved in any state, also while energised.",
    breaks="action.*.refused",
    depth=2,
    applies=lambda vow: _saving(vow) is not None,
)
def save_anywhere(vow: Vow) -> Vow:
    name = _saving(vow)
    assert name is not None
    to = vow.actions[name].to
    return with_action(vow, name, to={state: to.get(state, state) for state in vow.states})


def _saving(vow: Vow) -> str | None:
    saving = (
        action.name
        for action in vow.actions.values()
        if any(effect == "save" for effect, _ in action.does) and len(action.to) < len(vow.states)
    )
    return next(saving, None)


# ---------------------------------------------------------------------------------------------- local control


@refusals.device(
    "busy-ignored",
    "Requests are obeyed while the front panel has control.",
    breaks="wire.reasons point.*.local action.*.effect",
    depth=1,
    rig=True,
    applies=has_panel,
)
class BusyIgnored(Device):
    def _busy(self) -> bool:
        return False


@refusals.tables(
    "stop-refused-when-local",
    "No action is done while the front panel has control, not even the one that must be.",
    breaks="action.*.always",
    depth=1,
    rig=True,
    applies=lambda vow: has_panel(vow) and any(action.always for action in vow.actions.values()),
)
def stop_refused_when_local(vow: Vow) -> Vow:
    for name in vow.actions:
        vow = with_action(vow, name, always=False)
    return vow


@refusals.device(
    "busy-for-asking",
    "While the front panel has control the readings cannot be asked either.",
    breaks="point.*.readable",
    depth=1,
    rig=True,
    applies=has_panel,
)
class BusyForAsking(Device):
    def _ask(self, request: Request, now_ns: int) -> Answer:
        return (False, ("busy", "local")) if self._busy() else super()._ask(request, now_ns)


@refusals.device(
    "stop-takes-control-back",
    "The action that is always done also takes control back from the front panel.",
    breaks="wire.reasons action.*.always",
    depth=2,
    rig=True,
    applies=lambda vow: has_panel(vow) and any(action.always for action in vow.actions.values()),
)
class StopTakesControlBack(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if ok and self.vow.actions[request.name].always:
            self.controller = "remote"
        return ok, words


# ----------------------------------------------------------------------------------------------- second round


@refusals.device(
    "range-before-unit",
    "The limits are tested as soon as the number is read, before the unit.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RangeBeforeUnit(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is None or not entry.settable or entry.scale is None or len(request.arguments) != 2:
            return super()._put(request, now_ns)
        read = self._read(entry, request._replace(arguments=(request.arguments[0], entry.scale.unit)))
        low, high = self.bounds(entry, now_ns)
        if isinstance(read, int) and not self._inside(read, low, high):
            return False, ("range", entry.number.text(low), *entry.words(high))
        return super()._put(request, now_ns)


@refusals.device(
    "ticket-refusal-names-state",
    "A wrong ticket is refused with the state's name, as if the state were the cause.",
    breaks="action.*.ticket wire.ticket",
    depth=2,
    applies=_takes_ticket,
)
class TicketRefusalNamesState(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return ok, words if words[:2] != ("state", "ticket") else ("state", self.state)


@refusals.device(
    "busy-for-numbers-only",
    "While the front panel has control words can still be put; only numbers are locked.",
    breaks="wire.reasons",
    depth=1,
    rig=True,
    applies=lambda vow: has_panel(vow) and any(entry.scale is None for entry in vow.settings),
)
class BusyForNumbersOnly(Device):
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
    "set-in-of-neighbour",
    "A row of the table is a line too long: a setting has the states of the one before it.",
    breaks="point.*.readable point.*.quantum point.*.set_in",
    depth=2,
    applies=lambda vow: _after_locked(vow) is not None,
)
def set_in_of_neighbour(vow: Vow) -> Vow:
    name = _after_locked(vow)
    assert name is not None
    names = [entry.name for entry in vow.settings]
    return with_point(vow, name, set_in=vow.settings[names.index(name) - 1].set_in)


@refusals.device(
    "actions-with-arguments-done",
    "An action does not look at arguments it does not need.",
    breaks="wire.reasons",
    depth=1,
)
class ActionsWithArgumentsDone(Device):
    def _wrong_arguments(self, action: ActionEntry, arguments: tuple[str, ...]) -> tuple[str, ...] | None:
        return None if action.takes_ticket is None else super()._wrong_arguments(action, arguments)


@refusals.device(
    "asking-an-action-is-unknown",
    "An action that is asked is `unknown`; only `put` looks into both tables.",
    breaks="wire.reasons",
    depth=1,
)
class AskingAnActionIsUnknown(Device):
    def _ask(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._ask(request, now_ns)
        return ok, words if ok or request.name not in self.vow.actions else ("unknown",)


@refusals.device(
    "refused-in-operation-stops",
    "Any refusal while energised stops it, to be on the safe side.",
    breaks="wire.atomic",
    depth=4,
    applies=lambda vow: _takes_ticket(vow) and bool(watched_starts(vow)),
)
class RefusedInOperationStops(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if not ok and self.vow.states[self.state].energised:
            self.enter(self.vow.initial, now_ns)
        return ok, words


# ------------------------------------------------------------------------------------------------ third round


@refusals.device(
    "busy-before-range",
    "While the front panel has control a number is refused `busy` before its range is tested.",
    breaks="wire.reasons",
    depth=1,
    rig=True,
    applies=has_panel,
)
class BusyBeforeRange(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return (ok, ("busy", "local")) if words[:1] == ("range",) and self._busy() else (ok, words)


@refusals.device(
    "refused-in-operation-is-ok",
    "An action that is not for the present state is answered `ok` while energised, and not done.",
    breaks="action.*.refused",
    depth=3,
    applies=_takes_ticket,
)
class RefusedInOperationIsOk(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "state" and self.vow.states[self.state].energised:
            return True, ()
        return ok, words


# ----------------------------------------------------------------------------------------------- fourth round


@refusals.device(
    "unknown-action-is-access",
    "An action that does not exist is refused `access`: what is no action must be a point.",
    breaks="wire.reasons",
    depth=1,
)
class UnknownActionIsAccess(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        return ok, words if words != ("unknown",) else ("access",)


@refusals.device(
    "put-without-value-is-access",
    "A put without a value is refused `access`, like a put of a reading.",
    breaks="wire.reasons point.*.access",
    depth=1,
)
class PutWithoutValueIsAccess(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        return ok, words if request.arguments or words[:1] != ("type",) else ("access",)


# ------------------------------------------------------------------------------------------------ fifth round


@refusals.device(
    "fault-before-busy",
    "Whether a trip's cause is gone is looked at before who has control.",
    breaks="wire.reasons",
    depth=1,
    rig=True,
    applies=lambda vow: (
        has_panel(vow)
        and any(effect == "clear_trip" for each in vow.actions.values() for effect, _ in each.does)
    ),
)
class FaultBeforeBusy(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("busy", "local") and self.latched is not None:
            clears = ("clear_trip", "") in self.vow.actions[request.name].does
            if clears and not self._gone(self.vow.trips[self.latched], now_ns):
                return False, ("fault", self.latched)
        return ok, words


@refusals.device(
    "unknown-before-check",
    "While the guard is on the name is looked for before the check that is missing: `unknown` comes first.",
    breaks="wire.reasons wire.guard",
    depth=2,
)
class UnknownBeforeCheck(Device):
    def _do(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._do(request, now_ns)
        known = request.name in self.vow.points or request.name in self.vow.actions
        return (ok, words) if known or words != ("check",) else (False, ("unknown",))


def _has_parts(vow: Vow) -> bool:
    return any(entry.record is not None for entry in vow.points.values())


@refusals.device(
    "part-refusal-names-count",
    "The refusal of a part's index names how many parts there are, not the last one.",
    breaks="wire.bulk wire.reasons point.*.readable",
    depth=1,
    applies=_has_parts,
)
class PartRefusalNamesCount(Device):
    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        return (ok, words) if words[0] != "range" else (ok, ("range", words[1], str(int(words[2]) + 1)))


@refusals.device(
    "index-below-zero-is-type",
    "An index is read without a sign: one below zero is refused `type`.",
    breaks="wire.bulk wire.reasons point.*.readable",
    depth=1,
    applies=_has_parts,
)
class IndexBelowZeroIsType(Device):
    def _part(self, entry: PointEntry, arguments: tuple[str, ...], now_ns: int) -> Answer:
        ok, words = super()._part(entry, arguments, now_ns)
        below = words[0] == "range" and arguments[0].startswith("-")
        return (ok, ("type", "index")) if below else (ok, words)


@refusals.device(
    "put-refusal-names-where-it-can",
    "The refusal of a `put` in the wrong state names the state it would be right in.",
    breaks="point.*.set_in",
    depth=1,
    applies=lambda vow: any(entry.set_in is not None for entry in vow.settings),
)
class PutRefusalNamesWhereItCan(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if ok or words[0] != "state":
            return ok, words
        right = self.vow.points[request.name].set_in or frozenset()
        return ok, ("state", next(state for state in self.vow.states if state in right))


# ------------------------------------------------------------------------------------------------ sixth round


@refusals.device(
    "check-before-syntax",
    "The check is looked at before the line is taken apart: one wrong in both is refused for its check.",
    breaks="wire.reasons wire.syntax",
    depth=1,
)
class CheckBeforeSyntax(Device):
    def _parse(self, line: bytes) -> Request | Malformed:
        parsed = super()._parse(line)
        found = re.fullmatch(rb"(.*) ~([0-9A-F]{4})", line)
        if isinstance(parsed, Request) or found is None or check_of(found[1]) == found[2].decode():
            return parsed
        return Malformed("check")


def _saved_elsewhere(vow: Vow) -> tuple[ActionEntry, ActionEntry] | None:
    """The action that brings back, and the one that saves, if that is done in more states."""
    found = {effect: action for action in vow.actions.values() for effect, _ in action.does}
    recall, save = found.get("recall"), found.get("save")
    return (recall, save) if recall and save and save.to.keys() - recall.to.keys() else None


@refusals.tables(
    "recall-where-saving-is",
    "What is saved can be brought back wherever it can be saved: one row was copied for the other.",
    breaks="action.*.refused",
    depth=2,
    applies=lambda vow: _saved_elsewhere(vow) is not None,
)
def recall_where_saving_is(vow: Vow) -> Vow:
    found = _saved_elsewhere(vow)
    assert found is not None
    recall, save = found
    return with_action(vow, recall.name, to={state: state for state in save.to} | dict(recall.to))


@refusals.device(
    "refused-start-restarts-timer",
    "A start with a wrong ticket is refused, and the time in which it must be started begins again.",
    breaks="wire.atomic state.*.leave.*",
    depth=2,
    applies=lambda vow: any(
        leave.when is None
        for action in watched_starts(vow)
        for state in action.to
        for leave in vow.states[state].leaves
    ),
)
class RefusedStartRestartsTimer(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words == ("state", "ticket"):
            self.entered_ns = now_ns
            self.world.changed(None, now_ns)
        return ok, words


@refusals.device(
    "put-without-value-answers",
    "A `put` without a value is answered with the value there is, as if it had been asked.",
    breaks="wire.reasons wire.unit",
    depth=1,
)
class PutWithoutValueAnswers(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        if entry is not None and entry.settable and not request.arguments:
            return True, self._words(entry, now_ns)
        return super()._put(request, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


@refusals.device(
    "busy-before-ticket",
    "Who has control is looked at before the ticket is compared.",
    breaks="wire.reasons",
    depth=2,
    rig=True,
    applies=lambda vow: has_panel(vow) and _takes_ticket(vow),
)
class BusyBeforeTicket(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "ticket") and self._busy() and not self.vow.actions[request.name].always:
            return False, ("busy", "local")
        return ok, words


@refusals.device(
    "rest-of-line-is-unit",
    "The unit is all that is left of the line: a word too many is refused as a wrong unit.",
    breaks="wire.reasons",
    depth=1,
    applies=lambda vow: any(entry.scale is not None and entry.scale.unit != "1" for entry in vow.settings),
)
class RestOfLineIsUnit(Device):
    def _read(self, entry: PointEntry, request: Request) -> Value | tuple[str, ...]:
        if entry.scale is None or entry.scale.unit == "1" or len(request.arguments) < 3:
            return super()._read(entry, request)
        given = super()._read(entry, request._replace(arguments=request.arguments[:2]))
        return ("unit", entry.scale.unit) if isinstance(given, int) else given


@refusals.device(
    "refused-busy-reaches-converter",
    "A number goes to its converter as soon as it is in range; who has control decides whether it is kept.",
    breaks="wire.atomic law.*",
    depth=4,
    rig=True,
    applies=lambda vow: has_panel(vow) and any(entry.drives == "level.current" for entry in vow.settings),
)
class RefusedBusyReachesConverter(Device):
    def _put(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._put(request, now_ns)
        if words == ("busy", "local"):
            entry = self.vow.points[request.name]
            given = self._read(entry, request)
            if entry.drives is not None and isinstance(given, int):
                self.world.control({entry.drives: given * entry.si}, now_ns)
        return ok, words


@refusals.device(
    "outputs-before-guard",
    "The outputs are switched before the condition that guards an action is looked at, and stay so.",
    breaks="wire.atomic trip.*.fires law.* action.*.guard",
    depth=4,
    applies=lambda vow: any(action.guard is not None for action in watched_starts(vow)),
)
class OutputsBeforeGuard(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if words == ("state", "guard"):
            target = self._target(self.vow.actions[request.name])
            assert target is not None
            self.world.control(self.vow.states[target].outputs, now_ns)
        return ok, words


# ---------------------------------------------------------------------------------------------- eighth round


@refusals.device(
    "guard-before-state",
    "The condition that guards an action is looked at before the state is.",
    breaks="wire.reasons action.*.guard action.*.refused",
    depth=2,
    applies=lambda vow: any(
        action.guard is not None and len(action.to) < len(vow.states) for action in vow.actions.values()
    ),
)
class GuardBeforeState(Device):
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
    "refused-action-zeroes",
    "What an action zeroes is zeroed before its state is looked at: refused, it has done so all the same.",
    breaks="wire.atomic law.* action.*.refused",
    depth=4,
    applies=lambda vow: any(
        _pulses(vow.actions[name])
        and any(state.energised and state.name not in vow.actions[name].to for state in vow.states.values())
        and any(getattr(effect, "zeroes", None) for effect in action.does)
        for name, action in vow.document.actions.items()
    ),
)
class RefusedActionZeroes(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        action = self.vow.actions.get(request.name)
        refused = action is not None and self._target(action) is None
        if action is not None and refused and _pulses(action) and not request.arguments:
            for effect, what in action.does:
                self._effect(effect, what, now_ns)
        return super()._act(request, now_ns)


@refusals.device(
    "state-refusal-names-asked-for",
    "The refusal for the state names the state that was last asked for, not one that came by itself since.",
    breaks="wire.reasons action.*.refused point.*.set_in",
    depth=2,
    applies=lambda vow: any(state.leaves for state in vow.states.values()),
)
class StateRefusalNamesAskedFor(Device):
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


@refusals.device(
    "refused-busy-energises",
    "A start switches the outputs before it looks at who has control; its refusal does not switch them back.",
    breaks="wire.atomic law.* trip.*.fires",
    depth=3,
    rig=True,
    applies=lambda vow: has_panel(vow) and bool(watched_starts(vow)),
)
class RefusedBusyEnergises(Device):
    def _act(self, request: Request, now_ns: int) -> Answer:
        ok, words = super()._act(request, now_ns)
        if not ok and words[0] == "busy":
            target = self.vow.states[self.vow.actions[request.name].to[self.state]]
            if target.energised:
                self.world.control(target.outputs, now_ns)
        return ok, words


@refusals.device(
    "busy-for-saved-only",
    "While the front panel has control settings that are not saved can be put: it has no page for them.",
    breaks="wire.reasons point.panel.control.*",
    depth=1,
    rig=True,
    applies=lambda vow: has_panel(vow) and any(not entry.saved for entry in vow.settings),
)
class BusyForSavedOnly(Device):
    loose = False

    def _do(self, request: Request, now_ns: int) -> Answer:
        entry = self.vow.points.get(request.name)
        self.loose = entry is not None and entry.source == "setting" and not entry.saved
        return super()._do(request, now_ns)

    def _busy(self) -> bool:
        return super()._busy() and not self.loose
