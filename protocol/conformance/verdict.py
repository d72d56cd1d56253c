"""Verdicts and their overwriting rule.

`none < pass < inconclusive < fail < error`, and a verdict is only ever overwritten upwards (ETSI ES
201 873-1, verdict handling). A requirement whose verdict stays `none` was *not selected* (ISO/IEC
9646-1): nothing was tried, which is neither a pass nor a doubt.
"""

from __future__ import annotations

from enum import IntEnum


class Verdict(IntEnum):
    """What was found, in the order of overwriting."""

    NONE = 0
    PASS = 1
    INCONCLUSIVE = 2
    FAIL = 3
    ERROR = 4

    def __str__(self) -> str:
        return "not selected" if self is Verdict.NONE else self.name.lower()

    def overwritten(self, other: Verdict) -> Verdict:
        """This verdict after `other` came in."""
        return max(self, other)


EXIT_CODE = {
    Verdict.NONE: 3,
    Verdict.PASS: 0,
    Verdict.INCONCLUSIVE: 3,
    Verdict.FAIL: 1,
    Verdict.ERROR: 2,
}
"""Exit code of a check whose overall verdict this is: 0 pass, 1 fail, 2 port or usage error, 3 inconclusive.
A check that could try nothing at all has shown nothing."""
