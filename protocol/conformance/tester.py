"""Exchanges judged by the oracle, and the way from here to every state.

A `Tester` sends, waits and turns the bench, and holds everything that comes against the oracle. The first
answer that the document does not allow raises `Broken`; what its hands cannot do raises `NotSelected`.
"""

from __future__ import annotations

import random
import re
from array import array
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from functools import partial

from wirevow.protocol.conformance.account import Account
from wirevow.protocol.conformance.allowance import NOT_READ, Allowance, Limits
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
    exact_request,
)
from wirevow.protocol.conformance.gate import DRY as DRY
from wirevow.protocol.conformance.gate import NotSelected as NotSelected
from wirevow.protocol.conformance.host import BUSY_NS, contended_ns, lateness_ns
from wirevow.protocol.conformance.keeping import Found, found_counters, kept, saved_words
from wirevow.protocol.conformance.rig import CuttingRig, Repeating, Rig, RigError, StoringRig
from wirevow.protocol.conformance.session import Entry, Session
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.dialect.narrow import Unasked
from wirevow.protocol.document.model import BenchEvent, Leave, Provoke
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Malformed, Notice, Reply, Request, parse_answer
from wirevow.protocol.oracle import Judgement, Oracle
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.vow import PointEntry, TripEntry, Value, Vow, bench_events, value_of

HOST_SLACK_NS = 30_000_000
"""How late a host on an ordinary system may see or send a byte (common practice, no source)."""
CLEARING_NS = (
    0,
    NS_PER_S,
    60 * NS_PER_S,
    *(300 * NS_PER_S for _ in range(12)),
    *(3600 * NS_PER_S for _ in range(4)),
)
"""Waits before each try to clear a trip whose cause has been taken away: heat goes slowly."""
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
TAKEN_TOGETHER = 500
"""So often the panel takes control and gives it back before it is looked whether somebody wants an end."""
LONGEST_WAIT_NS = 20 * NS_PER_S
"""Where the clock runs nothing is waited for that may take longer."""
MANY = 4
"""A wait of more times the silence that is allowed is long."""
WATCH_NAP_NS = 2_000_000
"""A host that waits wakes up so often to see how late it is."""
PLAIN_TRIES = 3
WIRE_TRIES = 5
WIRE_MORE = 40
"""So many characters a long question has more than a short one."""
SLOWER = 1.25
"""A wire so much slower than the document's rate is another one."""
WIRE_TIMED = "the wire is timed"
BUSY_SHARE = 0.5
"""Where programs of this machine wait for a processor so large a part of the time that an answer takes, an
instrument that is simulated here may have waited as well."""
OFTEN = 3
"""Late so many times, and once in so many, is the instrument's own doing."""
MOST_LOOKS = 200
"""Of those that one wait may take."""
MOST_TURNS = 3
"""A step that leads back here so often does not lead on."""
SYNC_TRIES = 16
"""Together about two seconds, which is as long as a board may boot that reset when its port opened."""


class Broken(Exception):
    """The instrument did what the document does not allow."""

    def __init__(self, judgement: Judgement, sent: str, seen: str) -> None:
        super().__init__(judgement.requirement)
        self.judgement = judgement
        self.sent = sent
        self.seen = seen
        self.lines: int | None = None
        """Requests that had been sent when it was found, if it was looked at again since."""
        self.punctual = False
        """Whether it is known that the host was not late itself."""
        self.steps: list[Entry] | None = None
        """The way to it, if that is not all since the mark."""


class OutOfBudget(Exception):
    """The lines that the check may send are used up."""


class Doubtful(Exception):
    """It was tried and cannot be judged."""


class Late(Doubtful):
    """Something came too late, and the host may be to blame. What is asked next begins anew.

    `broken` is what it is if it comes late again: None where the host is known to have been late itself.
    `silent` is what it is if nothing answers any more, whoever was late.
    """

    def __init__(self, why: str, broken: Broken | None = None, silent: Broken | None = None) -> None:
        super().__init__(why)
        self.broken = broken
        self.silent = broken if silent is None else silent


class NoInstrument(WirevowError):
    """What is behind the port is not the instrument of this document, or says nothing."""


class Tester:
    """Works one instrument.

    `energise` allows states that handle power, and with an `envelope` as far as that reaches. `allowed` is
    how often it may save, boot and switch; None for as often as it likes, with simulated instruments.
    `unasked` is what firmware behind a dialect cannot be asked.
    """

    def __init__(
        self,
        vow: Vow,
        session: Session,
        *,
        seed: int = 0,
        energise: bool = False,
        budget: int | None = None,
        envelope: Envelope | None = None,
        allowed: Allowance | None = None,
        unasked: Unasked | None = None,
    ) -> None:
        self.vow = vow
        self._unasked = unasked
        """What firmware with a syntax of its own cannot be asked; None where it speaks the wire itself."""
        self.session = session
        self.rig: Rig | None = session.rig
        self.energise = energise
        self.gate: EnvelopeGate | None = None
        """What holds the check to an envelope, if there is one."""
        self._energising = energising_actions(vow)
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
        self.found: Found | None = None
        """What a real instrument is found with, to be put back; None where nothing need be."""
        self.random = random.Random(seed)
        hello = self.rig.hello() if self.rig is not None else None
        self.abilities = hello.abilities if hello is not None else frozenset()
        self._simulated = hello is not None and hello.simulated
        refusal = self.limits.refusal("boot")
        self.unbooted = f"the rig {refusal}" if refusal and self.abilities & BOOTING else ""
        """Why the rig must not boot it, though it could; empty if there is no such reason."""
        if refusal:
            self.abilities -= BOOTING
        self.events = hello.events if hello is not None else frozenset()
        self.declared: Mapping[str, BenchEvent] = bench_events(vow.document)
        self._bases = {event: each.base for event, each in self.declared.items() if each.base is not None}
        self.deadline_ns = vow.document.wire.reply_deadline
        self.oracle = Oracle(vow, vague=unasked is not None)
        self.budget = budget
        self.lines = 0
        """Requests sent so far."""
        self.kept: dict[str, int] = {}
        """How many right answers bore on each requirement."""
        self.visited: set[tuple[str, str]] = set()
        """Requirement and state pairs that were looked at."""
        self.bench_now: dict[str, Decimal | str] = {}
        self._turned_ns: int | None = None
        """When the bench was last turned, if readings may not have followed yet."""
        self.slowest_ns = 0
        self.reply_ns = array("q")
        """How long each answer took, in nanoseconds of the checker's time."""
        self.waited_ns = array("q")
        """The same for its first byte, from when the request was there, as far as the wire's rate tells."""
        self.acquainted_ns = 0
        """When all that is known of the instrument's time began."""
        self.measured: dict[str, str] = {}
        """What was measured for a requirement, and how surely, in words."""
        self.evidence: dict[str, dict[str, Evidence]] = {}
        """How well the numbers of each requirement have been shown so far, by what they are."""
        self.done: set[str] = set()
        """Work that is done once for several requirements."""
        self.shorten = True
        """Whether a purpose that finds a failure looks for a shorter way to it."""
        self.trying: str | None = None
        """The requirement at work: a plain question answered wrongly bears on it then (`_bearing`)."""
        self.lenient = False
        """Whether the first late answer on a running clock is tried again: other programs, and drivers, can
        keep an answer up that the instrument gave in time."""
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
        self._tag = 0
        self._mark = 0
        self._contended: list[tuple[int, int]] = []
        """When the mark was set and the last wait began, and how long programs had waited for a processor."""
        self._looking = False
        self._silent = False
        self._line_length = vow.document.wire.line_limit + 1
        self._came = 0
        """Bytes of the last answer, and of what came before it."""
        self._woke_late_ns = 0
        """How late the host woke up at most while it waited for the last answer."""
        self.latest_ns = 0
        """The same, for any answer."""

    # ----------------------------------------------------------------------------------------- small words

    @property
    def state(self) -> str:
        """The state the instrument is in, as far as all that was seen shows."""
        return self.oracle.twin.state

    @property
    def now_ns(self) -> int:
        """The checker's time."""
        return self.session.now_ns()

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

    # ------------------------------------------------------------------------------------------- exchanges

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

    def new_tag(self) -> str:
        """A tag not used lately, in each form: one to four digits, with zeros in front and without."""
        self._tag += 1
        number = self._tag % 0xFFFF + 1
        return f"@{number:0{1 + number % 4}x}"

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

    def _afford(self, lines: int) -> None:
        if self.budget is not None and self.lines + lines > self.budget:
            raise OutOfBudget

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

    def _took(self, asked_ns: int) -> None:
        took_ns = self.session.now_ns() - asked_ns
        self.reply_ns.append(took_ns)
        self.slowest_ns = max(self.slowest_ns, took_ns)

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

    def _awaited(self, timeout_ns: int) -> bytes | Overlong | None:
        """The next line that begins within so long a time.

        On a running clock the host sees meanwhile how late it wakes up itself.
        """
        if self.session.held:
            return self.session.line(timeout_ns)
        end_ns, got = self.session.now_ns() + timeout_ns, self.session.received
        while True:
            began_ns = self.session.now_ns()
            # While the bytes of a line come, the time that they take on the wire does not count.
            came = min(self.session.received - got, self.session.longest)
            left_ns = end_ns + self.session.wire_ns(came) - began_ns
            nap_ns = min(WATCH_NAP_NS, max(0, left_ns))
            line = self.session.line(nap_ns)
            woke_ns = self.session.now_ns()
            if line is not None:
                return line
            self._woke_late_ns = max(self._woke_late_ns, woke_ns - began_ns - nap_ns)
            self.latest_ns = max(self.latest_ns, self._woke_late_ns)
            self.session.late_ns = max(self.session.late_ns, self._woke_late_ns)
            if woke_ns >= began_ns + left_ns:
                return None

    def _host_late_ns(self) -> int:
        """How late the host is: while it waited for the last answer, or just now; 0 on a held clock."""
        return 0 if self.session.held else max(self._woke_late_ns, lateness_ns())

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
        self.oracle.looked_ns = self.now_ns
        if not self.session.held:
            self._contended[1:] = [(self.now_ns, contended_ns())]
        self.session.wait(ns)
        self.attend()
        if self.session.held:
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

    # -------------------------------------------------------------------------------------------- envelope

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

    def _reconnected(self) -> bool:
        """End an isolation, from rest: a guard may look at the source. Whether one was ended."""
        if self.gate is None or not self.gate.isolated:
            return False
        self.restore_bench()
        return not self.gate.isolated

    def rest(self) -> None:
        """Make sure that it handles no power, if it may, and that no line is begun."""
        if self.gate is not None and self.session.begun:
            self.raw(b"\n")
        if self.gate is not None and self.gate.live:
            self.safe()

    # ------------------------------------------------------------------------------------------------- rig

    def need(self, ability: str) -> Rig:
        """The rig, if it can do this."""
        if self.rig is None or ability not in self.abilities:
            refusal = self.unbooted if ability in BOOTING else ""
            raise NotSelected(refusal or f"needs a rig that can {ability}")
        return self.rig

    def boots(self, ability: str) -> Rig:
        """The rig that is about to boot it, which is counted. NotSelected if it cannot, or must not."""
        rig = self.need(ability)
        refusal = self.limits.boot()
        if refusal:
            raise NotSelected(refusal)
        return rig

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

    def power_cycle(self) -> None:
        """Cut the instrument's own supply and give it again."""
        self.attend()
        rig = self.boots("power")
        self._power(rig, on=False)
        try:
            if self.session.held:
                self._done_before()  # the rig has told how much came up to the cut: no need to ask it before
        finally:
            self._power(rig, on=True)
        self._expect_boot("power")

    def _done_before(self) -> None:
        """What is due at this very instant happens before a hand boots it."""
        if self.session.held:
            self.session.settle()
        self.attend()

    def cut_short(self, line: bytes, after_ns: int, steps: int | None = None) -> None:
        """Send a request and cut the supply so soon after it, then give it again. With `steps` after so many
        small steps of what it does (`CuttingRig`), if the rig can.

        What comes in between is not judged, and what the store holds now is taken as it is.
        """
        self.need("power")
        self.attend()
        self.session.admit(line + b"\n")
        self._afford(1)
        rig = self.boots("power")
        self.lines += 1
        if steps is not None and isinstance(rig, CuttingRig):
            rig.cut_after(steps)
        self.session.send(line + b"\n")
        if after_ns:
            self.session.wait(after_ns)
        # Where the clock runs it is a matter of chance anyway how far the line has come.
        self._power(rig, on=False, arrive=self.session.held)
        if self.session.held:
            self.session.settle()
        else:
            self.session.wait(HOST_SLACK_NS)
        self.session.discard()
        self._power(rig, on=True)
        self._store_known = False
        self._expect_boot("power")
        self.oracle.twin.unknown.add("saves")

    def reflash(self, image: bytes) -> None:
        """Leave an image in its store while it has no supply, as firmware of another version would have."""
        if not self.limits.free:
            raise NotSelected("only the store of a simulated instrument is written over")
        rig = self.need("store")
        if not isinstance(rig, StoringRig):
            raise NotSelected("the rig's adapter has no `store`")
        self.attend()
        self.boots("power")
        self._power(rig, on=False)
        try:
            rig.store(image)
        except RigError as error:
            self._power(rig, on=True)
            self._expect_boot("power")
            raise NotSelected(str(error)) from error
        self.session.journal.append(Entry(self.now_ns, "store", value=image.hex()))
        self.account.written_over()
        self._power(rig, on=True)
        self.oracle.twin.keep(image)
        self.oracle.twin.unknown.discard("saves")
        self._store_known = True
        self._expect_boot("power")

    def _power(self, rig: Rig, on: bool, *, arrive: bool = True) -> None:
        self.session.look()
        self.session.agree()
        if arrive:
            self.session.arrive()
        self.session.journal.append(Entry(self.now_ns, "power", value="on" if on else "off"))
        (self.account.booted if on else self.account.unpowered)(self.now_ns)
        rig.power(on)

    def reset(self, meanwhile: bytes = b"") -> bool:
        """Pull the reset pin. `meanwhile` comes while it boots, and is lost.

        Whether it was: an instrument may listen sooner than it has to, and answers then.
        """
        self.need("reset")
        self.session.look()
        self.session.agree()
        self._done_before()
        rig = self.boots("reset")
        self.session.arrive()
        self.session.journal.append(Entry(self.now_ns, "reset"))
        self.account.booted(self.now_ns)
        rig.reset()
        if meanwhile:
            self.session.send(meanwhile)
        return self._expect_boot("reset", hasty=bool(meanwhile))

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

    # --------------------------------------------------------------------------------------- getting there

    def mark(self) -> None:
        """What comes from here on belongs to the next purpose."""
        self._mark = len(self.session.journal)
        self.session.late_ns = 0
        self._contended = [] if self.session.held else [(self.now_ns, contended_ns())]

    def host_delay(self) -> str:
        """How late the host was since the mark, if that explains what came at a wrong time; else empty.

        Every bound on a clock that runs lets the host be late by HOST_SLACK_NS, and no more. An instrument
        that is simulated on this machine is late where programs wait for a processor.
        """
        if self.session.held:
            return ""
        if self.session.late_ns > HOST_SLACK_NS:
            return f"the host itself woke up {self.session.late_ns / 1e6:.0f} ms late meanwhile"
        now_ns, contended = self.now_ns, contended_ns()
        for since_ns, before in self._contended:
            if contended - before > max((now_ns - since_ns) * BUSY_SHARE, HOST_SLACK_NS):
                return f"programs here waited {(contended - before) / 1e6:.0f} ms for a processor meanwhile"
        return self.simulator_delay()

    def simulator_delay(self) -> str:
        """How late the program that simulates the instrument is just now, if it is; else empty.

        A rig is answered by the same program, whatever the instrument does: one that is slow has no time for
        either, as where the machine is too slow for what is simulated.
        """
        if self.rig is None or self.session.held or not self._simulated:
            return ""
        began_ns = self.now_ns
        with suppress(RigError):
            self.rig.counts(0)
        late_ns = self.now_ns - began_ns
        if late_ns <= HOST_SLACK_NS:
            return ""
        return f"the simulator itself answers its rig {late_ns / 1e6:.0f} ms late"

    def since_mark(self) -> list[Entry]:
        """What happened since the mark."""
        return self.session.journal[self._mark :]

    def synchronise(self) -> None:
        """Find the instrument behind the port: LF, discard, and ask who it is until the tag comes back."""
        asked = set()
        received = self.session.received
        for _ in range(SYNC_TRIES):
            tag = f"@{self.random.randrange(0x1000, 0xFFFF):x}"
            asked.add(tag)
            self.session.send(b"\n")
            self.session.wait(0 if self.session.held else HOST_SLACK_NS, until=lambda: self.session.waiting)
            self.session.discard()
            self.session.send(f"{tag} ask self.vow\n".encode())
            heard = self._hear(tag)
            if heard is not None:
                self._is_ours(heard)
                return
        raise self._stranger(asked, self.session.received - received)

    def _hear(self, tag: str) -> Reply | None:
        """The reply with this tag, whatever else comes before it."""
        end_ns = self.session.left_ns + 2 * self.deadline_ns + HOST_SLACK_NS
        self.heard = b""
        for _ in range(200):
            left_ns = end_ns - self.now_ns
            line = self._awaited(left_ns) if left_ns >= 0 else None
            if line is None:
                return None
            parsed = parse_answer(line) if isinstance(line, bytes) else None
            if isinstance(parsed, Reply) and parsed.tag == tag:
                return parsed
            self.heard = line if isinstance(line, bytes) else b"(a line without end)"
        return None

    heard: bytes = b""

    def _stranger(self, asked: set[str], received: int) -> NoInstrument:
        port = self.session.port.port
        heard = parse_answer(self.heard)
        if isinstance(heard, Reply) and heard.tag in asked:
            return NoInstrument(
                f"{port}: answers come too late, {_shown(self.heard)[:40]!r} only after the next question; "
                f"the document allows {self.deadline_ns / 1e6:g} ms; what holds them up?"
            )
        if self.heard:
            return NoInstrument(
                f"{port}: what comes is not this wire (for example {_shown(self.heard)[:40]!r}); "
                "look at the baud rate, and at what is plugged in there"
            )
        if received:
            return NoInstrument(
                f"{port}: what comes is not this wire ({received} bytes, and no line ended); "
                "look at the baud rate, and at what is plugged in there"
            )
        return NoInstrument(
            f"{port}: no answer to `ask self.vow` in {SYNC_TRIES} tries; "
            "is the instrument on, and is this its port and baud rate?"
        )

    def _is_ours(self, reply: Reply) -> None:
        if reply.ok and reply.words == self.vow.identity:
            return
        theirs, ours = " ".join(reply.words), " ".join(self.vow.identity)
        raise NoInstrument(
            f"{self.session.port.port}: the instrument is {theirs!r}, the document {ours!r}; "
            "check it against the document it was made from"
        )

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

    @property
    def _slack_ns(self) -> int:
        """How far our idea of a moment may be off the instrument's; a notice takes its time on the wire."""
        return 0 if self.session.held else HOST_SLACK_NS + self.session.wire_ns(self._line_length)

    def _time_the_wire(self) -> None:
        """Once: whether characters take longer than the document's rate says, as over a radio or a network.

        The quickest of some short, longer and long questions are compared, so that neither the instrument's
        own time counts nor that of a busy host. Only if the longer and the long ones took longer than the
        short ones by more than the rate says is it the wire.
        """
        if self.session.held or WIRE_TIMED in self.done:
            return
        self.done.add(WIRE_TIMED)
        more = min(WIRE_MORE, self._line_length - len("@ffff ask self.vow x\n"))
        lengths = (0, more // 2, more)
        quickest: dict[int, int] = {}
        for _ in range(WIRE_TRIES):
            for longer in lengths:
                asked_ns = self.now_ns
                self._plainly(f"ask self.vow {'x' * (1 + longer)}")
                taken_ns = self.now_ns - asked_ns
                quickest[longer] = min(taken_ns, quickest.get(longer, taken_ns))
        took_ns = {longer: quickest[longer] - quickest[0] for longer in lengths[1:]}
        if any(ns <= SLOWER * longer * self.session.character_ns for longer, ns in took_ns.items()):
            return
        self.session.character_ns = took_ns[more] // more
        self.oracle.twin.slack_ns = self._slack_ns
        found = 10**10 // self.session.character_ns
        self.measured["wire.deadline"] = (
            f"the wire carries about {found} baud, the document says {self.vow.document.wire.baud}; "
            "the time that characters take on it is not counted"
        )

    def rest_plainly(self, gate: EnvelopeGate) -> None:
        """Before anything else: safe, whatever it was doing. Raises NoInstrument if it does not say so."""
        safe = str(self.vow.document.trial.safe)
        if gate.live:
            # At once: nothing else is known to be well.
            self.session.send(b"\n" + Request(self.new_tag(), "act", safe, (), True).line() + b"\n")
        self.synchronise()
        self._plainly(f"act {safe}", check=True)
        self._plainly("put link.guard off", check=True)
        self._plainly(f"ask {gate.reach.state_point}")
        if gate.live:
            raise NoInstrument(
                f"{self.session.port.port}: after {safe} it does not say that it is at rest; "
                "disconnect the source by hand"
            )

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

    def _plainly(self, text: str, check: bool = False) -> Reply:
        """A request whose answer is taken as it is: the oracle knows nothing yet."""
        tag = self.new_tag()
        words = text.split(" ")
        line = Request(tag, words[0], words[1], tuple(words[2:]), check).line()
        self._afford(1)
        for _ in range(PLAIN_TRIES):
            # The same line with the same tag is not done again: when the host is late it may ask once more.
            self._woke_late_ns = 0
            self.lines += 1
            self.session.send(line + b"\n")
            reply = self._hear(tag)
            if reply is not None or (not self.lenient and self._host_late_ns() <= BUSY_NS):
                break
        if reply is None:
            text = line.decode("ascii")
            broken = Broken(Judgement(False, "wire.deadline", "an answer"), text, "no answer")
            heard = parse_answer(self.heard)
            if isinstance(heard, Reply) and int((heard.tag or tag)[1:], 16) >= int(tag[1:], 16):
                # It answers no question of before.
                rule = "wire.check" if check else "wire.guard"
                rule = rule if heard.words[:1] == ("check",) and not heard.ok else "wire.tag"
                broken = Broken(
                    Judgement(False, rule, f"an answer with the tag {tag}"), text, _shown(self.heard)
                )
            elif delay := self.host_delay():
                raise Late(f"the answer to {text!r} did not come, and {delay}", silent=broken)
            raise broken
        self.oracle.twin.accepted_ns = self.now_ns
        return reply

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

    def _pass_time(self, ns: int) -> None:
        self.session.wait(ns if self.session.held else min(ns, NS_PER_S))
        self.session.discard()

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

    def safe(self) -> None:
        """The safe action, if the document has one."""
        if self.vow.document.trial.safe is not None:
            self.act(self.vow.document.trial.safe)
            if self.gate is not None and self.gate.live:
                self.ask(self.gate.reach.state_point, tag=True)

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

    def restore_bench(self) -> None:
        """Every bench event that has a base is back at it, and readings have had time to follow."""
        for event, base in self._off_base():
            if event == "panel.control":
                self.panel(event, str(base))
            elif event == "link.transmitter":
                self.transmitter(str(base))
            else:
                self.bench(event, base)
        # A purpose may have turned it back itself a moment ago.
        if self._turned_ns is not None:
            self.quiet_until(self._turned_ns + self.vow.document.trial.settle)
            self._turned_ns = None

    def _off_base(self) -> list[tuple[str, Decimal | str]]:
        """Bench events that are not known to be at their base, with it."""
        if "bench" not in self.abilities:
            return []
        return [
            (event, base)
            for event, base in self._bases.items()
            if self.bench_now.get(event) != base
            and event in self.events
            and (self.gate is None or not self.gate.bench_refusal(event, base))
        ]

    def panel(self, event: str, value: Value) -> None:
        """A hand at the front panel: `panel.control` with who, or `panel.POINT` with a value for it."""
        name = event if event == "panel.control" else event.removeprefix("panel.")
        given: Decimal | str = str(value)
        if isinstance(value, int):
            exact = value * self.vow.points[name].number.step
            given = decimal_of(exact)
        self.bench(event, given)
        self.oracle.twin.panel(name, value, self.now_ns)
        if not self.oracle.twin.blocked:
            self.quiet()
            self.expect_notices()

    def panel_taken(self, times: int) -> None:
        """The front panel takes control and gives it back, so many times; what comes of it is judged at the
        end. For counts that no notice tells of: with notices on, more than the queue holds would be dropped.
        """
        event = "panel.control"
        turns = ("local", "remote")
        if self.gate is not None or not self.session.held:
            for value in turns * times:
                self.panel(event, value)
            return
        self.panel(event, turns[0])
        self.panel(event, turns[1])
        rig, twin, now_ns = self.need("bench"), self.oracle.twin, self.now_ns
        entries = [Entry(now_ns, "bench", name=event, value=value) for value in turns]
        together = rig if "repeat" in self.abilities and isinstance(rig, Repeating) else None
        for left in range(times - 1, 0, -TAKEN_TOGETHER):
            self.session.look()
            again = min(left, TAKEN_TOGETHER)
            self.session.journal += entries * again
            if together is not None:
                together.repeat(event, turns, again)
            if together is None:
                for value in turns * again:
                    rig.bench(event, value)
            if twin.notices:
                for value in turns * again:
                    twin.panel(event, value, now_ns)
            else:  # they are numbered all the same, and nothing else comes of it
                twin.number_on(len(turns) * again)
        self.quiet()
        self.expect_notices()

    def transmitter(self, condition: str) -> None:
        """The instrument's transmitter is stalled, or free again."""
        self.bench("link.transmitter", condition)
        self.oracle.twin.blocked = condition == "stalled"
        self.quiet()
        if condition == "free":
            self.expect_notices()

    def free_after(self, data: bytes) -> None:
        """Send lines while the transmitter is stalled, then free it: what was due leaves before replies."""
        self.attend()
        self._afford(data.count(b"\n"))
        now_ns = self.now_ns
        self.session.send(data)
        self.session.settle()
        lines = self.oracle.twin.frames(data, now_ns)
        self.bench("link.transmitter", "free")
        self.oracle.twin.blocked = False
        for line in lines:
            self._reply(line, now_ns)
            if self.oracle.twin.due:
                number, words = self.oracle.twin.due.popleft()
                due = f"note {number} {' '.join(words)} before the reply"
                raise Broken(Judgement(False, "wire.notice.whole", due), _shown(data), "the reply")

    def expect_notices(self) -> None:
        """The notices that our own hands have caused have to be here now, or within a reply's time on a clock
        that runs, and the time that all of them take on the wire.
        """
        if not self.session.held:
            due = (f"note {number} {' '.join(words)} ~0000\n" for number, words in self.oracle.twin.due)
            end_ns = self.now_ns + self.deadline_ns + HOST_SLACK_NS + self.session.wire_ns(sum(map(len, due)))
            while self.oracle.twin.due and self.now_ns < end_ns:
                self.session.wait(end_ns - self.now_ns, until=lambda: self.session.waiting)
                self.attend()
        if self.oracle.twin.due:
            number, words = self.oracle.twin.due[0]
            self.oracle.twin.due.clear()
            kinds = {"local": f"point.{words[1]}.local", "trip": f"trip.{words[1]}.fires"}
            requirement = kinds.get(words[0], "point.panel.control.readable")
            if self._comes_late(words):
                requirement = "wire.notice.whole"
            raise Broken(
                Judgement(False, requirement, f"note {number} {' '.join(words)}"), "", "no such notice"
            )

    def _comes_late(self, words: tuple[str, ...]) -> bool:
        """Whether a notice that is missing comes with, or after, the next reply."""
        self.session.send(b"ask self.state\n")
        for _ in range(3):
            line = self._awaited(self.deadline_ns)
            parsed = parse_answer(line) if isinstance(line, bytes) else None
            if isinstance(parsed, Notice) and (parsed.event, *parsed.words) == words:
                return True
        return False

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
            to=leave.to if leave.when is not None else None,
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
                if to is not None and self._returns(to):
                    raise NotSelected(f"without notices {to} may be over before it is seen")
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
        lasts_ns = min(ends)
        if within_ns > MOST_LOOKS * (lasts_ns // 2):
            raise NotSelected(f"without notices {to} may be over before it is seen")
        return max(lasts_ns // 2, 1)

    def _returns(self, state: str) -> bool:
        """Whether a condition may end this state, and nothing tells of that."""
        leaves = self.vow.states[state].leaves
        return not self.oracle.twin.told and any(each.when is not None for each in leaves)

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


def _shown(line: bytes) -> str:
    return line.decode("latin-1").encode("unicode_escape").decode("ascii")


def _state_in(reply: Reply) -> str:
    """The state that a refusal for the state's sake names; empty if it is none."""
    return reply.words[1] if reply.words[:1] == ("state",) and len(reply.words) > 1 else ""


def _reply_text(reply: Reply) -> str:
    return reply.line().decode("ascii")
