"""From a port's name to a tester ready to begin, and from there to a safe end, whatever happens between."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import serial

from wirevow.protocol.conformance.allowance import Allowance, allowance
from wirevow.protocol.conformance.ending import end
from wirevow.protocol.conformance.envelope import Envelope, Reach
from wirevow.protocol.conformance.interrupts import Interrupts
from wirevow.protocol.conformance.keeping import Found
from wirevow.protocol.conformance.rig import Hello, Rig, greeting, open_rig
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.conformance.through import adapted
from wirevow.protocol.dialect.file import Phrasebook
from wirevow.protocol.dialect.narrow import Unasked
from wirevow.protocol.serialport import PortError, open_port
from wirevow.protocol.vow import Vow

SIMULATION = "emu://"
"""So begin the names of ports that bring a simulated instrument with them."""


@dataclass(frozen=True, slots=True)
class Profile:
    """How far a check goes.

    `dry` energises nothing, `envelope` as far as an envelope allows, `full` does all that the document
    speaks of.
    """

    name: str
    reason: str

    @property
    def energise(self) -> bool:
        return self.name != "dry"


def profile_for(hello: Hello | None, reach: Reach | None = None) -> Profile:
    """The profile for a rig, or for none, and for an envelope held against the document, or for none."""
    if reach is not None:
        if reach.lacking:
            return Profile("dry", f"no envelope makes it safe to energise: {reach.lacking}")
        who = reach.envelope.source.declared_by
        return Profile("envelope", f"declared by {who}: {reach.envelope.text()}")
    if hello is None:
        return Profile("dry", "there is no rig to say that the instrument is simulated")
    if not hello.simulated:
        return Profile("dry", "the rig does not say that the instrument is simulated")
    return Profile("full", "the rig says that the instrument is simulated")


@dataclass(slots=True)
class Hookup:
    """A tester, with its port open and its rig at hand."""

    tester: Tester
    profile: Profile
    simulated: bool
    warnings: list[str] = field(default_factory=list)
    """After the end: what the user has to be told loudly."""

    def told(self) -> list[str]:
        """After the end: the warnings, and what was done to the instrument, if it is real."""
        done = self.tester.account.done(self.tester.now_ns).text()
        return self.warnings if self.simulated else [*self.warnings, f"done to it: {done}"]

    def used(self) -> Profile:
        """The profile, with what was used so far of the envelope and of what was allowed."""
        gate = self.tester.gate
        used = ("" if gate is None else gate.account(), self.tester.limits.account())
        return replace(self.profile, reason="; ".join((self.profile.reason, *filter(None, used))))


@contextmanager
def hooked_up(
    vow: Vow,
    url: str,
    endpoint: str | None = None,
    *,
    seed: int = 0,
    budget: int | None = None,
    envelope: Envelope | None = None,
    allow: Sequence[str] = (),
    agree: Callable[[], None] | None = None,
    book: Phrasebook | None = None,
) -> Iterator[Hookup]:
    """Open port and rig, hold the clock if the rig can, and wait until the board listens.

    `url`: any port of `open_port`; the simulated instrument in process (`emu://`) brings its own rig. An
    `envelope` is kept to with a simulated instrument as well. `allow` are kinds of what may be done to a real
    one, such as `store` or `boot=20`; see `allowance`. `agree` is called once, before the first thing
    that changes anything on a port that no rig calls simulated, and raises if nobody agrees to that.
    `book` is the dialect of the firmware at the port, `vow` then what it can be held to (`narrowed`).
    However the block is left, Ctrl-C included, the safe action is sent first; see `ending`. A signal inside
    the block acts when that is done, and takes the place of whatever else ended the block. Raises PortError
    and RigError.
    """
    opening = vow.document.wire.opening
    allowed = allowance(allow, envelope=envelope is not None)
    interrupts = Interrupts()
    with interrupts.handled():
        try:
            with interrupts.lifted():  # nothing is sent, and a network may take its time
                rig, hello, port = _opened(vow, url, endpoint, allowed, agree)
            simulated = hello is not None and hello.simulated
            if book is not None:
                rig, port = adapted(rig, port, book)
            try:
                session = Session(port, vow.document.wire.line_limit, rig)
                profile = profile_for(hello, None if envelope is None else Reach(vow, envelope))
                tester = Tester(
                    vow,
                    session,
                    seed=seed,
                    energise=profile.energise,
                    budget=budget,
                    envelope=envelope,
                    allowed=None if simulated else allowed,
                    unasked=None if book is None else Unasked(book),
                )
                if opening.resets:
                    tester.limits.boot()  # it was asked before whether that is allowed
            except BaseException:
                port.close()
                raise
            session.interrupts = interrupts
            if not simulated:
                tester.found = Found()
                session.consent = None if opening.resets else agree  # to open it was to change it
            hookup = Hookup(tester, profile, simulated)
            orderly = False
            try:
                if hello is not None and {"hold", "advance"} <= hello.abilities:
                    session.hold()
                if opening.settle:
                    session.wait(opening.settle)
                yield hookup
                orderly = interrupts.noted is None
            finally:
                hookup.warnings += [*tester.warnings, *end(tester, orderly=orderly)]
        finally:
            interrupts.act()


def _opened(
    vow: Vow, url: str, endpoint: str | None, allowed: Allowance, agree: Callable[[], None] | None
) -> tuple[Rig | None, Hello | None, serial.Serial]:
    """The rig, what it says of itself, and the port; whatever of it there is."""
    rig = None if endpoint is None else open_rig(endpoint)
    try:
        hello = None if rig is None else greeting(rig, str(endpoint), vow.identity[0])
        if rig is not None and hello is not None and {"hold", "advance"} <= hello.abilities:
            rig.hold()  # so that it does not matter how long the opening takes
        real = not (url.startswith(SIMULATION) or (hello is not None and hello.simulated))
        if real and vow.document.wire.opening.resets and not allowed.boot:
            raise PortError(
                f"{url}: to open this port is to boot the instrument (`opening.resets` of its document), "
                "which loses the settings that are not saved; allow it with --allow boot"
            )
        if real and vow.document.wire.opening.resets and agree is not None:
            agree()
        port = open_port(url, vow.document.wire.baud, vow.document.wire.opening)
    except BaseException:
        if rig is not None:
            rig.close()
        raise
    if rig is None:
        rig = _own_rig(port)
        hello = None if rig is None else rig.hello()
    return rig, hello, port


def _own_rig(port: object) -> Rig | None:
    """The rig of a port that simulates its instrument."""
    rig = getattr(port, "rig", None)
    return rig if isinstance(rig, Rig) else None
