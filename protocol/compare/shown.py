"""What an experiment shows of a difference: an exchange that notices it, and one that does not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Shown:
    """Exchanges as text, line by line: after `> ` what a host written for the old document sends, after `< `
    what both instruments answer or, marked `(old)` and `(new)`, each of them. What hands do has neither.
    """

    differs: str = ""
    """The shortest in which the new instrument answers otherwise than the old."""
    holds: str = ""
    """One that uses the same element where the condition does not hold: both answer alike."""
    not_shown: str = ""
    """Why there is none of the first kind, in words; empty where there is one."""
