"""What a host may be told instead of an answer."""

from __future__ import annotations

from wirevow.protocol.errors import WirevowError


class Refused(WirevowError):
    """The instrument refused a request, and nothing has changed.

    `reason` is a word of the wire's table (`range`, `state`, ...), `details` what follows it; for `range`,
    `low` and `high` are the limits in force, in `unit`.
    """

    def __init__(self, request: str, words: tuple[str, ...]) -> None:
        self.request = request
        self.reason, *details = words
        self.details = tuple(details)
        self.low = self.high = self.unit = None
        if self.reason == "range" and len(details) >= 2:
            self.low, self.high = float(details[0]), float(details[1])
            self.unit = details[2] if len(details) > 2 else None
        super().__init__(f"`{request}` was refused: {' '.join(words)}; {_MEANING.get(self.reason, '')}")


_MEANING = {
    "length": "the line is too long",
    "syntax": "the instrument could not read the line",
    "check": "it wants every put and act checked: connect with checks=True",
    "unknown": "it has no point or action of that name",
    "access": "the point cannot be put, or the action not asked",
    "type": "the value has another form than it expects",
    "unit": "the unit is another one",
    "state": "not in this state, or its guard or ticket is not good",
    "range": "the value is outside the limits in force",
    "busy": "the front panel has control",
    "fault": "what tripped it is still there",
}


class Unsure(WirevowError):
    """A put or an act may have been done or not: the port was lost, or the instrument booted, meanwhile.

    Look at the state, and decide anew. It is never sent again by itself.
    """


class Silent(WirevowError):
    """The instrument does not answer."""


class Reopened(WirevowError):
    """The port was lost and is open again: thrown into an operation by its driver."""


class WrongInstrument(WirevowError):
    """Another document's instrument is at the port."""


class HungWait(WirevowError):
    """A wait in virtual time that nothing will ever end."""


class UnsafeEnd(WirevowError):
    """The safe action could not be confirmed at the end: see to the instrument."""
