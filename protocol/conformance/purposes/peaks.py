"""Purposes about the highest and lowest values that are kept of readings."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.points import SLOW_NS, boots, entry_of, has_moved
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry

Move = Callable[[int], None]
"""Brings a reading to its first (0) or second (1) level, and waits until it is there."""
Values = tuple[Decimal | str, Decimal | str]


@purpose("point", "keeps", 3)
def keeps(t: Tester, r: Requirement) -> None:
    """Move the reading there and back while nobody asks: what it was has been kept, until it begins again."""
    entry = entry_of(t, r)
    of = t.vow.points[str(entry.extreme_of)]
    zero = next((each for each in t.vow.actions.values() if ("begin", entry.name) in each.does), None)
    move, by_bench = _mover(t, entry, of)
    levels = []
    for level in (0, 1):
        move(level)
        levels.append(t.read(of.name))
    if not has_moved(of, *levels):
        raise NotSelected(f"{of.name} does not move far enough to tell")
    far = levels.index(max(levels) if entry.highest else min(levels))
    move(1 - far)
    if zero is not None and t.state in zero.to and t.may_do(zero.name):
        t.act(zero.name)
        _begins(t, r, entry, of, f"{zero.name} is done")
        move(far)
        move(1 - far)
        _has_kept(t, r, entry, levels[far])
        t.act(zero.name)
        _begins(t, r, entry, of, f"{zero.name} is done")
    if by_bench:
        move(far)
        move(1 - far)
        boots(t)[0]()
        _begins(t, r, entry, of, "it has booted")
    elif zero is None:
        raise NotSelected("no action lets it begin again where its reading moves")
    t.keep(r.id)


def _mover(t: Tester, entry: PointEntry, of: PointEntry) -> tuple[Move, bool]:
    """How its reading is moved, and whether by the bench alone."""
    more_ns = 2 * max(entry.period_ns, of.period_ns) + (0 if t.session.held else HOST_SLACK_NS)
    for event, declared in t.declared.items():
        within_ns = declared.moves.get(of.name)
        if within_ns is None or declared.other is None or declared.base is None or within_ns > SLOW_NS:
            continue
        values = declared.base, declared.other

        def turn(level: int, event: str = event, within_ns: int = within_ns, values: Values = values) -> None:
            t.bench(event, values[level])
            t.alive(within_ns + more_ns)

        return turn, True
    follows = t.vow.document.points[of.name].follows
    if follows is None:
        raise NotSelected(f"nothing is known to move {of.name} soon: no bench event, no setting (`follows`)")
    if not t.may_enter(follows.state):
        raise NotSelected(t.barred(follows.state))
    t.settings({name: value for name, value in follows.put.items() if name != follows.setting})
    t.prepare()
    t.goto(follows.state)
    t.alive(t.vow.document.trial.settle)
    setting = t.vow.points[follows.setting]
    before = t.setting(setting.name)

    def put(level: int) -> None:
        if level:
            t.settings({follows.setting: follows.to})
        elif t.setting(setting.name) != before:
            t.put(setting.name, before)
        t.alive(follows.within + more_ns)

    return put, False


def _width(of: PointEntry, counts: int) -> int:
    """So many steps may two looks at what is the same differ."""
    step = of.number.step
    return int(2 * (of.range_error + abs(counts * step) * of.reading_error) / step) + 2


def _has_kept(t: Tester, r: Requirement, entry: PointEntry, far: int) -> None:
    kept, width = t.read(entry.name), _width(entry, far)
    if kept < far - width if entry.highest else kept > far + width:
        due = f"about {' '.join(entry.words(far))}, which {entry.extreme_of} was meanwhile"
        raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", " ".join(entry.words(kept)))


def _begins(t: Tester, r: Requirement, entry: PointEntry, of: PointEntry, since: str) -> None:
    kept, now = t.read(entry.name), t.read(of.name)
    if abs(kept - now) > _width(of, now):
        due = f"about {' '.join(of.words(now))}, what {of.name} is, for {since}"
        raise Broken(Judgement(False, r.id, due), f"ask {entry.name}", " ".join(entry.words(kept)))
