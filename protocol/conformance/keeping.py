"""What a real instrument is found with, and putting it back.

A check reads every setting before it changes one (`Found`), and on the way out, after the safe action, puts
back what differs (`Restorer`): the settings in the store first if something was saved, then those in force,
notices and guard. It reads back what it put, and tells what could not be put back: settings with the lines to
type, counters that were zeroed, and the state if it is another. Settings that only another state lets be put
are put there, if actions lead to it and back that neither energise nor switch an output. Limits depend on
each other, so that it passes over the settings until nothing changes any more.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from wirevow.protocol.conformance.envelope import live_states, saving_actions
from wirevow.protocol.document.model import Pulse
from wirevow.protocol.message import Reply, Request
from wirevow.protocol.vow import ActionEntry, PointEntry, Value, Vow

RESTORE_S = 15.0
"""Longest time that putting back takes. A hundred exchanges of 50 bytes each way take 10 s at 9,600 baud."""
LONGEST_PERIOD_S = 1.0
"""Longest time that is waited for a counter to be sampled."""
MANUAL = "By hand:"

Ask = Callable[[Request], Reply | None]
"""One exchange; None if no answer came in time."""


class Silent(Exception):
    """It does not answer any more, or the time is over."""


@dataclass(slots=True)
class Found:
    """What an instrument was found with, words as it gave them."""

    words: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Settings in force, guard and notices, by point."""
    saved: dict[str, tuple[str, ...]] | None = None
    """Settings in the store; None if nothing shows them."""
    saves: tuple[str, ...] | None = None
    """How often it was saved."""
    state: str = ""
    """The state it was in."""
    counters: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Readings that some action makes begin again at zero: what they held cannot be put back."""


def kept(vow: Vow) -> Iterator[PointEntry]:
    """Everything of the instrument that a check may put: the settings, then guard and notices."""
    yield from vow.settings
    for system in ("notices", "guard"):
        entry = vow.system_point(system)
        if entry is not None and entry.settable:
            yield entry


def zeroed(vow: Vow, name: str) -> Iterator[str]:
    """The readings that an action makes begin again at zero."""
    for effect in vow.document.actions[name].does:
        if isinstance(effect, Pulse):
            yield from effect.zeroes


def counters(vow: Vow) -> list[str]:
    """All such readings, of any action."""
    return list(dict.fromkeys(point for name in vow.actions for point in zeroed(vow, name)))


def quiet_ways(vow: Vow, start: str) -> dict[str, tuple[ActionEntry, ...]]:
    """The actions from a state to each that is reached without energising or switching an output."""
    live = live_states(vow)
    ways: dict[str, tuple[ActionEntry, ...]] = {start: ()}
    left = deque([start])
    while left:
        state = left.popleft()
        for action in vow.actions.values():
            to = action.to.get(state)
            if (
                to is None
                or to in ways
                or to in live
                or action.does
                or action.takes_ticket is not None
                or vow.states[to].outputs != vow.states[start].outputs
            ):
                continue
            ways[to] = (*ways[state], action)
            left.append(to)
    return ways


class Restorer:
    """Puts back what was found, within `RESTORE_S`; whatever cannot be is told by `warnings`.

    `saved`: something may have been saved by the check. `may_save`: it may save in order to put that back.
    """

    def __init__(
        self,
        vow: Vow,
        found: Found,
        ask: Ask,
        tag: Callable[[], str],
        saved: bool,
        may_save: bool = True,
    ) -> None:
        self._vow = vow
        self._may_save = may_save
        self._found = found
        self._ask = ask
        self._tag = tag
        self._saved = saved
        self._end = time.monotonic() + RESTORE_S
        self._now: dict[str, tuple[str, ...]] = {}
        """What was read last."""
        self._stored = not saved
        """Whether the store holds what was found."""

    def run(self) -> list[str]:
        """Do it; what the user has to be told."""
        if not self._found.words:
            return []
        try:
            self._store()
            self._force(self._found.words)
            self._system()
            self._look()
            return self.warnings()
        except Silent as why:
            return self.warnings(f"putting back was broken off: {why}")

    def warnings(self, why: str = "") -> list[str]:
        """What is not as it was found, with what puts it back by hand. `why`: nothing more is done."""
        different = {
            name: words for name, words in self._found.words.items() if why or self._now.get(name) != words
        }
        said = []
        if different and not self._now:
            said.append(f"{why}. {MANUAL} {self._lines(different)}")
        elif values := self._as_found_and_now(different):
            text = f"not as it was found: {values}. {MANUAL} {self._lines(different)}"
            said.append(f"{why}; {text}" if why else text)
        if not self._stored:
            said.append(self._store_warning())
        return [*said, *self._lost()]

    def _lost(self) -> Iterator[str]:
        """What it was found with, and nothing puts back."""
        if values := self._as_found_and_now(self._found.counters):
            yield f"what these counters held is lost: {values}"
        state = self._vow.system_name("state")
        now = " ".join(self._now.get(state or "", ()))
        if now and self._found.state and now != self._found.state:
            yield f"its state was {self._found.state} when it was found, and is {now} now"

    def _as_found_and_now(self, found: Mapping[str, tuple[str, ...]]) -> str:
        """Those that are not as they were found, with what they are; empty if there are none."""
        return ", ".join(
            f"{name} {' '.join(words)} (now {' '.join(self._now.get(name, ('not known',)))})"
            for name, words in found.items()
            if self._now.get(name) != words
        )

    def _store_warning(self) -> str:
        saved = self._found.saved
        if saved is None:
            return (
                "something was saved, and what the store held before is not known: put your settings and save"
            )
        save = next(iter(sorted(saving_actions(self._vow))), "")
        return (
            "the saved settings are not those that were found. "
            f"{MANUAL} {self._lines(saved)}; act {save}; then put the settings in force again"
        )

    def _lines(self, values: Mapping[str, tuple[str, ...]]) -> str:
        """What to type for these."""
        vow = self._vow
        ways = quiet_ways(vow, vow.initial)
        lines: list[str] = []
        by_state: dict[str, list[str]] = {}
        for name, words in values.items():
            if self._now.get(name) == words and values is not self._found.saved:
                continue
            entry = vow.points[name]
            if entry.set_in is None or vow.initial in entry.set_in:
                lines.append(f"put {name} {' '.join(words)}")
            else:
                state = next((each for each in ways if each in entry.set_in), min(entry.set_in))
                by_state.setdefault(state, []).append(f"put {name} {' '.join(words)}")
        for state, puts in by_state.items():
            lines += [f"act {action.name}" for action in ways.get(state, ())] or [f"(in state {state})"]
            lines += puts
            lines += [f"act {action.name}" for action in quiet_ways(vow, state).get(vow.initial, ())]
        return "; ".join(lines)

    # ------------------------------------------------------------------------------------------- exchanges

    def _exchange(self, verb: str, name: str, words: tuple[str, ...] = ()) -> Reply:
        request = Request(self._tag(), verb, name, words, True)
        for _ in range(2):  # the same line with the same tag is not done again
            if time.monotonic() > self._end:
                raise Silent(f"it took longer than {RESTORE_S:g} s")
            reply = self._ask(request)
            if reply is not None:
                return reply
        raise Silent("no answer")

    def _read(self, name: str) -> tuple[str, ...]:
        reply = self._exchange("ask", name)
        self._now[name] = reply.words if reply.ok else ()
        return self._now[name]

    def _state(self) -> str:
        name = self._vow.system_name("state")
        words = self._exchange("ask", name).words if name is not None else ()
        return words[0] if len(words) == 1 and words[0] in self._vow.states else ""

    def _do(self, actions: tuple[ActionEntry, ...]) -> bool:
        return all(self._exchange("act", action.name).ok for action in actions)

    # --------------------------------------------------------------------------------------------- the work

    def _store(self) -> None:
        """The store first: what is saved is what is in force then."""
        saves = self._vow.system_point("saves")
        if saves is not None and self._found.saves is not None:
            self._stored = self._exchange("ask", saves.name).words == self._found.saves
        if self._stored or self._found.saved is None or not self._may_save:
            return
        recall = self._vow.doing("recall")
        recalled = recall is not None and self._exchange("act", recall.name).ok
        # A save less where it holds what it held.
        if recalled and all(self._read(name) == words for name, words in self._found.saved.items()):
            self._stored = True
            return
        if not self._force(self._found.saved):
            return
        state = self._state()
        for name in sorted(saving_actions(self._vow)):
            if state in self._vow.actions[name].to and self._exchange("act", name).ok:
                self._stored = True
                return

    def _force(self, wanted: Mapping[str, tuple[str, ...]]) -> bool:
        """Put settings in force; whether all of them are."""
        for name in wanted:
            self._read(name)
        self._passes(wanted)
        reset = self._vow.document.trial.reset
        if self._left(wanted) and reset is not None and self._exchange("act", reset).ok:
            # Levels and limits that stand in each other's way do not at their defaults.
            for name in wanted:
                self._read(name)
            self._passes(wanted)
        return not self._left(wanted)

    def _left(self, wanted: Mapping[str, tuple[str, ...]]) -> list[str]:
        systems = {entry.name for entry in self._vow.points.values() if entry.system is not None}
        return [
            name for name, words in wanted.items() if self._now.get(name) != words and name not in systems
        ]

    def _passes(self, wanted: Mapping[str, tuple[str, ...]]) -> None:
        while True:
            before = self._left(wanted)
            if not before:
                return
            state = self._state()
            self._put_here(wanted, state)
            if self._clear(state):
                state = self._state()
            for target, way in quiet_ways(self._vow, state).items() if state else ():
                if target != state and any(
                    target in (self._vow.points[name].set_in or ())
                    and state not in (self._vow.points[name].set_in or ())
                    for name in self._left(wanted)
                ):
                    if self._do(way):
                        self._put_here(wanted, target)
                    self._do(quiet_ways(self._vow, target).get(state, ()))
            if self._left(wanted) == before:
                return

    def _put_here(self, wanted: Mapping[str, tuple[str, ...]], state: str) -> None:
        for name in self._left(wanted):
            entry = self._vow.points[name]
            if entry.set_in is None or state in entry.set_in:
                self._exchange("put", name, wanted[name])
                self._read(name)

    def _clear(self, state: str) -> bool:
        """Leave a tripped state, now that the limits are as they were; whether it was one and is left."""
        clears = [each for each in self._vow.actions.values() if ("clear_trip", "") in each.does]
        return any(self._exchange("act", each.name).ok for each in clears if state in each.to)

    def _look(self) -> None:
        """Read what nothing puts back."""
        periods_ns = [self._vow.points[name].period_ns for name in self._found.counters]
        time.sleep(min(LONGEST_PERIOD_S, max(periods_ns, default=0) / 1e9))  # a reading is as old as that
        state = self._vow.system_name("state")
        for name in (*self._found.counters, *(() if state is None else (state,))):
            if words := self._look_at(name):
                self._now[name] = words

    def _system(self) -> None:
        """Notices and guard, in this order: every line here has a check, and a check turns the guard on."""
        if self._clear(self._state()):
            self._state()
        for entry in kept(self._vow):
            if entry.system is not None and entry.name in self._found.words:
                self._exchange("put", entry.name, self._found.words[entry.name])
                self._now[entry.name] = self._look_at(entry.name)

    def _look_at(self, name: str) -> tuple[str, ...]:
        """What a point is, asked once; without a check, which would turn the guard on. Empty if not known."""
        reply = self._ask(Request(self._tag(), "ask", name, (), False))
        return reply.words if reply is not None and reply.ok else ()


def found_counters(vow: Vow, ask: Callable[[str], Reply]) -> dict[str, tuple[str, ...]]:
    """What the counters hold, of those that hold anything."""
    held = {}
    for name in counters(vow):
        reply = ask(f"ask {name}")
        if reply.ok and reply.words != vow.points[name].words(0):
            held[name] = reply.words
    return held


def saved_words(vow: Vow, settings: Mapping[str, Value]) -> dict[str, tuple[str, ...]]:
    """The settings that the store keeps, as the wire has them."""
    return {
        entry.name: entry.words(settings.get(entry.name, entry.default))
        for entry in vow.settings
        if entry.saved
    }
