"""What ends a discharge: rules as data, looked at with every row.

The cut-off is none of them: it is the battery's, and cannot be left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from wirevow.protocol.jobs.runlog import Row


@dataclass(frozen=True, slots=True)
class Limits:
    """What the person asks for; None is no limit."""

    seconds: float | None = None
    ampere_hours: float | None = None
    watt_hours: float | None = None
    celsius: float | None = None
    volt_step: float | None = None
    """V: a change from one row to the next while the level stays; a weak cell, or a contact."""
    silence: float = 10.0
    """s without an answer, after which it is given up."""


def _time(limits: Limits, row: Row, _before: Row | None) -> str | None:
    most = limits.seconds
    return f"{row.seconds:.0f} s have passed" if most is not None and row.seconds >= most else None


def _charge(limits: Limits, row: Row, _before: Row | None) -> str | None:
    most = limits.ampere_hours
    return f"{row.ampere_hours:.4f} A.h are out" if most is not None and row.ampere_hours >= most else None


def _energy(limits: Limits, row: Row, _before: Row | None) -> str | None:
    most = limits.watt_hours
    return f"{row.watt_hours:.3f} W.h are out" if most is not None and row.watt_hours >= most else None


def _temperature(limits: Limits, row: Row, _before: Row | None) -> str | None:
    if limits.celsius is None or row.celsius is None or row.celsius < limits.celsius:
        return None
    return f"{row.celsius:.1f} Cel are reached"


def _step(limits: Limits, row: Row, before: Row | None) -> str | None:
    if limits.volt_step is None or before is None or before.segment != row.segment:
        return None
    if (before.phase, before.level) != (row.phase, row.level) or not before.settled:
        return None
    step = row.volts - before.volts
    return f"the voltage stepped by {step:+.3f} V" if abs(step) >= limits.volt_step else None


RULES: dict[str, Callable[[Limits, Row, Row | None], str | None]] = {
    "voltage step": _step,
    "temperature": _temperature,
    "time": _time,
    "charge": _charge,
    "energy": _energy,
}
"""By name, the most urgent first. `silence` is kept by whoever waits for the answer."""


def stopped_by(limits: Limits, row: Row, before: Row | None) -> tuple[str, str] | None:
    """(rule, what it saw) of the first rule that ends the run, or None."""
    for name, rule in RULES.items():
        seen = rule(limits, row, before)
        if seen is not None:
            return name, seen
    return None
