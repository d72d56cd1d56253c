"""The checker's hands: what purposes work an instrument with.

The first answer that the document does not allow raises `Broken`; what the hands cannot do raises
`NotSelected`. Each layer knows those below it: `plain`, `exchange`, `fixture`, `navigation`, `acquaintance`.
"""

from __future__ import annotations

from wirevow.protocol.conformance.acquaintance import Acquaintance
from wirevow.protocol.conformance.allowance import Allowance
from wirevow.protocol.conformance.envelope import (
    Envelope,
)
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.dialect.narrow import Unasked
from wirevow.protocol.vow import Vow


class Tester(Acquaintance):
    """Works one instrument.

    `energise` allows states that handle power, and with an `envelope` as far as that reaches. `allowed` is
    how often it may save, boot and switch; None for as often as it likes, with simulated instruments.
    `unasked` is what firmware behind a dialect cannot be asked.
    """

    shorten = True
    """Whether a purpose that finds a failure looks for a shorter way to it."""

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
        super().__init__(
            vow,
            session,
            seed=seed,
            energise=energise,
            budget=budget,
            envelope=envelope,
            allowed=allowed,
            unasked=unasked,
        )
