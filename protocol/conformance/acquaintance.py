"""What an instrument is found with, and what is known of it before anything is judged."""

from __future__ import annotations

from wirevow.protocol.conformance.allowance import NOT_READ
from wirevow.protocol.conformance.exchange import (
    _reply_text,
)
from wirevow.protocol.conformance.gate import (
    NotSelected,
)
from wirevow.protocol.conformance.keeping import Found, found_counters, kept, saved_words
from wirevow.protocol.conformance.navigation import (
    Navigation,
)
from wirevow.protocol.conformance.outcome import Broken, NoInstrument
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.message import Reply
from wirevow.protocol.oracle import Judgement, Oracle


class Acquaintance(Navigation):
    """Gets to know an instrument."""

    found: Found | None = None
    """What a real instrument is found with, to be put back; None where nothing need be."""
    acquainted_ns = 0
    """When all that is known of the instrument's time began."""

    def acquaint(self) -> None:
        """Begin anew with an instrument of which nothing is known but who it is."""
        self.oracle = Oracle(self.vow, self._slack_ns, vague=self._unasked is not None)
        if self.found is not None and not self.found.words:
            self.synchronise()
            self.find(self.found)
        if self.gate is not None:
            self.rest_plainly(self.gate)
        for event, base in self._off_base():
            # What comes of it is not judged: the oracle knows nothing yet.
            try:
                self.bench(event, base)
            except NotSelected as why:
                message = f"{event} cannot be brought to {base}, where a check begins: {why}"
                raise NoInstrument(message) from why
        self.synchronise()
        twin = self.oracle.twin
        twin.booted_ns = twin.accepted_ns = self.acquainted_ns = self.now_ns
        # Whether the guard is on is not known: a checked line is right either way, and turns it off.
        self._plainly("put link.guard off", check=True)
        self._time_the_wire()
        if "link.notices" in self.vow.points:
            self._plainly("put link.notices on")
        if self.vow.document.trial.safe is not None:
            self._plainly(f"act {self.vow.document.trial.safe}")
        state = self._plainly("ask self.state")
        if not state.ok or len(state.words) != 1 or state.words[0] not in self.vow.states:
            raise Broken(
                Judgement(False, "point.self.state.readable", "ok and a state"),
                "ask self.state",
                _reply_text(state),
            )
        twin.state = state.words[0]
        twin.entered_ns = self.now_ns
        # Who knows since when? Its time may be over at once.
        twin.early_ns = max((each.after_ns for each in self.vow.states[twin.state].leaves), default=0)
        twin.latched = None
        self._clear_trips()
        self._learn_store()
        if self.found is not None and self.found.saved is None and self._store_known:
            self.found.saved = saved_words(self.vow, twin.store.settings)
        if self.found is not None and self.found.saved is None:
            self.limits.bar("store", NOT_READ)
        reset = self.vow.document.trial.reset
        if reset is None or self.state != self.vow.initial or not self._plainly(f"act {reset}").ok:
            for entry in self.vow.settings:
                self._adopt(entry)
        uptime = self._plainly("ask self.uptime")
        parsed = self.vow.points["self.uptime"].number.parse(uptime.words[0]) if uptime.ok else None
        if parsed is not None:
            scale = self.vow.points["self.uptime"].number
            # It has run at least this long; up to a step more is taken up by the slack below.
            twin.booted_ns = self.now_ns - int(parsed[0] * scale.step * NS_PER_S)
            twin.uptime_slack_ns = int(scale.step * NS_PER_S)
        twin.forget_request()
        for name in ("self.boots", "self.boot_cause"):
            if self.tells(name):
                self.ask(name)
        if self.gate is not None:
            from wirevow.protocol.conformance.deadman import prove  # it is worked with a tester

            prove(self)

    def find(self, found: Found) -> None:
        """Read what is going to be changed, before anything is. NoInstrument if that could not be undone."""
        state = self._plainly(f"ask {self.vow.system_name('state')}").words
        if state != (self.vow.initial,):
            raise NoInstrument(
                f"{self.session.port.port}: the instrument is in state {' '.join(state) or '(none)'}; what "
                "it does there could not be put back, so nothing was changed. "
                f"Bring it to {self.vow.initial}{self._by_hand(state)}, then begin again"
            )
        words: dict[str, tuple[str, ...]] = {}
        for entry in kept(self.vow):
            reply = self._plainly(f"ask {entry.name}")
            if reply.ok:
                words[entry.name] = reply.words
        saves = self.vow.system_point("saves")
        if saves is not None:
            found.saves = self._plainly(f"ask {saves.name}").words
        found.counters = found_counters(self.vow, self._plainly)
        found.state = self.vow.initial
        found.words = words

    def _by_hand(self, state: tuple[str, ...]) -> str:
        """The action that brings it from a state to the initial one, in words; empty if there is none."""
        for action in self.vow.actions.values():
            if action.to.get(" ".join(state)) == self.vow.initial and ("reboot", "") not in action.does:
                return f" (`act {action.name}`)"
        return ""

    def _learn_store(self) -> None:
        """What is saved already, if an action shows it; else the first boot will."""
        self._store_known = False
        saves = self.vow.system_point("saves")
        if saves is not None and self._plainly(f"ask {saves.name}").words == saves.words(0):
            self._store_known = True
            return
        recall = self.vow.doing("recall")
        if recall is not None and self.state in recall.to and self._plainly(recall.line()).ok:
            self._adopt_saved()

    def _clear_trips(self) -> None:
        """Leave a state that only clearing a trip leaves."""
        for action in self.vow.actions.values():
            if ("clear_trip", "") in action.does and self.state in action.to:
                for attempt in range(40):
                    reply = self._plainly(action.line())
                    moved = action.to[self.state] if reply.ok else _state_in(reply)
                    if moved in self.vow.states and moved != self.state:
                        self.oracle.twin.state = moved
                        self.oracle.twin.entered_ns = self.now_ns
                        return
                    if reply.ok:
                        return  # it is where a trip leads as well, and stays there
                    for entry in self._holding() if not attempt else ():
                        self._plainly(f"put {entry.name} {' '.join(entry.words(self._within(entry)))}")
                    self._pass_time(30 * NS_PER_S)
                raise NoInstrument(
                    f"the instrument is in state {self.state} and the cause does not go away: {reply.words}"
                )


def _state_in(reply: Reply) -> str:
    """The state that a refusal for the state's sake names; empty if it is none."""
    return reply.words[1] if reply.words[:1] == ("state",) and len(reply.words) > 1 else ""
