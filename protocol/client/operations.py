"""What a host does, step by step, without I/O: each operation is a generator that any driver can run.

An operation yields `Step`s, bytes to send and until when to wait for some back, and is sent what came and
the time it is. A driver that loses its port opens it again and throws `Reopened` into the operation, or, if
the port stays away, why.
"""

from __future__ import annotations

import fnmatch
from collections import deque
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

from wirevow.protocol.client.dialogue import ATTEMPTS, Call, Dialogue
from wirevow.protocol.client.failures import HungWait, Refused, Reopened, Silent, Unsure, WrongInstrument
from wirevow.protocol.client.values import BadValue, Plain, plain, quantity, written
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.message import Notice
from wirevow.protocol.record import parse
from wirevow.protocol.vow import Vow, part_count, record_of

LONGEST_VIRTUAL_NS = 6 * 3600 * 10**9
"""A wait without an end in virtual time ends here, with an error: six hours."""
LOSSES = 3
"""Times a port may be lost during one question."""
KEPT = 10_000
"""Notices that wait for whoever asks for them; older ones are dropped."""
SLACK_NS = 50_000_000
"""What adapters and systems add to an answer's way (common practice, no source)."""
NANO = 10**9


class Step(NamedTuple):
    """Send `data`, then wait for bytes until `until_ns`, less if some come."""

    data: bytes
    until_ns: int | None
    """0 takes what there is; None does not even look: the time is all that is asked for."""
    rests: bool = False
    """Nothing is under way: a driver may let other operations run meanwhile."""


NOW = Step(b"", None)
LOOK = Step(b"", 0)


class Came(NamedTuple):
    """What came of a step, and the time it is."""

    data: bytes
    now_ns: int


T = TypeVar("T")
Operation = Generator[Step, Came, T]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that the instrument said unasked, or that happened to the link.

    `name` is an event of the wire (`trip`, `state`, `boot`, ...), or `reconnected`: `words` are then the
    state and `booted` or `not booted`.
    """

    name: str
    words: tuple[str, ...]
    number: int = 0
    """The notice's number; 0 if it is none."""
    missed: int = 0
    """Notices that were lost before it."""

    def __str__(self) -> str:
        return " ".join((self.name, *self.words))


class Host:
    """The state of one conversation. `virtual`: the clock is an instrument's in this process."""

    def __init__(self, vow: Vow, *, checks: bool, tag: int, virtual: bool, keep_alive_s: float) -> None:
        wire = vow.document.wire
        way_ns = 2 * wire.line_limit * 10 * NANO // wire.baud
        self.vow = vow
        self.virtual = virtual
        self.keep_alive_ns = round(keep_alive_s * NANO)
        self.dialogue = Dialogue(
            line_limit=wire.line_limit,
            pipeline=wire.pipeline,
            timeout_ns=wire.pipeline * (wire.reply_deadline + way_ns) + SLACK_NS,
            checks=checks,
            tag=tag,
        )
        self.events: deque[Event] = deque(maxlen=KEPT)
        self.fresh: list[Event] = []
        """Events that no callback has seen."""
        self.changed = False
        """Something was put or done: there is something to make safe."""
        self._boots: Plain | None = None
        self._number = 0
        self._boot_seen = False

    # -------------------------------------------------------------------------------------------- exchanges

    def exchange(self) -> Operation[None]:
        """Until each call that was submitted is answered or given up."""
        dialogue = self.dialogue
        try:
            _, now_ns = yield NOW
            while dialogue.busy:
                data = dialogue.to_send(now_ns)
                due_ns = dialogue.due_ns()
                if due_ns is None:
                    return  # the last of them was given up
                came, now_ns = yield Step(data, due_ns)
                for notice in dialogue.receive(came, now_ns):
                    self._note(notice)
        finally:
            dialogue.forget()

    def ask(self, names: Iterable[str], arguments: tuple[str, ...] = ()) -> Operation[list[tuple[str, ...]]]:
        """The words that each point answers, asked together; asked again if the port was lost meanwhile."""
        return (yield from self._ask([(name, arguments) for name in names]))

    def _ask(self, questions: list[tuple[str, tuple[str, ...]]]) -> Operation[list[tuple[str, ...]]]:
        losses = 0
        while True:
            calls = [self.dialogue.submit("ask", *question) for question in questions]
            try:
                yield from self.exchange()
                return [self._words(call) for call in calls]
            except Reopened:
                losses += 1
                if losses == LOSSES:
                    raise

    def change(self, verb: str, name: str, arguments: tuple[str, ...] = ()) -> Operation[tuple[str, ...]]:
        """One put or act, done once or not at all; the words of its answer. Refused, Unsure."""
        if self._boot_seen:
            yield from self.note_boots()
        self.changed = True
        call = self.dialogue.submit(verb, name, arguments, self._most(verb, name))
        text = " ".join((verb, name, *arguments))
        try:
            yield from self.exchange()
        except WirevowError as error:
            raise Unsure(
                f"the port was lost during `{text}`, which may have been done or not: {error}"
            ) from error
        # Unchecked lines that a guard keeps out are told so without a tag, each of them.
        guarded = (
            call.reply is None and not self.dialogue.checks and call.refusals == (("check",),) * call.attempts
        )
        if call.reply is None and not guarded:
            raise Unsure(
                f"`{text}` was sent {call.attempts} times without an answer; it may have been done or not"
            )
        if call.attempts > 1 or self._boot_seen or guarded:
            # What a boot makes the instrument forget, it would do again.
            before = self._boots
            try:
                yield from self.note_boots()
            except WirevowError as error:
                raise Unsure(
                    f"`{text}` may have been done or not, and then the port was lost: {error}"
                ) from error
            if self._boots != before:
                raise Unsure(f"the instrument booted during `{text}`, which may have been done before or not")
        if guarded:
            raise Refused(text, ("check",))
        return self._words(call)

    def _most(self, verb: str, name: str) -> int:
        """Times a change may be sent. A boot between two of them would let it be done twice.

        That does no harm where twice is as good as once (`repeat: safe`, and every put), and cannot be where
        the boot voids its ticket or leads to a state that refuses it.
        """
        if verb == "put":
            return ATTEMPTS
        action = self.vow.actions[name]
        twice = action.once and action.takes_ticket is None and self.vow.initial in action.to
        return 1 if twice else ATTEMPTS

    def note_boots(self) -> Operation[None]:
        """Remember how often it has booted."""
        self._boot_seen = False
        name = self.vow.system_name("boots")
        if name is not None:
            try:
                said = (yield from self.ask([name]))[0]
            except Refused:  # firmware behind an adapter need not count them
                return
            self._boots = plain(self.vow.points[name], said)

    def identify(self) -> Operation[None]:
        """End whatever line was begun, and see who it is. WrongInstrument, Silent."""
        settle_ns = self.vow.document.wire.opening.settle
        came = yield NOW
        end_ns = came.now_ns + settle_ns
        while came.now_ns < end_ns:
            came = yield Step(b"", end_ns)
        yield Step(b"\n", 0)
        name = self.vow.system_name("identity")
        assert name is not None
        try:
            said = (yield from self.ask([name]))[0]
        except Refused as error:
            raise WrongInstrument(
                f"what answers has no {name}: it is no instrument with a document"
            ) from error
        if said != self.vow.identity:
            raise WrongInstrument(
                f"the instrument is {' '.join(said)}, the document {' '.join(self.vow.identity)}: "
                "use the document that its firmware was made from"
            )
        yield from self.note_boots()

    def reconnected(self) -> Operation[None]:
        """After the port was opened again: is it the same, has it booted, what is its state?"""
        before = self._boots
        yield from self.identify()
        booted = "booted" if self._boots != before else "not booted"
        name = self.vow.system_name("state")
        state = () if name is None else (yield from self.ask([name]))[0]
        self.tell(Event("reconnected", (*state, booted)))

    # ------------------------------------------------------------------------------------------------- verbs

    def read(self, *patterns: str) -> Operation[dict[str, Plain]]:
        """All points whose name is like one of `patterns`, asked together."""
        names: list[str] = []
        for pattern in patterns:
            found = [
                name
                for name, entry in self.vow.points.items()
                if entry.kind != "record" and fnmatch.fnmatchcase(name, pattern)
            ]
            if not found:
                raise BadValue(f"no point is like {pattern!r}; there are {', '.join(self.vow.points)}")
            names += [name for name in found if name not in names]
        said = yield from self.ask(names)
        return {name: plain(self.vow.points[name], words) for name, words in zip(names, said, strict=True)}

    def read_one(self, name: str) -> Operation[Plain]:
        return plain(self.vow.points[name], (yield from self.ask([name]))[0])

    def put(self, name: str, value: object) -> Operation[Plain]:
        entry = self.vow.points[name]
        if not entry.settable:
            raise BadValue(f"{name} is a reading: it cannot be put")
        words = written(entry, value)
        took = yield from self.change("put", name, words)
        if took != words:
            raise WirevowError(
                f"{name} was to be {' '.join(words)}, and is {' '.join(took)}: noise on the line?"
            )
        return plain(entry, took)

    def act(self, name: str, number: int | None = None) -> Operation[str | None]:
        """Do an action; one that takes a ticket gets it first, one that takes a number is given it.

        What it answers, if it answers anything.
        """
        giver = self.vow.actions[name].takes_ticket
        arguments: tuple[str, ...] = () if number is None else (str(number),)
        if giver is not None:
            arguments = yield from self.change("act", giver)
        words = yield from self.change("act", name, arguments)
        return " ".join(words) or None

    def parts(self, name: str) -> Operation[bytes]:
        """The bytes of a record, all parts joined."""
        count = part_count(self.vow, self.vow.points[name])
        found = yield from self._ask([(name, (str(index),)) for index in range(count)])
        return b"".join(bytes.fromhex(words[1]) for words in found)

    def record(self, name: str) -> Operation[dict[str, Any]]:
        """The fields of a record, in steps as its layout says."""
        layout = record_of(self.vow, self.vow.points[name])
        return parse(layout, (yield from self.parts(name)))

    def quantity(self, name: str) -> Operation[Any]:
        """A point's value as a pint quantity."""
        return quantity(self.vow.points[name], (yield from self.read_one(name)))

    def pause(self, span_ns: int | None, enough: int | None = None) -> Operation[None]:
        """Let time pass, and keep the link alive; ends early once `enough` events wait."""
        now_ns = (yield from self._rest(0)).now_ns
        begun_ns = now_ns
        longest_ns = LONGEST_VIRTUAL_NS if self.virtual else None
        end_ns = None if span_ns is None else begun_ns + span_ns
        name = self.vow.system_name("state") or self.vow.system_name("identity")
        assert name is not None
        while enough is None or len(self.events) < enough:
            if end_ns is not None and now_ns >= end_ns:
                return
            if end_ns is None and longest_ns is not None and now_ns - begun_ns > longest_ns:
                raise HungWait(
                    "nothing came within six hours of virtual time: the wait would never end; give a timeout"
                )
            feed_ns = now_ns + self.keep_alive_ns
            now_ns = (yield from self._rest(feed_ns if end_ns is None else min(end_ns, feed_ns))).now_ns
            if now_ns >= feed_ns:
                yield from self.ask([name])
                now_ns = (yield from self._rest(0)).now_ns

    def _rest(self, until_ns: int) -> Operation[Came]:
        """Wait with nothing under way; to lose the port and have it again is no more than an event."""
        try:
            came = yield Step(b"", until_ns, True)
        except Reopened:
            came = yield NOW
        self.take(came)
        return came

    def make_safe(self) -> Operation[None]:
        """The document's safe action, and the guard as it was."""
        action = self.vow.document.trial.safe
        if action is not None:
            yield from self.change("act", action)
        guard = self.vow.system_name("guard")
        if guard is not None and self.dialogue.checks:
            yield from self.change("put", guard, ("off",))

    # ------------------------------------------------------------------------------------------------ events

    def tell(self, event: Event) -> None:
        self.events.append(event)
        self.fresh.append(event)

    def take(self, came: Came) -> None:
        """What came while no operation was waiting for it."""
        for notice in self.dialogue.receive(came.data, came.now_ns):
            self._note(notice)

    def _note(self, notice: Notice) -> None:
        if notice.event == "boot":
            self._boot_seen = True
            self._number = 0
        missed = (notice.number - self._number - 1) % 65535 if self._number else 0
        self._number = notice.number
        self.tell(Event(notice.event, notice.words, notice.number, missed))

    def _words(self, call: Call) -> tuple[str, ...]:
        request = call.request
        if call.reply is None:
            raise Silent(
                f"no answer to `{request.verb} {request.name}`, sent {ATTEMPTS} times; is it switched on?"
            )
        if not call.reply.ok:
            raise Refused(" ".join((request.verb, request.name, *request.arguments)), call.reply.words)
        return call.reply.words
