"""Purposes about a list of levels and times that is stepped through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Late
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.alternation import enterable
from wirevow.protocol.conformance.purposes.timed import LONGEST_NS, sample, trusted
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Law, rows_of
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import decimal_of
from wirevow.protocol.twin import CLOCK_PARTS
from wirevow.protocol.vow import value_of

SHORTEST = 4
"""A row lasts at least so many sample periods longer than a level takes to settle, to be seen."""


@dataclass(frozen=True, slots=True)
class Row:
    """A level, and when it begins and ends, in nanoseconds from when the state is entered."""

    level: Fraction
    begins_ns: int
    ends_ns: int
    slack_ns: int
    """How far its end may be off; that of its beginning is no more."""


def _rows(t: Tester, rule: Law, again: int = 1) -> list[Row]:
    """The rows that are due with the settings in force, and of the next round the first ones."""
    assert rule.rows is not None
    document = t.vow.document

    def exact(name: str) -> Fraction:
        return Fraction(t.vow.points[name].exact(t.setting(name)))

    levels, times = (rows_of(document, each) for each in (rule.rows.level, rule.rows.lasts))
    used = len(levels) if rule.rows.used is None else int(exact(rule.rows.used))
    numbers = [*range(used), *range(min(again, used))]
    share = Fraction(rule.tolerance_percent) / 100 + Fraction(1, CLOCK_PARTS)
    rows: list[Row] = []
    for number in numbers:
        begins_ns = rows[-1].ends_ns if rows else 0
        ends_ns = begins_ns + int(exact(times[number]) * NS_PER_S)
        rows.append(Row(exact(levels[number]), begins_ns, ends_ns, int(ends_ns * share)))
    return rows


@purpose("law", "rows", 1)
def row_by_row(t: Tester, r: Requirement) -> None:
    """Each level is there until its time is over, and the next one from then on; twice, by other rows."""
    rule = t.vow.document.laws[r.element]
    assert rule.rows is not None
    trusted(t)
    measured = [_through(t, r, rule, {})]
    levels, times = (rows_of(t.vow.document, each) for each in (rule.rows.level, rule.rows.lasts))
    other: dict[str, Decimal] = {}
    for names in (levels, times):
        for name, source in zip(names, reversed(names), strict=True):
            other[name] = decimal_of(Fraction(t.vow.points[source].exact(t.setting(source))))
    if rule.rows.used is not None:
        fewer = t.setting(rule.rows.used)
        assert isinstance(fewer, int)
        other[rule.rows.used] = Decimal(max(1, fewer - 1))
    t.home()
    measured.append(_through(t, r, rule, other))
    t.measured[r.id] = "; then ".join(measured)
    t.keep(r.id)


def _through(t: Tester, r: Requirement, rule: Law, others: Mapping[str, Decimal]) -> str:
    """Put the rows, enter the state, and look shortly before and after each change; what was seen."""
    provoke = enterable(t, rule)
    wanted = {**provoke.put, **others}
    t.settings(wanted)
    for event, value in provoke.bench.items():
        t.bench(event, value)
    t.prepare()
    entry, rows = t.vow.points[str(rule.steps)], _rows(t, rule)
    if not t.session.held and rows[-1].ends_ns > 2 * LONGEST_NS:
        raise NotSelected("it takes too long on a clock that cannot be advanced")
    every_ns, settle_ns = entry.period_ns, rule.settle
    for row in rows:
        if row.ends_ns - row.begins_ns < SHORTEST * every_ns + settle_ns + 2 * row.slack_ns:
            raise NotSelected(f"the times that `provoke` puts are too short for {entry.name} to tell apart")
    t.goto(provoke.state)
    if any(t.setting(name) != value_of(t.vow.points[name], value) for name, value in wanted.items()):
        t.goto(t.vow.initial)  # on the way a guard had to be opened, and settings were put back for that
        t.settings(wanted)
        t.goto(provoke.state)
    first_ns, last_ns = t.oracle.twin.entered_ns, t.now_ns
    seen: list[str] = []
    late = False
    for number, row in enumerate(rows):
        for due_ns in (
            last_ns + row.begins_ns + row.slack_ns + settle_ns + every_ns + 1,
            first_ns + row.ends_ns - row.slack_ns - every_ns // 2,
        ):
            t.alive(max(0, due_ns - t.now_ns))
            now = sample(t, entry)
            settled = now.early_ns > last_ns + row.begins_ns + row.slack_ns + settle_ns
            if not settled or now.late_ns >= first_ns + row.ends_ns - row.slack_ns:
                late = True
                continue
            if abs(now.value - row.level) > entry.accuracy(abs(row.level)):
                at_s = (now.late_ns - first_ns) / 1e9
                due = f"{entry.name} {float(row.level):g} (step {number + 1}), {at_s:g} s after it has begun"
                raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", f"{float(now.value):g}")
        known_ns = row.slack_ns + settle_ns + every_ns
        seen.append(f"{float(row.level):g} until {row.ends_ns / 1e9:g} s within {known_ns / 1e9:.2g} s")
    if late:
        raise Late(f"the host's own delays left no time to look at each level of {entry.name}")
    return ", ".join(seen)
