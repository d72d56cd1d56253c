"""The host's side of a recording, sent to another instrument: where its answers differ in meaning.

It begins as a check does, from the initial state with default settings, and every line passes the same gate;
within an envelope those settings that are outside are put inside first, as a check puts them.
Lines go out as far apart as they came, each once the one before it is answered. Where the recorded host used
the ticket that it was given, this instrument's own is sent. The first line that must not go out ends it:
whatever comes after it may rest on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from wirevow.protocol.conformance.envelope import PATIENCE
from wirevow.protocol.conformance.foresight import would_trip
from wirevow.protocol.conformance.gate import NS_PER_S, WATCH_NS, NotSelected, exact_request
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.journal.exchanges import Exchange, Line, Pairing
from wirevow.protocol.journal.layout import Kind
from wirevow.protocol.journal.meaning import Parts, left_open, unlike, unlike_notices
from wirevow.protocol.message import Reply, Request, parse_answer, parse_request
from wirevow.protocol.vow import Value

SPARE_NS = 500_000_000
"""Beside the document's reply deadline, on a clock that runs: the host's own delays."""
LONGEST_GAP_NS = 24 * 3600 * 1_000_000_000
"""Between two lines; a recording that slept longer is not slept after."""

_RESETTING = frozenset({"defaults", "recall", "put", "copy", "reboot"})
"""Effects of actions after which settings are others."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Two answers, or notices, that do not mean the same."""

    seconds: float
    """Of the recording, since the first line."""
    line: str
    """What the host said; empty for a notice."""
    recorded: str
    now: str
    how: str


@dataclass(slots=True)
class Outcome:
    """What came of it."""

    lines: int
    """Of the recording."""
    sent: int = 0
    same: int = 0
    """Answers that mean the same."""
    open: int = 0
    """Answers about the box's own past: nothing to compare."""
    differences: list[Difference] = field(default_factory=list)
    stopped: str = ""
    """Why it ended before the recording did."""


class Rerun:
    """One run. `tester` is acquainted with nothing yet; `said` is told how many lines were sent."""

    def __init__(
        self, tester: Tester, course: Sequence[Exchange], said: Callable[[int], None] = lambda sent: None
    ) -> None:
        self._tester = tester
        self._session = tester.session
        idle_ns = tester.vow.document.wire.idle_typing
        self._course = [each for each in course if each.line.pause_ns <= idle_ns]
        self._said = said
        self._pairing = Pairing()
        self._unasked: list[Line] = []
        self._tickets: dict[str, str] = {}
        self._own = 0
        self._fed_ns = 0
        """When the last request came that was answered `ok`, which its link watchdog counts from."""
        self._settings: dict[str, Value] = {}
        """In force, by what this instrument answered."""

    def run(self) -> Outcome:
        """Send all of it. Raises WirevowError: no such instrument, a port that was lost, `Exceeded`."""
        outcome = Outcome(len(self._course))
        done: list[tuple[Exchange, Line]] = []
        try:
            self._tester.acquaint()
            self._tester.home()
            if self._tester.gate is not None:
                self._tester.fit(self._tester.gate)
            self._tester.quiet()
            self._settings = dict(self._tester.oracle.twin.settings)
        except Broken as broken:
            outcome.stopped = (
                f"it cannot be brought to where a rerun begins: to `{broken.sent}` it says `{broken.seen}`,"
                f" and the document {broken.judgement.expected}"
            )
            return outcome
        except (NotSelected, Doubtful) as why:
            outcome.stopped = f"it cannot be brought to where a rerun begins: {why}"
            return outcome
        try:
            self._send_all(done)
        except NotSelected as why:
            line = self._course[len(done)].line
            outcome.stopped = f"`{_text(line.data)}` was not sent: {why}"
        outcome.sent = len(done)
        self._compare(done, outcome)
        return outcome

    # ----------------------------------------------------------------------------------------------- sending

    def _send_all(self, done: list[tuple[Exchange, Line]]) -> None:
        if not self._course:
            return
        due_ns, before_ns = self._session.now_ns(), self._course[0].line.ns
        for each in self._course:
            due_ns += min(each.line.ns - before_ns, LONGEST_GAP_NS)
            before_ns = each.line.ns
            self._pass_time(due_ns)
            data = self._with_ticket(each.line.data)
            self._prepare(data)
            line = self._send(data)
            done.append((each, line))
            if each.line.reply is not None:
                self._await(line)
            self._note_ticket(each.line, line)
            self._note_settings(line)
            self._said(len(done))
        self._pass_time(self._session.now_ns() + self._patience_ns)

    @property
    def _patience_ns(self) -> int:
        return self._tester.deadline_ns + (0 if self._session.held else SPARE_NS)

    def _send(self, data: bytes) -> Line:
        self._session.send(data + b"\n")
        self._tester.lines += 1
        line = Line(self._session.now_ns(), Kind.HOST, data, meaning=parse_request(data))
        self._pairing.take(line)
        return line

    def _await(self, line: Line) -> None:
        end_ns = max(self._session.left_ns, self._session.now_ns()) + self._patience_ns
        while line.reply is None and (left_ns := end_ns - self._session.now_ns()) >= 0:
            self._hear(left_ns)
            if self._session.held:
                break

    def _hear(self, timeout_ns: int) -> None:
        """Take one line, and all that have come besides."""
        heard = self._session.line(timeout_ns)
        while heard is not None:
            if isinstance(heard, bytes):
                line = Line(self._session.now_ns(), Kind.DEVICE, heard, meaning=parse_answer(heard))
                self._pairing.take(line)
                if line.request is None:
                    self._unasked.append(line)
                elif isinstance(line.meaning, Reply) and line.meaning.ok:
                    self._fed_ns = line.request.ns
            heard = self._session.line(0) if self._session.waiting else None

    def _pass_time(self, until_ns: int) -> None:
        """Wait, and watch what is live as an envelope wants it watched."""
        gate = self._tester.gate
        while True:
            self._hear(0)
            left_ns = until_ns - self._session.now_ns()
            if gate is not None and gate.look_due(self._session.now_ns()):
                self._ask_own(gate.looking(self._session.now_ns()))
                spent = gate.spent(self._session.now_ns())
                if gate.live and spent:
                    raise NotSelected(spent)
            if left_ns <= 0:
                return
            if gate is not None and gate.live:
                fed_ns = self._session.now_ns() - self._fed_ns
                if fed_ns >= self._silence_ns:
                    self._ask_own([gate.reach.state_point])
                    continue
                left_ns = min(left_ns, WATCH_NS, self._silence_ns - fed_ns)
            self._session.wait(left_ns)

    @property
    def _silence_ns(self) -> int:
        """So long what is live is not asked anything, at most: half of what makes it stop by itself."""
        patience = self._settings.get(PATIENCE)
        if not isinstance(patience, int):
            return WATCH_NS
        return int(patience * self._tester.vow.points[PATIENCE].number.step * NS_PER_S) // 2

    def _prepare(self, data: bytes) -> None:
        """What an envelope wants known before this line. NotSelected if the source would make a trip come."""
        gate, vow = self._tester.gate, self._tester.vow
        if gate is None:
            return
        if gate.energises(data):
            self._ask_own(gate.unproven(self._session.now_ns()))
        request = exact_request(vow, data)
        settings, about = self._settings, set(self._settings)
        if request is not None and request.verb == "put":
            entry = vow.points[request.name]
            parsed = entry.number.parse(request.arguments[0]) if entry.scale is not None else None
            settings = {**settings, entry.name: request.arguments[0] if parsed is None else parsed[0]}
            about = {entry.name}
        elif request is None or request.name not in gate.reach.energising:
            return
        trip = "" if gate.isolated else would_trip(vow, settings, gate.outer, about)
        if trip:
            raise NotSelected(f"with the source that is connected, {trip} would come")

    def _note_settings(self, line: Line) -> None:
        """What is in force now, as far as an envelope has to know it."""
        request, reply = line.meaning, _reply(line)
        if self._tester.gate is None or not isinstance(request, Request) or reply is None or not reply.ok:
            return
        vow = self._tester.vow
        if request.name in self._settings:
            entry = vow.points[request.name]
            parsed = entry.number.parse(reply.words[0]) if entry.scale is not None and reply.words else None
            self._settings[entry.name] = " ".join(reply.words) if parsed is None else parsed[0]
        elif request.verb == "act" and {kind for kind, _ in vow.actions[request.name].does} & _RESETTING:
            self._ask_own([entry.name for entry in vow.settings])

    def _ask_own(self, names: Sequence[str]) -> None:
        for name in names:
            self._own = (self._own + 1) % 0x1000
            line = self._send(Request(f"@f{self._own:03x}", "ask", name).line())
            self._await(line)
            self._note_settings(line)

    def _with_ticket(self, data: bytes) -> bytes:
        request = parse_request(data)
        action = self._tester.vow.actions.get(request.name) if isinstance(request, Request) else None
        if action is None or action.takes_ticket is None or not isinstance(request, Request):
            return data
        arguments = tuple(self._tickets.get(word, word) for word in request.arguments)
        return request._replace(arguments=arguments).line()

    def _note_ticket(self, recorded: Line, now: Line) -> None:
        request = recorded.meaning
        action = self._tester.vow.actions.get(request.name) if isinstance(request, Request) else None
        replies = [_reply(line) for line in (recorded, now)]
        if action is not None and action.gives_ticket_ns is not None:
            words = [reply.words[0] for reply in replies if reply is not None and reply.ok and reply.words]
            if len(words) == 2:
                self._tickets[words[0]] = words[1]

    # -------------------------------------------------------------------------------------------- comparing

    def _compare(self, done: Sequence[tuple[Exchange, Line]], outcome: Outcome) -> None:
        vow = self._tester.vow
        begun_ns = self._course[0].line.ns if self._course else 0

        def differ(at_ns: int, line: str, one: Line | None, other: Line | None, how: str) -> None:
            texts = ["nothing" if each is None else _text(each.data) for each in (one, other)]
            outcome.differences.append(Difference((at_ns - begun_ns) / 1e9, line, texts[0], texts[1], how))

        parts = Parts(vow)
        for each, line in done:
            replies = _reply(each.line), _reply(line)
            how = parts.take(each.line, *replies)
            if how is None:
                how = unlike(vow, each.line, *replies)
            if how:
                differ(each.line.ns, _text(each.line.data), each.line.reply, line.reply, how)
            elif left_open(vow, each.line):
                outcome.open += 1
            else:
                outcome.same += 1
        for name, how in parts.rest():
            outcome.differences.append(Difference(0.0, f"ask {name}", "some parts", "some parts", how))
        recorded = [line for each, _ in done for line in each.unasked]
        first_ns = done[0][1].ns if done else 0
        for one, other, how in unlike_notices(vow, recorded, self._unasked):
            at_ns = (
                one.ns if one is not None else begun_ns + (other.ns - first_ns if other is not None else 0)
            )
            differ(at_ns, "", one, other, how)
        outcome.differences.sort(key=lambda each: each.seconds)


def _reply(line: Line) -> Reply | None:
    reply = line.reply
    return reply.meaning if reply is not None and isinstance(reply.meaning, Reply) else None


def _text(data: bytes) -> str:
    return data.decode("latin-1")
