"""How an exchange with an instrument can end, other than well."""

from __future__ import annotations

from wirevow.protocol.conformance.session import Entry
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.oracle import Judgement


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
