"""What a job asks of an instrument, whoever brings the lines to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Protocol

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.parts import Part, Parts, PartsError, Start

Answer = float | str
"""A number in the point's own unit, or a word."""


class Refused(WirevowError):
    """The instrument refused. Nothing has changed in it."""

    def __init__(self, asked: str, reason: str, details: Sequence[str]) -> None:
        self.reason = reason
        self.details = tuple(details)
        super().__init__(f"the instrument refuses `{asked}`: {' '.join((reason, *details))}")


class Silent(WirevowError):
    """No answer, or no port any more."""


class Box(Protocol):
    """One instrument. Every call raises Silent when it does not answer, Refused when it refuses."""

    simulated: bool
    """Whether it is the simulation in this process: nothing can be hurt, and time is virtual."""

    def ask(self, *names: str) -> list[Answer]:
        """Values of points, as close together as they come."""

    def put(self, name: str, value: float | str) -> Answer:
        """Set a point, to the nearest step; what took effect."""

    def act(self, name: str, ticket: str | None = None) -> str | None:
        """Do something; the ticket, if it gives one."""

    def part(self, name: str, index: int) -> bytes:
        """One part of a bulk record."""

    def now(self) -> float:
        """Seconds of the clock that the instrument lives by."""

    def sleep(self, seconds: float) -> None:
        """Let so much of that time pass."""


def set_si(box: Box, part: Part, value: float) -> float:
    """Put a value in SI units; what took effect."""
    took = box.put(part.name, value / part.si)
    assert isinstance(took, float)
    return took * part.si


def ask_si(box: Box, *parts: Part) -> list[float]:
    """Values in SI units."""
    values = box.ask(*[part.name for part in parts])
    return [float(value) * part.si for value, part in zip(values, parts, strict=True)]


def begin(box: Box, start: Start) -> None:
    """Arm and start. Raises Refused."""
    ticket = box.act(start.arm.name)
    box.act(start.action.name, ticket)


class Broken(WirevowError):
    """The instrument is not in the state that the job brought it to: what ended it."""


def why_left(box: Box, parts: Parts, state: str) -> str:
    """Words for a state that the job did not ask for."""
    name = parts.vow.system_name("last_trip")
    last = str(box.ask(name)[0]) if name is not None else "none"
    return f"it is {state}" + ("" if last == "none" else f", and its last trip was {last}")


@contextmanager
def safely(box: Box, parts: Parts) -> Iterator[None]:
    """Whatever happens in the block, the instrument's safe action follows.

    The message of an error says if even that could not be done.
    """
    try:
        yield
    except BaseException as error:
        failed = _stop(box, parts.safe)
        if failed is not None and isinstance(error, WirevowError):
            error.message = (
                f"{error.message}; and `act {parts.safe}` could not be sent ({failed}): disconnect the"
                " source."
                " The instrument's own watchdog stops it, if it works"
            )
            error.args = (error.message,)
        raise
    failed = _stop(box, parts.safe)
    if failed is not None:
        raise Silent(f"`act {parts.safe}` could not be sent ({failed}): disconnect the source")


def _stop(box: Box, safe: str) -> str | None:
    for _ in range(3):
        try:
            box.act(safe)
            return None
        except WirevowError as error:
            said = error.message
    return said


def at_rest(box: Box, parts: Parts) -> None:
    """Bring it to its initial state. Raises Broken if it does not go there (tripped, panel in control)."""
    box.act(parts.safe)
    (state,) = box.ask(parts.state)
    if state != parts.vow.initial:
        raise Broken(
            f"the instrument is not at rest: {why_left(box, parts, str(state))}. Put right what made it so,"
            " and clear it"
        )


def watchful(box: Box, parts: Parts, every_s: float) -> None:
    """Have it stop by itself soon after the host falls silent. Raises WirevowError if it cannot."""
    patience = parts.patience()
    if patience is None:
        if not box.simulated:
            raise PartsError(
                f"{parts.vow.identity[0]} does not stop by itself when the host falls silent: no trip"
                " compares"
                " link silence with a setting. Nothing is energised without that"
            )
        return
    wanted = max(3.0 * every_s, 5.0)
    if wanted > patience.high:
        raise WirevowError(
            f"every {every_s:g} s is too seldom: {patience.name} is {patience.high:g} s at most, and"
            " three looks"
            " have to fit into it"
        )
    set_si(box, patience, max(wanted, patience.low))
