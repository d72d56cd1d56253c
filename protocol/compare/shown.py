"""What an experiment shows of a difference: an exchange in which it is noticed, and one in which it is not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Shown:
    """Exchanges as text, one line each: `> ` what a host written for the old document sends, `< ` what both
    instruments answer or, marked `(old)` and `(new)`, each of them; a line without either is what a hand does.
    """

    differs: str = ""
    """The shortest in which the new instrument answers otherwise than the old."""
    holds: str = ""
    """One that uses the same element where the condition does not hold: both answer alike."""
    not_shown: str = ""
    """Why there is none of the first kind, in words; empty where there is one."""
