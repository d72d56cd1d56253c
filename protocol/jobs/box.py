"""What jobs do with an instrument, through a client of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from wirevow.protocol.client.failures import Silent
from wirevow.protocol.client.sync import Client
from wirevow.protocol.client.values import Plain
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.parts import Part, Parts, PartsError, Start

RECONNECT_S = 1.0
"""How long a lost port is looked for at each try: a job has its own patience, and its safe action waits."""


def ask(client: Client, *names: str) -> list[Plain]:
    """Values of points, as close together as they come."""
    found = client.read(*names)
    return [found[name] for name in names]


def put_si(client: Client, part: Part, value: float) -> float:
    """Put a value in SI units; what took effect."""
    return float(client[part.name].put(value / part.si)) * part.si


def ask_si(client: Client, *parts: Part) -> list[float]:
    """Values in SI units."""
    values = ask(client, *[part.name for part in parts])
    return [float(value) * part.si for value, part in zip(values, parts, strict=True)]


def begin(client: Client, start: Start) -> None:
    """Arm and start. Raises Refused."""
    client[start.action.name]()


REVERSED_V = -0.2
"""Below this a reading is no offset: the terminals are the wrong way round (common practice, no source)."""


def right_way_round(volts: float, part: Part) -> None:
    """Raises WirevowError for a voltage at rest that is negative, read as the point of `part`."""
    if volts < REVERSED_V:
        raise WirevowError(
            f"the source is connected reversed: {part.name} reads {volts:.3f} V. Disconnect it, and measure"
            " which terminal is which before it is connected again"
        )


class Broken(WirevowError):
    """The instrument is not in the state that the job brought it to: what ended it."""


def why_left(client: Client, parts: Parts, state: str) -> str:
    """Words for a state that the job did not ask for."""
    name = parts.vow.system_name("last_trip")
    last = str(client[name].read()) if name is not None else "none"
    return f"it is {state}" + ("" if last == "none" else f", and its last trip was {last}")


@contextmanager
def safely(client: Client, parts: Parts) -> Iterator[None]:
    """Whatever happens in the block, the instrument's safe action follows.

    The message of an error says if even that could not be done.
    """
    try:
        yield
    except BaseException as error:
        failed = _stop(client, parts.safe)
        if failed is not None and isinstance(error, WirevowError):
            error.message = (
                f"{error.message}; and `act {parts.safe}` could not be sent ({failed}): disconnect the"
                " source."
                " The instrument's own watchdog stops it, if it works"
            )
            error.args = (error.message,)
        raise
    failed = _stop(client, parts.safe)
    if failed is not None:
        raise Silent(f"`act {parts.safe}` could not be sent ({failed}): disconnect the source")


def _stop(client: Client, safe: str) -> str | None:
    for _ in range(3):
        try:
            client[safe]()
            return None
        except WirevowError as error:
            said = error.message
    return said


def at_rest(client: Client, parts: Parts) -> None:
    """Bring it to its initial state. Raises Broken if it does not go there (tripped, panel in control)."""
    client[parts.safe]()
    state = client[parts.state].read()
    if state != parts.vow.initial:
        raise Broken(
            f"the instrument is not at rest: {why_left(client, parts, str(state))}."
            " Put right what made it so, and clear it"
        )


def watchful(client: Client, parts: Parts, every_s: float) -> None:
    """Have it stop by itself soon after the host falls silent. Raises WirevowError if it cannot."""
    patience = parts.patience()
    if patience is None:
        if not client.host.virtual:
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
    put_si(client, patience, max(wanted, patience.low))
