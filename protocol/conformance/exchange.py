"""Exchanges judged by the oracle, within what an envelope allows.

It is longer than five hundred lines because its parts need each other: before bytes are sent the envelope may
want the bench turned or a limit put, and that is an exchange.
"""

from __future__ import annotations

import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.account import Account
from wirevow.protocol.conformance.allowance import Allowance, Limits
from wirevow.protocol.conformance.blame import (
    Difference,
    Unexpected,
    blamed,
    blamed_for_notice,
    counted_less,
    for_silence,
)
from wirevow.protocol.conformance.bracket import Evidence, Look, brackets
from wirevow.protocol.conformance.envelope import (
    PATIENCE,
    Envelope,
    Reach,
    energising_actions,
    fitting,
    leading_to,
)
from wirevow.protocol.conformance.foresight import would_trip
from wirevow.protocol.conformance.gate import (
    BEYOND,
    WATCH_NS,
    DryGate,
    EnvelopeGate,
    NeedsIsolation,
    NotSelected,
    exact_request,
)
from wirevow.protocol.conformance.host import BUSY_NS, contended_ns
from wirevow.protocol.conformance.outcome import Broken, Late
from wirevow.protocol.conformance.plain import (
    BUSY_SHARE,
    HOST_SLACK_NS,
    Plain,
    _shown,
)
from wirevow.protocol.conformance.rig import Rig, RigError
from wirevow.protocol.conformance.session import Entry, Session
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.dialect.narrow import Unasked
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Notice, Reply, Request, parse_answer
from wirevow.protocol.oracle import Judgement, Oracle
from wirevow.protocol.vow import PointEntry, Value, Vow

PLAIN = frozenset({"wire.deadline", "wire.order", "promise.quiet"})
"""Besides the answers of points and states: an answer that never came, and one that nobody asked for."""
SHOWN_AS = frozenset(
    {
        ("wire.order", "wire.tag"),
        ("wire.framing", "wire.syntax"),
        ("wire.notice.off", "wire.notice.number"),
    }
)
"""What is tried, and what its breach looks like to whoever does not know what is tried."""
LEAVES_ALONE = ("wire.atomic", "wire.notice.off")
"""What does not happen by these: more would be counted if it did, and not less."""
ABOUT_NOTICES = ("wire.notice.", "wire.watchdog")
"""What is tried with readings and hands: an answer that does not come has nothing to do with them."""
BOOTING = frozenset({"power", "reset"})
"""What a rig does with these boots the instrument."""
MANY = 4
"""A wait of more times the silence that is allowed is long."""
OFTEN = 3
"""Late so many times, and once in so many, is the instrument's own doing."""


class Exchange(Plain):
    """Sends, waits and turns the bench, and holds everything that comes against the oracle."""

    def __init__(
        self,
        vow: Vow,
        session: Session,
        *,
        seed: int,
        energise: bool,
        budget: int | None,
        envelope: Envelope | None,
        allowed: Allowance | None,
        unasked: Unasked | None,
    ) -> None:
        super().__init__(vow, session, Oracle(vow, vague=unasked is not None), seed=seed, budget=budget)
        self._unasked = unasked
        """What firmware with a syntax of its own cannot be asked; None where it speaks the wire itself."""
        self.energise = energise
        self._energising = energising_actions(vow)
        self.gate: EnvelopeGate | None = None
        """What holds the check to an envelope, if there is one."""
        silence = vow.system_name("silence")
        watchdogs = [trip for trip in vow.trips.values() if silence in trip.when.names]
        watched = {state for trip in watchdogs for state in trip.armed_in}
        self._listening = leading_to(vow, watched, by_conditions=False)
        """States in which the host must not be silent for long, or from which time leads to one."""
        self.limits = Limits(vow, allowed)
        """How often it may save, boot and switch."""
        if not energise:
            session.gate = DryGate(vow, self.limits)
        elif envelope is not None:
            session.gate = self.gate = EnvelopeGate(Reach(vow, envelope), self.limits)
        self.account = session.account = Account(vow)
        """What was done to the instrument."""
        self.warnings: list[str] = []
        """What the user has to be told loudly."""
        refusal = self.limits.refusal("boot")
        self.unbooted = f"the rig {refusal}" if refusal and self.abilities & BOOTING else ""
        """Why the rig must not boot it, though it could; empty if there is no such reason."""
        if refusal:
            self.abilities -= BOOTING
        self.kept: dict[str, int] = {}
        """How many right answers bore on each requirement."""
        self.visited: set[tuple[str, str]] = set()
        """Requirement and state pairs that were looked at."""
        self.bench_now: dict[str, Decimal | str] = {}
        self._bases = {event: each.base for event, each in self.declared.items() if each.base is not None}
        self._turned_ns: int | None = None
        """When the bench was last turned, if readings may not have followed yet."""
        self.waited_ns = array("q")
        """How long each answer's first byte took, from when the request was there, by the rate."""
        self.evidence: dict[str, dict[str, Evidence]] = {}
        """How well the numbers of each requirement have been shown so far, by what they are."""
        self.trying: str | None = None
        """The requirement at work: a plain question answered wrongly bears on it then (`_bearing`)."""
        self._asked: Counter[bytes] = Counter()
        self._late: Counter[bytes] = Counter()
        self._aspect: str | None = None
        self._overlong = False
        """Whether the last line was too long."""
        self._doing = ""
        """The action of which the answer is waited for."""
        self._refused = ""
        """Why the last line was refused, if it was."""
        self._store_known = False
        self._looking = False
        self._silent = False
        self._came = 0
        """Bytes of the last answer, and of what came before it."""

    @property
    def state(self) -> str:
        """The state the instrument is in, as far as all that was seen shows."""
        return self.oracle.twin.state

    @property
    def guard(self) -> bool:
        """Whether the guard is on."""
        return self.oracle.twin.guard

    def setting(self, name: str) -> Value:
        """A setting in force."""
        return self.oracle.twin.settings[name]

    def bounds(self, entry: PointEntry) -> tuple[int, int]:
        """Limits in force, in counts."""
        return self.oracle.twin.bounds(entry, self.now_ns)

    def say(self, text: str, *, tag: bool | None = None, check: bool = False) -> Reply:
        """One request and its reply. A tag comes by turns unless asked for, a check when it is needed."""
        words = text.split(" ")
        with_tag = tag if tag is not None else self.lines % 4 != 3
        check = check or (self.guard and words[0] != "ask")
        request = Request(self.new_tag() if with_tag else None, words[0], words[1], tuple(words[2:]), check)
        reply = self.line(request.line())
        assert reply is not None
        return reply

    def ask(self, name: str, *, tag: bool | None = None) -> Reply:
        """Ask a point."""
        return self.say(f"ask {name}", tag=tag)

    def put(self, name: str, value: Value, *, check: bool = False) -> Reply:
        """Put a value, written in full."""
        return self.say(f"put {name} {' '.join(self.vow.points[name].words(value))}", check=check)

    def act(self, name: str, *, number: int = 0, check: bool = False) -> Reply:
        """Do an action, with the ticket that is good if it takes one, or with a number if it takes that."""
        action = self.vow.actions[name]
        ticket = "" if action.takes_ticket is None else f" {self.oracle.twin.ticket or '0000'}"
        return self.say(f"{action.line(number)}{ticket}", check=check)

    def read(self, name: str) -> int:
        """Ask a number and return its counts."""
        reply = self.ask(name)
        parsed = self.vow.points[name].number.parse(reply.words[0])
        assert parsed is not None
        return parsed[0]

    def line(self, line: bytes) -> Reply | None:
        """Send one line and judge what comes; None only for a line that is not answered."""
        return self.raw(line + b"\n")[-1]

    def raw(self, data: bytes, *, pieces: int = 1) -> list[Reply | None]:
        """Send bytes as they are; judge the reply to each line that they complete, in order."""
        self.attend()
        lines = (self.session.begun + data).split(b"\n")[:-1]
        if self._unasked is not None and (why := self._unasked.refusal(lines)):
            raise NotSelected(why)
        self._clear_the_way(data)
        self.session.admit(data)
        self._afford(data.count(b"\n"))
        if not self.session.held:
            return self._on_the_wire(data, pieces)
        now_ns = self.now_ns
        framed = self.oracle.twin.frames(data, now_ns)
        self.session.send(data, pieces)
        if not framed:
            return [None]
        replies = [self._reply(line, now_ns) for line in framed]
        if replies[-1] is not None and data.endswith(b"\n"):
            self.session.answered()
        return replies

    def _on_the_wire(self, data: bytes, pieces: int) -> list[Reply | None]:
        """The same on a clock that runs: each line is there when its LF has left the wire."""
        session = self.session
        session.send(data, pieces)
        left_ns, left = session.left_ns, len(data)
        lines: list[tuple[bytes | Overlong, int, int]] = []
        for piece in re.findall(rb"[^\n]*\n|[^\n]+", data):
            left -= len(piece)
            there_ns = left_ns - session.wire_ns(left)
            lines += [(line, there_ns, left) for line in self.oracle.twin.frames(piece, there_ns)]
        return [self._reply(line, there_ns, left) for line, there_ns, left in lines] or [None]

    def _reply(self, line: bytes | Overlong, there_ns: int, behind: int = 0) -> Reply | None:
        """The reply to a line that is there at `there_ns` at the latest, with so many bytes behind it."""
        self.lines += 1
        self._woke_late_ns = 0
        if not self.session.held:
            self._asked[_kind(line)] += 1
        # The deadline is for the first byte, from when the line is there.
        asked_ns, got = self.session.now_ns(), self.session.received
        contended = 0 if self.session.held else contended_ns()
        waited_ns = max(asked_ns, there_ns)
        slack_ns = 0 if self.session.held else HOST_SLACK_NS
        self._doing = _action_in(line)
        raw = self._answer(waited_ns - asked_ns + self.deadline_ns + slack_ns)
        self._doing = ""
        self._came = self.session.received - got
        self._took(asked_ns)
        self.waited_ns.append(self.session.now_ns() - waited_ns - self.session.wire_ns(self._came))
        if raw is not None:
            there_ns = min(there_ns, self.session.now_ns())
            self.session.arrived(behind)
        state = self.state
        judgement = self._blamed(self.oracle.reply(line, raw, there_ns), line, raw)
        self._overlong = isinstance(line, Overlong)
        reply = parse_answer(raw) if raw is not None else None
        self._refused = reply.words[0] if isinstance(reply, Reply) and not reply.ok and reply.words else ""
        sent = "" if judgement.right else _sent(line)
        if raw is None and not judgement.right:
            # Late, or never? Both are wrong; say which.
            raw = self._answer(4 * self.deadline_ns)
            if raw is not None:
                self.reply_ns.pop()
                self._took(asked_ns)
            came = f"the answer to {sent[:40]!r} {'did not come' if raw is None else 'came too late'}"
            seen = "no answer" if raw is None else f"{_shown(raw)} (later than the deadline)"
            if raw is not None:
                judgement = replace(judgement, requirement="wire.deadline")
            broken = Broken(judgement, sent, seen)
            broken.punctual = True
            stood_ns = 0 if self.session.held else contended_ns() - contended
            if stood_ns > (self.session.now_ns() - waited_ns) * BUSY_SHARE:
                raise Late(
                    f"{came}, and meanwhile programs here waited {stood_ns / 1e6:.0f} ms for a processor",
                    silent=broken,
                )
            # What never comes is not explained by a host that is a little late.
            if (host_ns := self._host_late_ns()) > (self.deadline_ns if raw is None else BUSY_NS):
                raise Late(f"{came}, and the host itself wakes up {host_ns / 1e6:.0f} ms late", silent=broken)
            if delay := self.simulator_delay():
                raise Late(f"{came}, and {delay}", silent=broken)
            if self.lenient and not self.session.held and not self._often_late(line):
                raise Late(f"{came}, although the host was on time; it did not happen again", broken)
            raise broken
        if not judgement.right:
            raise Broken(judgement, sent, _shown(raw) if raw is not None else "no answer")
        self._keep(judgement.requirement, state)
        if self.oracle.twin.rebooted:
            self.oracle.twin.rebooted = False
            self._expect_boot("request")
        if raw is None:
            return None
        parsed = parse_answer(raw)
        assert isinstance(parsed, Reply)
        if not parsed.ok and parsed.words[:1] == ("fault",):
            self.done.add(f"clearing refused, {(*parsed.words, self.oracle.twin.latched)[1]}")
        return parsed

    def _blamed(self, judgement: Judgement, line: bytes | Overlong | None, raw: bytes | None) -> Judgement:
        if judgement.right and self._aspect is None:
            return judgement
        difference = Difference(line, judgement.expected, raw, self._overlong, self._refused)
        named = None if judgement.right else blamed(difference, self.vow)
        if named is not None:
            return replace(judgement, requirement=named)
        if self._aspect is not None and judgement.requirement.startswith("point."):
            element = _element(judgement.requirement)
            return replace(judgement, requirement=f"point.{element}.{self._aspect}")
        return (
            judgement
            if judgement.right
            else replace(judgement, requirement=self._bearing(judgement.requirement, difference))
        )

    def _bearing(self, requirement: str, difference: Difference) -> str:
        """The requirement that a wrong answer bears on.

        Where the question was plain, the answer had been right before: it is what was tried since that broke
        it, such as a refused request that should have changed nothing.
        """
        trying = self.trying
        if trying is None:
            return requirement
        section, _, rest = requirement.partition(".")
        element, _, aspect = rest.rpartition(".")
        if section == "point" and aspect in ("text", "keeps"):
            return requirement  # whatever was tried: that does not change it
        if trying.startswith("point."):
            return trying if section == "point" and trying.startswith(f"point.{element}.") else requirement
        if requirement in PLAIN and trying.startswith(ABOUT_NOTICES):
            return requirement
        if trying in LEAVES_ALONE and (counted := counted_less(difference, self.vow)) is not None:
            return counted
        if requirement == "wire.deadline" and trying.startswith(("action.", "state.")):
            return requirement
        for name in for_silence(self.vow) if trying == "wire.watchdog" else ():
            ends = {each.to for each in self.vow.trips.values()} - {self.vow.trips[name].to}
            if any(self._shows(difference, state) for state in ends):
                return f"trip.{name}.fires"  # the silence was noticed, and led elsewhere
        trip = self.vow.trips.get(_element(trying)) if trying.startswith("trip.") else None
        if trip is not None and self.oracle.twin.notices and self._shows(difference, trip.to):
            # It has tripped, and no notice came before the answer that shows it: does one come behind it?
            line = self._awaited(self.deadline_ns)
            late = isinstance(line, bytes) and isinstance(parse_answer(line), Notice)
            return "wire.notice.whole" if late else f"trip.{trip.name}.notice"
        if requirement == "promise.quiet" and difference.reply is None:
            return requirement
        plain = requirement in PLAIN or (aspect in ("readable", "reachable") and not difference.reason)
        return trying if plain or (trying, requirement) in SHOWN_AS else requirement

    def _shows(self, difference: Difference, state: str) -> bool:
        """Whether it was asked for its state, and answers this one where another was due."""
        reply, name = difference.reply, self.vow.system_name("state")
        asked = isinstance(difference.line, bytes) and f" {name}".encode() in difference.line
        return asked and reply is not None and reply.ok and reply.words == (state,)

    def _answer(self, timeout_ns: int) -> bytes | None:
        """The next line that is no notice; notices on the way are judged. With 0 only of what has come."""
        while timeout_ns or self.session.waiting:
            line = self._awaited(timeout_ns)
            if line is None:
                return None
            if isinstance(line, Overlong):
                raise Broken(
                    Judgement(False, "wire.framing", "a line within the limit"), "", "a line without end"
                )
            parsed = parse_answer(line)
            if not isinstance(parsed, Notice):
                if isinstance(parsed, Malformed) and b"note " in line[1:]:
                    raise Broken(Judgement(False, "wire.notice.whole", "whole lines"), "", _shown(line))
                return line
            self._noticed(parsed, line)
        return None

    def _often_late(self, line: bytes | Overlong) -> bool:
        """Whether the answer to this kind of request has been late often by now, this time included."""
        self._late[_kind(line)] += 1
        late = self._late[_kind(line)]
        return late >= OFTEN and late * OFTEN >= self._asked[_kind(line)]

    def _noticed(self, notice: Notice, line: bytes) -> None:
        state = self.state
        tripped, silence_ns = self.oracle.twin.last_trip[0], self.longest_silence_ns()
        silent = silence_ns is not None and self.now_ns - self.oracle.twin.accepted_ns >= silence_ns
        judgement = self.oracle.notice(notice, self.now_ns)
        if not judgement.right and judgement.requirement != "wire.notice.off":
            last = tripped if tripped in self.vow.trips else ""
            named = blamed_for_notice(Unexpected(notice, state, last, silent, self._doing), self.vow)
            judgement = replace(judgement, requirement=named or judgement.requirement)
        if (self.trying, judgement.requirement) in SHOWN_AS:
            judgement = replace(judgement, requirement=self.trying or judgement.requirement)
        if not judgement.right:
            raise Broken(judgement, "", _shown(line))
        self._keep(judgement.requirement, state)
        trip = self.vow.trips.get(notice.words[0]) if notice.event == "trip" else None
        if trip is not None:
            entry = self.vow.points[trip.reports]
            parsed = entry.scale.parse(notice.words[1]) if entry.scale is not None else None
            if parsed is not None:
                value = parsed[0] * entry.number.step
                self.looked(f"trip.{trip.name}.threshold", trip.when, entry.name, value, acted=True)

    def looked(
        self, requirement: str, condition: Expression, point: str, value: Fraction, *, acted: bool
    ) -> None:
        """A reading that a condition looks at, and whether it acted then: it bounds each number of it."""
        try:
            found = condition.as_threshold(self.vow.measured)
        except ExpressionError:
            return
        if len(found) != 1 or found[0].point != point:
            return
        settings = [self.vow.points[name] for name in found[0].expression.names]
        exact = {each.name: each.exact(self.setting(each.name)) for each in settings if each.settable}
        look = Look(value, {name: each for name, each in exact.items() if isinstance(each, Fraction)}, acted)
        entry = self.vow.points[point]
        accuracy = entry.accuracy(found[0].expression.number(look.settings))
        for each in brackets(found[0], accuracy, [look], entry.number.unit):
            self.shown(requirement, each)

    def shown(self, requirement: str, evidence: Evidence) -> None:
        """How well a number of a requirement is shown now; Broken if it is surely another."""
        known = self.evidence.setdefault(requirement, {})
        before = known.get(evidence.what)
        joined = evidence if before is None else before.joined(evidence)  # type: ignore[arg-type]
        known[evidence.what] = joined
        if joined.refuted:
            raise Broken(Judgement(False, requirement, f"{joined.what} as promised"), "", joined.words)

    def attend(self) -> None:
        """Judge what has come unasked, and what should have come by now."""
        while self.session.waiting:
            line = self._answer(0)
            if line is not None:
                requirement = "promise.quiet" if "quiet" in self.vow.document.promises else "wire.order"
                unasked = self._blamed(Judgement(False, requirement, "nothing unasked"), None, line)
                raise Broken(unasked, "", _shown(line))
        # What came last may have kept a notice waiting for the transmitter; then it takes its own time.
        overdue = self.oracle.overdue(self.now_ns - self.session.wire_ns(self._came + self._line_length))
        if overdue is not None:
            raise Broken(overdue, "", "no such notice")

    def quiet(self) -> None:
        """Make sure that nothing more comes for what was sent."""
        if self.session.held:
            self.session.settle()
        else:
            way_ns = self.session.left_ns - self.now_ns + self.session.wire_ns(self._line_length)
            self.session.wait(way_ns + HOST_SLACK_NS, until=lambda: self.session.waiting)
        self.attend()

    def wait(self, ns: int) -> None:
        """Let time pass and judge what comes; what is live is watched meanwhile."""
        end_ns = self.now_ns + ns
        gate = self.gate
        while gate is not None and gate.live and not self._silent and not self.session.begun:
            patience_ns = self.longest_silence_ns() or 2 * WATCH_NS
            # Half of it is for hosts that are late: the instrument stops itself when it hears nothing.
            left_ns = self.oracle.twin.accepted_ns + patience_ns // 2 - self.now_ns
            if end_ns - self.now_ns <= min(WATCH_NS, left_ns):
                break
            self._let_pass(max(0, min(WATCH_NS, left_ns)))
            self._look()
            if self.now_ns - self.oracle.twin.accepted_ns >= patience_ns // 2:
                self.ask(gate.reach.state_point, tag=True)
        self._let_pass(max(0, end_ns - self.now_ns))

    def _let_pass(self, ns: int) -> None:
        self._judged_all()
        if not self.session.held:
            self._contended[1:] = [(self.now_ns, contended_ns())]
        self.session.wait(ns)
        self.attend()
        if self.session.held:
            self._judged_all()

    def _judged_all(self) -> None:
        """All that has come is judged. What cannot be told yet may have happened long before it is."""
        if not self.oracle.twin.blocked:
            self.oracle.looked_ns = self.now_ns

    @contextmanager
    def silence(self) -> Iterator[None]:
        """Only what a purpose asks is asked meanwhile: what is tried is the instrument's own watchdog."""
        self._silent = True
        try:
            yield
        finally:
            self._silent = False

    @contextmanager
    def blaming(self, aspect: str) -> Iterator[None]:
        """A wrong value of a point bears on this aspect of it, while the block runs."""
        self._aspect = aspect
        try:
            yield
        finally:
            self._aspect = None

    def guard_off(self) -> None:
        """Turn the guard off, if a checked request has turned it on."""
        if self.guard:
            self.say("put link.guard off", check=True)

    def guard_turned(self) -> None:
        """Turn the guard on or off, whichever it is not."""
        self.say(f"put link.guard {'off' if self.guard else 'on'}", check=True)

    def keep(self, requirement: str) -> None:
        """Something that bore on this requirement went right."""
        self._keep(requirement, self.state)

    def alive(self, ns: int) -> None:
        """Let time pass without letting the host seem silent."""
        self.ask_for_patience(ns)
        end_ns = self.now_ns + ns
        while (left_ns := end_ns - self.now_ns) > 0:
            patience_ns = self._silent_ns()
            self.wait(left_ns if patience_ns is None else min(left_ns, patience_ns))
            if patience_ns is not None and left_ns > patience_ns:
                self.ask(self._pulse)

    def tells(self, name: str) -> bool:
        """Whether the instrument can be asked this point."""
        return self._unasked is None or name not in self._unasked.points

    @property
    def _pulse(self) -> str:
        """What is asked only to be heard of."""
        return "self.uptime" if self.tells("self.uptime") else "self.state"

    def alive_in_parts(self, ns: int) -> None:
        """As `alive`, and all the while a line has begun, of which the end comes last."""
        if not self.session.held or self.gate is not None:
            self.alive(ns)
            return
        wire = self.vow.document.wire
        most_ns = (wire.idle_checked if self.guard else wire.idle_typing) * 9 // 10
        end_ns = self.now_ns + ns
        while (left_ns := end_ns - self.now_ns) > 0:
            part_ns, patience_ns = min(left_ns, most_ns), self._silent_ns()
            if patience_ns is not None:
                part_ns = min(part_ns, patience_ns - (self.now_ns - self.oracle.twin.accepted_ns))
            if part_ns > 0:
                self.raw(b"ask self.")
                self.wait(part_ns)
                self.raw(self._pulse.removeprefix("self.").encode() + b"\n")
            else:
                self.ask(self._pulse)

    def _silent_ns(self) -> int | None:
        """How long to stay silent at most while the host is as punctual as it can be."""
        patience_ns = self.patience_ns()
        if patience_ns is not None and self.session.held:
            patience_ns = patience_ns * 9 // 5  # half of it is for hosts that are late
        return patience_ns

    def quiet_until(self, when_ns: int) -> None:
        """Let time pass up to a moment, in silence."""
        if when_ns > self.now_ns:
            self.wait(when_ns - self.now_ns)

    def settable_here(self, entry: PointEntry) -> bool:
        """Whether it can be put in the present state."""
        return entry.set_in is None or self.state in entry.set_in

    def _keep(self, requirement: str, state: str) -> None:
        self.kept[requirement] = self.kept.get(requirement, 0) + 1
        self.visited.add((requirement, state))

    def allows(self, entry: PointEntry, value: Value) -> bool:
        """Whether the setting may be put to this value: by the envelope, if there is one, and the source."""
        return self.gate is None or (
            self.gate.allows(entry.name, value) and not self._foreseen(self.gate, entry, value)
        )

    def room(self, entry: PointEntry) -> tuple[int, int]:
        """The limits in force of a number, in counts, as far as the envelope goes, if there is one.

        Raises NotSelected if that leaves nothing.
        """
        low, high = self.bounds(entry)
        if self.gate is None:
            return low, high
        allowed = self.gate.allowed(entry.name)
        if allowed is not None:
            low, high = fitting(entry, low, allowed), fitting(entry, high, allowed)
        if low <= high and not self.allows(entry, low) and self.allows(entry, high):
            low = bisect(low, high, lambda counts: self.allows(entry, counts))
        elif low <= high and not self.allows(entry, high):
            high = bisect(high, low, lambda counts: self.allows(entry, counts))
        low, high = max(low, self.bounds(entry)[0]), min(high, self.bounds(entry)[1])
        if low > high or not self.allows(entry, low):
            raise NotSelected(f"{entry.name} is left no value that is not {BEYOND}")
        return low, high

    def _foreseen(self, gate: EnvelopeGate, entry: PointEntry, value: Value) -> str:
        """The trip that the source would cause with this setting; empty if none."""
        settings = {**self.oracle.twin.settings, entry.name: value}
        return would_trip(self.vow, settings, gate.outer, {entry.name})

    def _clear_the_way(self, data: bytes) -> None:
        """Do what the envelope wants done before these bytes."""
        gate = self.gate
        if gate is None or self._looking:
            return
        self._look()
        for line in data.split(b"\n"):
            self._foresee(gate, exact_request(self.vow, line.removesuffix(b"\r")))
        if gate.energises(data) and gate.unproven(self.now_ns):
            self.fit(gate)
            for name in gate.unproven(self.now_ns):
                self.ask(name, tag=True)
        try:
            self.session.admit(data)
        except NeedsIsolation:
            self._isolate(gate)

    def _look(self) -> None:
        """Watch what is live: ask all that the envelope bounds, if it is time to."""
        gate = self.gate
        if gate is None or self._silent or self.session.begun or not gate.look_due(self.now_ns):
            return
        self._looking = True
        try:
            for name in gate.looking(self.now_ns):
                self.ask(name, tag=True)
            spent = gate.spent(self.now_ns)
            if gate.live and spent:
                self.safe()
                raise NotSelected(spent)
        finally:
            self._looking = False

    def _foresee(self, gate: EnvelopeGate, request: Request | None) -> None:
        """Raises NotSelected if what is asked for would trip, with the source that is in front of it."""
        if request is None or request.verb == "ask" or gate.isolated:
            return
        trip = ""
        if request.verb == "put":
            entry = self.vow.points[request.name]
            parsed = entry.number.parse(request.arguments[0]) if entry.scale is not None else None
            if parsed is not None:
                trip = self._foreseen(gate, entry, parsed[0])
        elif self.vow.actions[request.name].to.get(self.state, self.state) not in (
            self.state,
            self.vow.initial,
        ):
            settings = self.oracle.twin.settings
            trip = would_trip(self.vow, settings, gate.outer, settings.keys())
        if trip:
            raise NotSelected(f"{request.name}: with the source that is connected, {trip} would trip")

    def fit(self, gate: EnvelopeGate) -> None:
        """Put every setting that is outside the envelope inside, as far as the instrument allows."""
        left = {**gate.reach.held, PATIENCE: gate.reach.silence}
        while left:
            before = len(left)
            for name, allowed in list(left.items()):
                entry = self.vow.points[name]
                present = self.setting(name)
                assert isinstance(present, int)
                wanted = fitting(entry, present, allowed)
                low, high = self.bounds(entry)
                if wanted == present or not self.settable_here(entry):
                    del left[name]
                elif low <= wanted <= high:
                    # Limits depend on each other: what cannot be put yet may be possible after another.
                    self.put(name, wanted)
                    del left[name]
            if len(left) == before:
                return

    def _isolate(self, gate: EnvelopeGate) -> None:
        """Have the rig keep power from flowing. Raises NotSelected if it cannot."""
        events = gate.isolation(self.events)
        self.rest()
        for event, value in events.items():
            self.bench(event, value)
        self._let_pass(self.vow.document.trial.settle)

    def rest(self) -> None:
        """Make sure that it handles no power, if it may, and that no line is begun."""
        if self.gate is not None and self.session.begun:
            self.raw(b"\n")
        if self.gate is not None and self.gate.live:
            self.safe()

    def need(self, ability: str) -> Rig:
        """The rig, if it can do this."""
        if self.rig is None or ability not in self.abilities:
            refusal = self.unbooted if ability in BOOTING else ""
            raise NotSelected(refusal or f"needs a rig that can {ability}")
        return self.rig

    def may_turn(self, event: str, value: Decimal | str) -> bool:
        """Whether the rig can turn the bench so, and may."""
        if "bench" not in self.abilities or event not in self.events:
            return False
        return self.gate is None or not self.gate.bench_refusal(event, value)

    def bench(self, event: str, value: Decimal | str | None = None) -> None:
        """Turn the bench."""
        self.session.look()
        rig = self.need("bench")
        if event not in self.events:
            raise NotSelected(f"needs a rig that can make {event} happen")
        given = str(value) if value is not None else None
        self.session.agree()
        if self.gate is not None:
            if self.gate.connects(event, value):
                self.rest()
            self.gate.bench(event, value, self.now_ns)
        self.session.arrive()
        self.session.journal.append(Entry(self.now_ns, "bench", name=event, value=given))
        try:
            rig.bench(event, given)
        except RigError as error:
            raise NotSelected(str(error)) from error
        if value is not None:
            self.bench_now[event] = value
        self._turned_ns = self.now_ns

    def _expect_boot(self, cause: str, hasty: bool = False) -> bool:
        settle_ns = self.vow.document.wire.opening.settle
        if self.gate is not None:
            self.gate.booted()
        self.oracle.boot(cause, self.now_ns)
        self.oracle.expect_boot = cause
        if settle_ns or not self.session.held:
            way_ns = self.session.wire_ns(self._line_length)
            self.session.wait(settle_ns + (0 if self.session.held else HOST_SLACK_NS) + way_ns)
        else:
            self.session.settle()
        lost = not (hasty and self._heard_all_the_same())
        self.attend()
        if not self._boot_told() and self.session.held:
            # To boot takes some time too where opening the port does not do it.
            self.session.wait(self.vow.document.wire.reply_deadline)
            self.attend()
        if not self._boot_told():
            self.oracle.expect_boot = None
            raise Broken(Judgement(False, "wire.boot", f"note 1 boot {cause}"), "", "no such notice")
        if not self._store_known:
            self._adopt_saved()
        return lost

    def _boot_told(self) -> bool:
        """Whether the notice of a boot has come, where one has to."""
        return "notices" not in self.vow.parts or self.oracle.expect_boot is None

    def _heard_all_the_same(self) -> bool:
        """Whether what came while it boots was answered; then a line that has begun there is ended."""
        heard = self._answered_all()
        if heard:
            self.session.send(b"\n")
            self.session.settle()
            self._answered_all()
        return heard

    def _answered_all(self) -> bool:
        """Take what has come for the lines that wait; whether anything has."""
        heard = False
        while self.session.waiting:
            heard = self._answer(0) is not None or heard
        return heard

    def _adopt_saved(self) -> None:
        twin = self.oracle.twin
        for entry in self.vow.settings:
            if entry.saved:
                self._adopt(entry)
                twin.store.settings[entry.name] = twin.settings[entry.name]
        self._store_known = True

    def _adopt(self, entry: PointEntry) -> None:
        reply = self._plainly(f"ask {entry.name}")
        words = reply.words
        if entry.scale is not None:
            parsed = entry.number.parse(words[0]) if reply.ok and words else None
            if parsed is None:
                raise Broken(
                    Judgement(False, f"point.{entry.name}.readable", "ok and a number"),
                    f"ask {entry.name}",
                    _reply_text(reply),
                )
            self.oracle.twin.settings[entry.name] = parsed[0]
        elif reply.ok and words and words[0] in entry.choices:
            self.oracle.twin.settings[entry.name] = words[0]

    def safe(self) -> None:
        """The safe action, if the document has one."""
        if self.vow.document.trial.safe is not None:
            self.act(self.vow.document.trial.safe)
            if self.gate is not None and self.gate.live:
                self.ask(self.gate.reach.state_point, tag=True)

    def ask_for_patience(self, ns: int) -> None:
        """Before a long wait, let the host be silent for as long as the instrument allows."""
        patience_ns = self.patience_ns()
        if patience_ns is None or ns <= MANY * patience_ns or self.gate is not None:
            return
        entry = self.vow.points["link.patience"]
        most = self.bounds(entry)[1]
        if (
            self.setting(entry.name) != most
            and self.settable_here(entry)
            and self.oracle.twin.controller != "local"
        ):
            self.put(entry.name, most)

    def patience_ns(self) -> int | None:
        """How long to stay silent at most, so that no link watchdog acts unless it is meant to."""
        longest_ns = self.longest_silence_ns()
        return None if longest_ns is None or self.state not in self._listening else longest_ns // 2

    def longest_silence_ns(self) -> int | None:
        """How long the host may be silent before a link watchdog acts, by what is set."""
        entry = self.vow.points.get("link.patience")
        value = None if entry is None else self.setting(entry.name)
        if entry is None or not isinstance(value, int):
            return None
        return int(value * entry.number.grain * NS_PER_S // 10**entry.number.digits)


def bisect(bad: int, good: int, holds: Callable[[int], bool]) -> int:
    """The counts next to `bad` that hold, if all from there to `good` do."""
    while abs(good - bad) > 1:
        middle = (bad + good) // 2
        bad, good = (bad, middle) if holds(middle) else (middle, good)
    return good


def _element(requirement: str) -> str:
    """The element that a requirement is about: what stands between its section and its aspect."""
    return requirement.partition(".")[2].rpartition(".")[0]


def _kind(line: bytes | Overlong) -> bytes:
    """Verb and name of a request; empty for a line that has none."""
    words = [word for word in line.split(b" ") if word[:1] != b"@"] if isinstance(line, bytes) else []
    return b" ".join(words[:2])


def _action_in(line: bytes | Overlong) -> str:
    """The action that a request asks for; empty if it asks for none."""
    if isinstance(line, Overlong) or b"act " not in line:
        return ""
    kind = _kind(line)
    return kind[4:].decode("latin-1") if kind[:4] == b"act " else ""


def _sent(line: bytes | Overlong) -> str:
    return line.decode("latin-1") if isinstance(line, bytes) else f"(more than {line.limit} bytes)"


def _reply_text(reply: Reply) -> str:
    return reply.line().decode("ascii")
