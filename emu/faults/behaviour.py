"""Faults of states, actions, timed changes, outputs and the front panel."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from wirevow.emu.faults.boots import does
from wirevow.emu.faults.change import with_action, with_state
from wirevow.emu.faults.fault import Kind
from wirevow.emu.faults.overlay import Overlay
from wirevow.emu.faults.refusals import has_panel, watched_starts
from wirevow.emu.faults.sessions import farthest
from wirevow.emu.instrument import Instrument
from wirevow.emu.plant.interface import Plant
from wirevow.emu.rules import Rules
from wirevow.protocol.device import Device
from wirevow.protocol.expression import And
from wirevow.protocol.framing import Overlong
from wirevow.protocol.vow import ActionEntry, LeaveEntry, PointEntry, Value, Vow

behaviour = Kind("behaviour", seen=37)


def _timed(vow: Vow) -> bool:
    return any(leave.when is None for state in vow.states.values() for leave in state.leaves)


def _each_leave(vow: Vow, change: Callable[[LeaveEntry], LeaveEntry | None]) -> Vow:
    for state in vow.states.values():
        changed = (change(leave) for leave in state.leaves)
        vow = with_state(vow, state.name, leaves=tuple(leave for leave in changed if leave is not None))
    return vow


def law_watches(vow: Vow, states: Iterable[str]) -> bool:
    """A law holds in one of these states that is not energised: that nothing is drawn there."""
    off = {state for state in states if not vow.states[state].energised}
    return any(off.intersection(law.armed_in or ()) for law in vow.document.laws.values())


def _idle(vow: Vow, state: str) -> bool:
    """Neither where it boots nor energised: a state between."""
    return state != vow.initial and not vow.states[state].energised


# -------------------------------------------------------------------------------------------- changes unasked


@behaviour.tables("state.*.leave.*", _timed)
def timed_change_never(vow: Vow) -> Vow:
    """A state that is to be left after a time is not left: the timer's interrupt is not enabled."""
    return _each_leave(vow, lambda leave: None if leave.when is None else leave)


@behaviour.device("state.*.leave.*", _timed)
class TimedChangePutOffByLines(Device):
    """Every line that arrives starts the timer of the state afresh."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        self.entered_ns = now_ns


@behaviour.device("state.*.leave.*", _timed)
class TimedChangeOfOtherState(Device):
    """The timer of a state is not stopped when the state is left: it strikes in the next one."""

    late: tuple[int, LeaveEntry] | None = None

    def enter(self, state: str, now_ns: int) -> None:
        timed = (leave for leave in self.vow.states[self.state].leaves if leave.when is None)
        leave = next(timed, None)
        if leave is not None and state != leave.to and state != self.state:
            self.late = (self.entered_ns + leave.after_ns, leave)
        super().enter(state, now_ns)

    def next_timeout_ns(self) -> int | None:
        timeout_ns = super().next_timeout_ns()
        if self.late is None:
            return timeout_ns
        return self.late[0] if timeout_ns is None else min(timeout_ns, self.late[0])

    def expire(self, now_ns: int) -> None:
        late = self.late
        if late is not None and late[0] <= now_ns:
            self.late = None
            self.leave(late[1], late[0])
        else:
            super().expire(now_ns)


@behaviour.device(
    "state.*.leave.* action.*.effect",
    lambda vow: any(
        leave.when is None and any(action.to.get(state.name) == state.name for action in vow.actions.values())
        for state in vow.states.values()
        for leave in state.leaves
    ),
)
class TimedChangeNotRestarted(Device):
    """Asking once more for the state it is in does not start its timer again."""

    def enter(self, state: str, now_ns: int) -> None:
        same, entered_ns = state == self.state, self.entered_ns
        super().enter(state, now_ns)
        if same:
            self.entered_ns = entered_ns


# ---------------------------------------------------------------------------------------------------- actions


def _way_back(vow: Vow) -> ActionEntry | None:
    """An action out of the farthest state to another that is not the initial one."""
    far = farthest(vow)
    if far is None:
        return None
    back = (each for each in vow.actions.values() if each.to.get(far) not in (None, far, vow.initial))
    return next(back, None)


@behaviour.tables("action.*.effect", lambda vow: _way_back(vow) is not None)
def action_misleads_from_depth(vow: Vow) -> Vow:
    """From the farthest state an action leads to the first state instead of the one before."""
    action, far = _way_back(vow), farthest(vow)
    assert action is not None
    assert far is not None
    return with_action(vow, action.name, to={**action.to, far: vow.initial})


@behaviour.device(
    "action.*.effect",
    lambda vow: any(action.always and farthest(vow) in action.to for action in vow.actions.values()),
)
class StopDeafInDepth(Device):
    """In the farthest state the action that is always done is answered and not done."""

    def _target(self, action: ActionEntry) -> str | None:
        target = super()._target(action)
        return self.state if action.always and self.state == farthest(self.vow) else target


def _repeatable(vow: Vow) -> ActionEntry | None:
    """An action that is allowed where it leads, beside elsewhere."""
    found = (each for each in vow.actions.values() if len(each.to) > 1 and not each.always)
    return next((each for each in found if set(each.to.values()) & set(each.to)), None)


@behaviour.tables("action.*.effect action.*.repeat", lambda vow: _repeatable(vow) is not None)
def action_refused_where_it_leads(vow: Vow) -> Vow:
    """An action that may be repeated is refused in the state it leads to."""
    action = _repeatable(vow)
    assert action is not None
    to = {before: after for before, after in action.to.items() if before not in action.to.values()}
    return with_action(vow, action.name, to=to)


@behaviour.device(
    "action.*.guard", lambda vow: any(action.guard is not None for action in vow.actions.values())
)
class ActionGuardIgnored(Device):
    """The condition that guards an action is not looked at."""

    def _holds(self, *guard: object) -> bool:
        return True


@behaviour.device(
    "action.*.effect", lambda vow: any(_pulses_on_the_way(action) for action in vow.actions.values())
)
class PulseLostOnTheWay(Device):
    """What an action does beside changing the state is left out when the state does change."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if target != self.state:
            action = replace(action, does=tuple(each for each in action.does if each[0] != "pulse"))
        return super()._perform(action, target, now_ns)


def _pulses_on_the_way(action: ActionEntry) -> bool:
    moves = any(before != after for before, after in action.to.items())
    return moves and any(effect == "pulse" for effect, _ in action.does)


@behaviour.device(
    "action.*.effect",
    lambda vow: any(
        any(effect == "pulse" for effect, _ in action.does) and not _pulses_on_the_way(action)
        for action in vow.actions.values()
    ),
)
class PulseLostOnTheSpot(Device):
    """An action that changes no state is answered and does nothing."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if target == self.state:
            action = replace(action, does=tuple(each for each in action.does if each[0] != "pulse"))
        return super()._perform(action, target, now_ns)


# ---------------------------------------------------------------------------------------------------- outputs


@behaviour.device(
    "law.off_draws_nothing law.*",
    lambda vow: any(a.always and law_watches(vow, a.to.values()) for a in vow.actions.values()),
)
class StopLeavesOutputsOn(Device):
    """When it is stopped the state changes and the outputs stay as they are."""

    stopping = False

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        self.stopping = action.always and self.vow.states[self.state].energised
        words = super()._perform(action, target, now_ns)
        self.stopping = False
        return words

    def enter(self, state: str, now_ns: int) -> None:
        if self.stopping:
            self.state, self.entered_ns = state, now_ns
            self.world.changed(None, now_ns)
        else:
            super().enter(state, now_ns)


@behaviour.tables("trip.*.fires law.* action.*.effect", lambda vow: bool(watched_starts(vow)))
def armed_energises(vow: Vow) -> Vow:
    """The state in which it waits for the start drives the outputs as if it had been started."""
    action = watched_starts(vow)[0]
    state, target = next(iter(action.to.items()))
    return with_state(vow, state, outputs=vow.states[target].outputs)


class Undriven(Device):
    """Settings reach the outputs sometimes only."""

    def drives(self) -> bool:
        return True

    def _drive(self, names: Sequence[str], now_ns: int) -> None:
        if self.drives():
            super()._drive(names, now_ns)


def _drives_level(vow: Vow) -> bool:
    return any(entry.drives is not None and entry.set_in is None for entry in vow.settings)


@behaviour.device(
    "point.*.quantum law.* limit.*",
    lambda vow: _drives_level(vow) and any(_idle(vow, state) for state in vow.states),
)
class SettingUnheededWhileArmed(Undriven):
    """A setting that is put while it waits for the start is stored, but not given to the regulator."""

    def drives(self) -> bool:
        return not _idle(self.vow, self.state)


@behaviour.device("point.*.quantum law.* limit.*", _drives_level)
class SettingUnheededInOperation(Undriven):
    """A setting that is put while energised is stored, and given to the regulator at the next start only."""

    def drives(self) -> bool:
        return not self.vow.states[self.state].energised

    def enter(self, state: str, now_ns: int) -> None:
        super().enter(state, now_ns)
        if self.drives() and self.settings:
            self._drive([entry.name for entry in self.vow.settings], now_ns)


@behaviour.device("action.*.effect law.* limit.*", lambda vow: _drives_level(vow) and does(vow, "recall"))
class RecallUnheeded(Undriven):
    """Settings that are brought back or set to their defaults are shown, but not given to the regulator."""

    replacing = False

    def drives(self) -> bool:
        return not self.replacing

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        self.replacing = True
        super()._replace(settings, now_ns)
        self.replacing = False


# ------------------------------------------------------------------------------------------------ front panel


def _local(vow: Vow) -> bool:
    return has_panel(vow) and any(entry.local and entry.scale is not None for entry in vow.settings)


@behaviour.device("point.*.local point.*.bounds", _local)
class PanelKnowsNoLimits(Device):
    """A setting that is dialled at the front panel is not held inside its limits."""

    dialling = False

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.dialling = True
        super().panel(name, value, now_ns)
        self.dialling = False

    def bounds(self, entry: PointEntry, now_ns: int) -> tuple[int, int]:
        if self.dialling:
            return entry.number.low, entry.number.high
        return super().bounds(entry, now_ns)


@behaviour.device("point.*.local", _local)
class PanelChangesDisplayOnly(Device):
    """A change at the front panel is shown and noticed, but the setting keeps its value."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        before = dict(self.settings)
        super().panel(name, value, now_ns)
        self.settings = before


@behaviour.device("state.*.reachable wire.boot", lambda vow: any(_idle(vow, state) for state in vow.states))
class StateKeptOverReset(Device):
    """After a reset it takes up the state it was in, as if nothing had happened."""

    def boot(self, cause: str, now_ns: int) -> None:
        state = self.state
        super().boot(cause, now_ns)
        if cause == "reset" and state != self.vow.initial:
            self.enter(state, now_ns)


# ----------------------------------------------------------------------------------------------- second round


def _mode_of(vow: Vow, entry: PointEntry) -> tuple[str, str] | None:
    """The stored choice that has a setting's last word among its own, and that word."""
    word = entry.name.rpartition(".")[2]
    for each in vow.settings:
        if each.scale is None and word in each.choices and entry.scale is not None:
            return each.name, word
    return None


@behaviour.device(
    "wire.atomic point.*.readable point.*.quantum",
    lambda vow: any(_mode_of(vow, entry) is not None for entry in vow.settings),
)
class LevelChoosesItsMode(Device):
    """Putting the level of a mode chooses that mode, as on the panel."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        mode = _mode_of(self.vow, entry)
        if mode is not None:
            super()._set(self.vow.points[mode[0]], mode[1], now_ns)


@behaviour.device(
    "wire.atomic point.*.readable point.*.choices",
    lambda vow: any(_mode_of(vow, entry) is not None for entry in vow.settings),
)
class LevelsLostWithTheMode(Device):
    """Another mode begins with the defaults of all its levels."""

    def _set(self, entry: PointEntry, value: Value, now_ns: int) -> None:
        super()._set(entry, value, now_ns)
        for each in self.vow.settings:
            mode = _mode_of(self.vow, each)
            if mode is not None and mode[0] == entry.name:
                super()._set(each, each.default, now_ns)


def _joined_leave(vow: Vow) -> str | None:
    """The last state that is left by a condition of two parts."""
    found = [
        state.name
        for state in vow.states.values()
        for leave in state.leaves
        if leave.when is not None and isinstance(leave.when.atoms(), And)
    ]
    return found[-1] if found else None


@behaviour.device("state.*.leave.*", lambda vow: _joined_leave(vow) is not None)
class LeaveOncePerBoot(Device):
    """A state is left by its condition once; the flag that it has been is taken back by a boot only."""

    def boot(self, cause: str, now_ns: int) -> None:
        self.left: set[str] = set()
        super().boot(cause, now_ns)

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        if leave.when is None or self.state not in self.left:
            self.left.add(self.state)
            super().leave(leave, now_ns)


@behaviour.device(
    "action.*.effect wire.atomic point.*.readable",
    lambda vow: any(action.always for action in vow.actions.values()),
)
class StopForgetsSettings(Device):
    """The action that is always done sets the defaults as well."""

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        words = super()._perform(action, target, now_ns)
        if action.always:
            self._replace(self._defaults(saved_only=True), now_ns)
        return words


@behaviour.device(
    "point.panel.control.readable point.panel.control.choices wire.reasons promise.quiet", has_panel
)
class PanelGivesBackByItself(Device):
    """The front panel gives control back when nobody has touched it for ten seconds."""

    touched_ns = 0

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.touched_ns = now_ns
        super().panel(name, value, now_ns)

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        if self.controller == "local" and now_ns - self.touched_ns > 10_000_000_000:
            self.controller = "remote"
        super().line(line, now_ns)


# ------------------------------------------------------------------------------------------------ third round


def _own_settings(vow: Vow, state: str) -> list[PointEntry]:
    """Settings that can be put in this state only."""
    return [entry for entry in vow.settings if entry.set_in == frozenset({state})]


@behaviour.device(
    "state.*.leave.* wire.atomic point.*.readable",
    lambda vow: any(
        leave.when is None and _own_settings(vow, state.name)
        for state in vow.states.values()
        for leave in state.leaves
    ),
)
class LeftByTimeLosesSettings(Device):
    """A state that is left because of time takes its own settings with it."""

    def leave(self, leave: LeaveEntry, now_ns: int) -> None:
        lost = _own_settings(self.vow, self.state) if leave.when is None else []
        super().leave(leave, now_ns)
        self._replace({entry.name: entry.default for entry in lost}, now_ns)


@behaviour.device("wire.boot point.panel.control.readable wire.reasons", has_panel)
class PanelKeepsControlOverBoot(Device):
    """Who has control is kept over a reset."""

    def boot(self, cause: str, now_ns: int) -> None:
        controller = self.controller if cause == "reset" else "remote"
        super().boot(cause, now_ns)
        self.controller = controller


# ----------------------------------------------------------------------------------------------- fourth round


@behaviour.device(
    "law.* limit.* state.*.reachable point.*.choices",
    lambda vow: (
        bool(watched_starts(vow))
        and any(
            entry.scale is None and entry.drives is not None and entry.set_in is not None
            for entry in vow.settings
        )
    ),
)
class WordUnheededWhileArmed(Device):
    """A word that is put while it waits for the start is stored, but the circuit is not switched."""

    def _drive(self, names: Sequence[str], now_ns: int) -> None:
        waits = _idle(self.vow, self.state) and len(names) == 1
        if not waits or self.vow.points[names[0]].scale is not None:
            super()._drive(names, now_ns)


# ------------------------------------------------------------------------------------------------ fifth round


def _stop_forgets(vow: Vow) -> tuple[ActionEntry, str] | None:
    """An action that is always done, and the last state at rest that it leaves for another."""
    for action in vow.actions.values():
        if action.always:
            rest = [before for before, after in action.to.items() if _idle(vow, before) and before != after]
            if rest:
                return action, rest[-1]
    return None


@behaviour.tables("action.*.effect action.*.always", lambda vow: _stop_forgets(vow) is not None)
def stop_forgotten_in_one_state(vow: Vow) -> Vow:
    """The action that is always done is refused in one state at rest, which came into the table later."""
    found = _stop_forgets(vow)
    assert found is not None
    action, forgotten = found
    to = {before: after for before, after in action.to.items() if before != forgotten}
    return with_action(vow, action.name, to=to)


def _starts(vow: Vow) -> list[ActionEntry]:
    """The actions that energise with a ticket."""
    return [
        action
        for action in vow.actions.values()
        if action.takes_ticket is not None
        and any(vow.states[after].energised for after in action.to.values())
    ]


def _zeroing(vow: Vow) -> tuple[str, tuple[tuple[str, str], ...]] | None:
    """A start that does nothing beside, and what another start does by pulses."""
    plain = [action.name for action in _starts(vow) if not action.does]
    pulses = [
        action.does
        for action in _starts(vow)
        if action.does and all(kind == "pulse" for kind, _ in action.does)
    ]
    return (plain[0], pulses[0]) if plain and pulses else None


@behaviour.tables("action.*.effect", lambda vow: _zeroing(vow) is not None)
def start_zeroes_counters(vow: Vow) -> Vow:
    """Every start zeroes the counters, not only the one that says so."""
    found = _zeroing(vow)
    assert found is not None
    return with_action(vow, found[0], does=found[1])


def _run(vow: Vow) -> tuple[str, str] | None:
    """Two states that starts lead to and that drive the outputs differently."""
    states = [after for action in _starts(vow) for after in action.to.values()]
    differ = [state for state in states if vow.states[state].outputs != vow.states[states[0]].outputs]
    return (states[0], differ[-1]) if differ else None


@behaviour.tables("state.*.reachable action.*.effect law.*", lambda vow: _run(vow) is not None)
def run_holds_the_mode(vow: Vow) -> Vow:
    """A run drives the outputs as the plain operation does, and so holds the level of the mode."""
    found = _run(vow)
    assert found is not None
    return with_state(vow, found[1], outputs=vow.states[found[0]].outputs)


@behaviour.device(
    "point.*.local law.*",
    lambda vow: has_panel(vow) and any(entry.local and entry.drives for entry in vow.settings),
)
class PanelLevelUnheeded(Undriven):
    """A setting that is dialled at the front panel is kept and noticed, but does not reach the regulator."""

    dialling = False

    def drives(self) -> bool:
        return not self.dialling

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        self.dialling = True
        super().panel(name, value, now_ns)
        self.dialling = False


# ------------------------------------------------------------------------------------------------ sixth round


def _adjustable(vow: Vow) -> bool:
    """Whether a condition that leaves a state depends on a setting that can be put in that state."""
    settings = {entry.name: entry for entry in vow.settings}
    return any(
        leave.when is not None
        and any(
            name in settings
            and (settings[name].set_in is None or state.name in (settings[name].set_in or ()))
            for name in leave.when.names
        )
        for state in vow.states.values()
        for leave in state.leaves
    )


class _AsEntered(Rules):
    def changed(self, names: Sequence[str], now_ns: int) -> None:
        for name in names:
            for rule in self._by_name.get(name, ()):
                if rule.active and not isinstance(rule.act, LeaveEntry):
                    self._arm(rule, now_ns)


@behaviour.instrument("state.*.leave.*", _adjustable)
class ConditionAsEntered(Instrument):
    """The condition on which a state is left is that of the settings there were when it was entered."""

    rules = _AsEntered


@behaviour.device(
    "state.*.reachable point.*.local point.panel.control.*",
    lambda vow: has_panel(vow) and bool(watched_starts(vow)),
)
class PanelControlStops(Device):
    """When the front panel takes control what is under way is stopped, for somebody is standing there."""

    def panel(self, name: str, value: Value, now_ns: int) -> None:
        super().panel(name, value, now_ns)
        if name == "panel.control" and value == "local" and self.vow.states[self.state].energised:
            self.enter(self.vow.initial, now_ns)
            self.notify("state", (self.state,))


@behaviour.plant(
    "law.* state.*.reachable", lambda vow: any(entry.drives == "level.current" for entry in vow.settings)
)
class LevelZeroedByStop(Overlay):
    """Stopping writes zero to the level's converter; a start does not write it again, only a put does."""

    live = False

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        stage = changes.get("stage")
        if stage == "off" and self.live:
            passed["level.current"] = 0.0
        if stage is not None:
            self.live = stage != "off"
        super().control(passed, now_ns)


# ---------------------------------------------------------------------------------------------- seventh round


@behaviour.device(
    "law.* wire.boot state.*.reachable",
    lambda vow: bool(watched_starts(vow)) and law_watches(vow, [vow.initial]),
)
class OutputsKeptOverReset(Device):
    """The reset pin leaves the ports as they are, and the start-up writes their directions only."""

    def boot(self, cause: str, now_ns: int) -> None:
        states = self.vow.states
        if cause == "reset":
            self.vow = with_state(self.vow, self.vow.initial, outputs={}, followers={})
        super().boot(cause, now_ns)
        self.vow = replace(self.vow, states=states)


@behaviour.plant(
    "law.* state.*.reachable action.*.effect",
    lambda vow: {"level.current", "swing.low", "swing.high"} <= {each.drives for each in vow.settings},
)
class LevelOfSwingKept(Overlay):
    """When the stepping ends the level's converter keeps what the last step wrote, until a level is put."""

    def __init__(self, plant: Plant, vow: Vow) -> None:
        super().__init__(plant, vow)
        self.told: dict[str, float | str] = {}

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        passed = dict(changes)
        if self.told.get("stage") == "swing" and changes.get("stage") == "hold":
            upper = self.inner.at("swing.upper", now_ns) > 0
            passed["level.current"] = self.told["swing.high" if upper else "swing.low"]
        self.told |= changes
        super().control(passed, now_ns)


@behaviour.device(
    "action.*.effect", lambda vow: any(_pulses_on_the_way(action) for action in vow.actions.values())
)
class SecondRunCountsOn(Device):
    """What a run begins with is done for the first run after a boot; its flag is not taken back at the
    end."""

    begun = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.begun = False
        super().boot(cause, now_ns)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        if _pulses_on_the_way(action):
            if self.begun:
                action = replace(action, does=tuple(each for each in action.does if each[0] != "pulse"))
            self.begun = True
        return super()._perform(action, target, now_ns)


def _locked(vow: Vow) -> set[str]:
    """The states that settings have for their own."""
    return {
        state
        for entry in vow.settings
        if entry.set_in is not None and vow.initial not in entry.set_in
        for state in entry.set_in
    }


@behaviour.device(
    "point.*.set_in",
    lambda vow: any(action.always and _locked(vow) & action.to.keys() for action in vow.actions.values()),
)
class LockOpenAfterStop(Device):
    """Settings with a state of their own are unlocked as it begins; only the action that ends it locks
    them."""

    unlocked = False

    def boot(self, cause: str, now_ns: int) -> None:
        self.unlocked = False
        super().boot(cause, now_ns)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        locked = _locked(self.vow)
        if action.to.keys() <= locked:
            self.unlocked = False
        words = super()._perform(action, target, now_ns)
        self.unlocked = self.unlocked or target in locked
        return words

    def _settable_now(self, entry: PointEntry) -> bool:
        locked = entry.set_in is not None and self.vow.initial not in entry.set_in
        return super()._settable_now(entry) or (locked and self.unlocked)


# ---------------------------------------------------------------------------------------------- eighth round


@behaviour.plant(
    "state.*.leave.* law.* action.*.effect",
    lambda vow: any(
        leave.when is not None and vow.points[name].signal == "swing.done"
        for state in vow.states.values()
        for leave in state.leaves
        for name in (leave.when.names if leave.when is not None else ())
    ),
)
class DoneCountsOnWhenBegunAgain(Overlay):
    """The count of what is done of an alternation is zeroed by a start, not as it begins: the next goes
    on."""

    before = 0.0
    stage = "off"

    def control(self, changes: Mapping[str, float | str], now_ns: int) -> None:
        stage = str(changes.get("stage", self.stage))
        if self.stage == "swing" and stage != "swing":
            self.before += self.inner.at("swing.done", now_ns)
        if stage == "off":
            self.before = 0.0
        self.stage = stage
        super().control(changes, now_ns)

    def watch(self, key: int, signal: str, above: bool, threshold: float) -> bool:
        return super().watch(key, signal, above, threshold - self.before * (signal == "swing.done"))

    def seen(self, signal: str, value: float, when_ns: int) -> float:
        return value + self.before if signal == "swing.done" and self.stage == "swing" else value


def _zeroes(vow: Vow) -> tuple[tuple[str, str], ...]:
    """What an action does that zeroes counters, if it needs no ticket."""
    for name, action in vow.document.actions.items():
        zeroes = any(getattr(each, "zeroes", None) for each in action.does)
        if zeroes and vow.actions[name].takes_ticket is None:
            return vow.actions[name].does
    return ()


@behaviour.tables(
    "action.*.effect state.*.reachable law.*",
    lambda vow: bool(_zeroes(vow)) and any(action.always for action in vow.actions.values()),
)
def stop_zeroes_counters(vow: Vow) -> Vow:
    """The action that is always done also zeroes the counters, for the next run."""
    for action in vow.actions.values():
        if action.always:
            vow = with_action(vow, action.name, does=(*action.does, *_zeroes(vow)))
    return vow


@behaviour.device("state.*.leave.*", lambda vow: has_panel(vow) and _timed(vow))
class TimedChangeWaitsForPanel(Device):
    """While the front panel has control a state is not left because of time, but when control is back."""

    def next_timeout_ns(self) -> int | None:
        return None if self.controller == "local" else super().next_timeout_ns()

    def expire(self, now_ns: int) -> None:
        for leave in self.vow.states[self.state].leaves:
            if leave.when is None and now_ns >= self.entered_ns + leave.after_ns:
                self.leave(leave, now_ns)
                return


@behaviour.device(
    "action.*.effect fan.* point.*.fresh",
    lambda vow: (
        does(vow, "defaults") and any(entry.drives is not None and not entry.saved for entry in vow.settings)
    ),
)
class DefaultsOfUnsavedUnheeded(Device):
    """Set to their defaults, settings that are not saved are shown so, but what they drive is left as it
    is."""

    def _replace(self, settings: Mapping[str, Value], now_ns: int) -> None:
        loose = {name: value for name, value in settings.items() if not self.vow.points[name].saved}
        super()._replace({name: value for name, value in settings.items() if name not in loose}, now_ns)
        self.settings |= loose
        self.world.changed(list(loose), now_ns)
