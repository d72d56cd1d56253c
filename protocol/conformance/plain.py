"""Questions to an instrument that nothing is known of yet: who is there, and how long does its wire take?

What is heard here is not judged. Time and the host's own lateness are looked after here as well.
"""

from __future__ import annotations

import random
from array import array
from collections.abc import Mapping
from contextlib import suppress

from wirevow.protocol.conformance.gate import (
    EnvelopeGate,
)
from wirevow.protocol.conformance.host import BUSY_NS, contended_ns, lateness_ns
from wirevow.protocol.conformance.outcome import Broken, Late, NoInstrument, OutOfBudget
from wirevow.protocol.conformance.rig import Rig, RigError
from wirevow.protocol.conformance.session import Entry, Session
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import BenchEvent
from wirevow.protocol.framing import Overlong
from wirevow.protocol.message import Reply, Request, parse_answer
from wirevow.protocol.oracle import Judgement, Oracle
from wirevow.protocol.vow import Vow, bench_events

HOST_SLACK_NS = 30_000_000
"""How late a host on an ordinary system may see or send a byte (common practice, no source)."""
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
SYNC_TRIES = 16
"""Together about two seconds, which is as long as a board may boot that reset when its port opened."""


class Plain:
    """Asks, and does not judge."""

    def __init__(self, vow: Vow, session: Session, oracle: Oracle, *, seed: int, budget: int | None) -> None:
        self.vow = vow
        self.oracle = oracle
        self.session = session
        self.rig: Rig | None = session.rig
        hello = self.rig.hello() if self.rig is not None else None
        self.abilities = hello.abilities if hello is not None else frozenset()
        self.events = hello.events if hello is not None else frozenset()
        self._simulated = hello is not None and hello.simulated
        self.declared: Mapping[str, BenchEvent] = bench_events(vow.document)
        self.random = random.Random(seed)
        self.deadline_ns = vow.document.wire.reply_deadline
        self.budget = budget
        self.lines = 0
        """Requests sent so far."""
        self.slowest_ns = 0
        self.reply_ns = array("q")
        """How long each answer took, in nanoseconds of the checker's time."""
        self.measured: dict[str, str] = {}
        """What was measured for a requirement, and how surely, in words."""
        self.done: set[str] = set()
        """Work that is done once for several requirements."""
        self.lenient = False
        """Whether the first late answer on a running clock is tried again: other programs, and drivers, can
        keep an answer up that the instrument gave in time."""
        self._tag = 0
        self._mark = 0
        self._contended: list[tuple[int, int]] = []
        """When the mark was set and the last wait began, and how long programs had waited for a processor."""
        self._line_length = vow.document.wire.line_limit + 1
        self._woke_late_ns = 0
        """How late the host woke up at most while it waited for the last answer."""
        self.latest_ns = 0
        """The same, for any answer."""

    @property
    def now_ns(self) -> int:
        """The checker's time."""
        return self.session.now_ns()

    def new_tag(self) -> str:
        """A tag not used lately, in each form: one to four digits, with zeros in front and without."""
        self._tag += 1
        number = self._tag % 0xFFFF + 1
        return f"@{number:0{1 + number % 4}x}"

    def _afford(self, lines: int) -> None:
        if self.budget is not None and self.lines + lines > self.budget:
            raise OutOfBudget

    def _took(self, asked_ns: int) -> None:
        took_ns = self.session.now_ns() - asked_ns
        self.reply_ns.append(took_ns)
        self.slowest_ns = max(self.slowest_ns, took_ns)

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

    def _pass_time(self, ns: int) -> None:
        self.session.wait(ns if self.session.held else min(ns, NS_PER_S))
        self.session.discard()


def _shown(line: bytes) -> str:
    return line.decode("latin-1").encode("unicode_escape").decode("ascii")
