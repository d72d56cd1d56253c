"""Purposes about readings in every state: what moves them elsewhere moves them there.

A document says what moves a reading: a bench event (`moves`), or a setting (`follows`). Most purposes look at
that where it is least trouble, in the initial state; a reading is fresh in every other state as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.gate import DRY, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.meanwhile import at_the_panel, unheard
from wirevow.protocol.conformance.purposes.points import enable, expect_moved, has_moved
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Derating, Follow
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry

QUICK_NS = NS_PER_S
"""What moves within this moves quickly."""
SHARES = (Fraction(1, 14), Fraction(9, 14), Fraction(13, 14), Fraction(5, 14))
"""Parts of a setting's range at which a reading that follows it is looked at, none round; down at last."""


def share_left(rule: Derating, celsius: Fraction) -> Fraction:
    """Share of the ceiling that is left at a temperature."""
    start, end, floor = (Fraction(each) for each in (rule.start, rule.end, rule.floor))
    return 1 - (1 - floor) * min(max((celsius - start) / (end - start), Fraction(0)), Fraction(1))


# ----------------------------------------------------------------------------------------- the bench moves it


def follow_the_bench(t: Tester) -> None:
    """In the present state: turn what moves readings quickly, and ask them; then put it back."""
    if t.gate is not None or "bench" not in t.abilities:
        return  # within an envelope what is connected is the user's affair
    turned = {event for event, each in t.declared.items() if t.bench_now.get(event, each.base) != each.base}
    for event, declared in t.declared.items():
        quick = {name: ns for name, ns in declared.moves.items() if ns < QUICK_NS}
        if not quick or event not in t.events or event in turned:
            continue
        if declared.base is None or declared.other is None:
            continue
        # What shows the event is known to be at its base, unless something else has been turned as well.
        before = {
            name: _shown(t.vow.points[name], declared.base)
            if name in declared.shown_by and not turned
            else t.read(name)
            for name in quick
        }
        state = t.state
        t.bench(event, declared.other)
        let_pass = at_the_panel if t.vow.states[state].energised else unheard
        let_pass(t, max(quick.values()) + (0 if t.session.held else HOST_SLACK_NS))
        for name, counts in before.items():
            entry, after = t.vow.points[name], t.read(name)
            if t.state != state:
                return
            why = f"{event} went from {declared.base} to {declared.other} in {state}"
            expect_moved(t, entry, counts, after, why)
            if counts < 0 > after and name in declared.shown_by and not t.vow.states[state].energised:
                _is(t, entry, after, -Fraction(declared.other), f"as {event} is, the other way round")
        t.bench(event, declared.base)


def _shown(entry: PointEntry, value: object) -> int:
    return entry.number.nearest(Fraction(str(value)))


def _is(t: Tester, entry: PointEntry, counts: int, due: Fraction, why: str) -> None:
    """A reading is this, to its accuracy."""
    seen, slack = counts * entry.number.step, entry.accuracy(due)
    if abs(seen - due) > slack:
        words = f"{float(due):g} within {float(slack):.2g}, {why}"
        judgement = Judgement(False, f"point.{entry.name}.fresh", words)
        raise Broken(judgement, f"ask {entry.name}", " ".join(entry.words(counts)))


# ------------------------------------------------------------------------------------------ settings move it


def follow_the_settings(t: Tester) -> None:
    """In the present state: put what moves readings, and ask them. Where no power is handled, one setting.

    The document says so of one state; it is the same instrument in the others.
    """
    if t.gate is not None or any(each.when is None for each in t.vow.states[t.state].leaves):
        return  # an envelope bounds what is put, or time ends the state
    followed = _followed(t)
    names = [name for name in followed if all(t.settable_here(each) for each in _puts(t, followed[name]))]
    live = t.vow.states[t.state].energised
    if not live and names:
        names = [t.random.choice(names)]
    for name in names:
        entries = followed[name]
        follows = follows_of(t, entries[0])
        t.settings({each: value for each, value in follows.put.items() if each != name})
        if not live:
            entries = entries[:1]
        before = [t.read(each.name) for each in entries]
        state = t.state
        t.settings({name: follows.to})
        let_pass = unheard if live else at_the_panel
        let_pass(t, max(_within(t, each) for each in entries) + (0 if t.session.held else HOST_SLACK_NS))
        after = [t.read(each.name) for each in entries]
        if t.state != state:
            return
        for index, entry in enumerate(entries):
            if _alike(t, entry):
                _is_followed(t, entry, after[index])
            elif has_moved(entries[0], before[0], after[0]):
                expect_moved(t, entry, before[index], after[index], f"{name} went to {follows.to} in {state}")


def follows_of(t: Tester, entry: PointEntry) -> Follow:
    follows = t.vow.document.points[entry.name].follows
    assert follows is not None
    return follows


def _followed(t: Tester) -> dict[str, list[PointEntry]]:
    """Settings that are followed where no power is handled, with the readings, those in their unit first."""
    found: dict[str, list[PointEntry]] = {}
    for name, point in t.vow.document.points.items():
        follows = point.follows
        if follows is not None and not t.vow.states[follows.state].energised and follows.state != t.state:
            found.setdefault(follows.setting, []).append(t.vow.points[name])
    for entries in found.values():
        entries.sort(key=lambda each: not _alike(t, each))
    return {name: entries for name, entries in found.items() if _alike(t, entries[0])}


def _puts(t: Tester, entries: list[PointEntry]) -> list[PointEntry]:
    follows = follows_of(t, entries[0])
    return [t.vow.points[name] for name in (follows.setting, *follows.put)]


def _within(t: Tester, entry: PointEntry) -> int:
    return max(follows_of(t, entry).within, entry.period_ns)


def _alike(t: Tester, entry: PointEntry) -> bool:
    """Whether a reading is in the unit of the setting that it follows."""
    setting = t.vow.points[follows_of(t, entry).setting]
    return setting.scale is not None and entry.scale is not None and setting.scale.unit == entry.scale.unit


def _is_followed(t: Tester, entry: PointEntry, counts: int, celsius: Fraction | None = None) -> None:
    """A reading in the unit of the setting that it follows is that setting, as far as heat lets it be.

    How warm it is, in Cel, is asked only where it may explain what is read, unless it is known to be warm.
    """
    name = follows_of(t, entry).setting
    exact = t.vow.points[name].exact(t.setting(name))
    assert isinstance(exact, Fraction)
    seen, slack = counts * entry.number.step, entry.accuracy(exact)
    fan, derating = t.vow.document.fan, t.vow.document.derating
    low = high = exact
    if derating is not None and derating.ceiling == name and (celsius is not None or seen < exact - slack):
        heat = t.vow.points[derating.temperature]
        if celsius is None:
            celsius = t.read(heat.name) * heat.number.step
        width = heat.range_error + heat.number.step
        low, high = (exact * share_left(derating, celsius + side * width) for side in (1, -1))
    levels: set[Fraction] = set()
    if fan is not None and fan.duty == entry.name:
        # The curve is the least.
        whole = 100 if entry.number.unit == "%" else 1
        levels = {share for drive in fan.drives() if (share := drive.duty * whole) > exact}
    if not low - slack <= seen <= high + slack and all(abs(seen - each) > slack for each in levels):
        words = f"{float(low):g}, as {name} is" if low == high else f"{float(low):.4g} to {float(high):.4g}"
        judgement = Judgement(False, f"point.{entry.name}.fresh", f"{words}, within {float(slack):.2g}")
        raise Broken(judgement, f"ask {entry.name}", " ".join(entry.words(counts)))
    t.keep(f"point.{entry.name}.fresh")


def is_what_it_follows(t: Tester, setting: str, celsius: Fraction) -> None:
    """Ask the readings that follow a setting in its unit, at so many Cel."""
    for name, point in t.vow.document.points.items():
        if point.follows is not None and point.follows.setting == setting and _alike(t, t.vow.points[name]):
            _is_followed(t, t.vow.points[name], t.read(name), celsius)


@purpose("point", "fresh", TOUR)
def comes_to_what_it_follows(t: Tester, r: Requirement) -> None:
    """A reading in the unit of the setting that it follows, with that low, in between, high, and lower."""
    entry = t.vow.points[r.element]
    follows = t.vow.document.points[entry.name].follows
    if follows is None or not _alike(t, entry) or t.vow.states[follows.state].energised:
        return
    t.goto(follows.state)
    setting = t.vow.points[follows.setting]
    t.settings({name: value for name, value in follows.put.items() if name != setting.name})
    for share in SHARES:
        if share == max(SHARES):
            # What is bounded by it does not move it.
            for each in t.vow.settings:
                if each.high is not None and setting.name in each.high.names and t.settable_here(each):
                    t.put(each.name, sum(t.bounds(each)) // 2)
        low, high = t.bounds(setting)
        value = low + int((high - low) * share)
        if t.allows(setting, value):
            t.put(setting.name, value)
            t.alive(_within(t, entry) + (0 if t.session.held else HOST_SLACK_NS))
            _is_followed(t, entry, t.read(entry.name))


# ----------------------------------------------------------------------------------------- and it is in time


@purpose("point", "fresh", 2)
def there_in_time(t: Tester, r: Requirement) -> None:
    """Once for all readings that something moves quickly: when they should have followed they are there, and
    not on their way, as a mean of samples is that are older than they may be.
    """
    if "there in time" in t.done or not t.session.held:
        return
    t.done.add("there in time")
    for event, declared in t.declared.items():
        quick = {name: ns for name, ns in declared.moves.items() if _known(t, name) and ns < QUICK_NS}
        if quick and declared.other is not None and t.may_turn(event, declared.other):
            before = {name: t.read(name) for name in quick if name not in declared.shown_by}
            t.bench(event, declared.other)
            seen = _seen_in_time(t, quick)
            for name in declared.shown_by:
                if name in seen and isinstance(declared.other, Decimal):
                    _is(t, t.vow.points[name], seen[name], Fraction(declared.other), f"as {event} is")
            _are_there(t, before, seen)
            t.restore_bench()
    followed: dict[tuple[str, str], dict[str, Follow]] = {}
    for name, point in t.vow.document.points.items():
        follows = point.follows
        if follows is not None and _known(t, name) and follows.within < QUICK_NS:
            followed.setdefault((follows.state, follows.setting), {})[name] = follows
    for (state, setting), each in followed.items():
        if t.gate is not None or not t.may_enter(state):
            continue
        t.home()
        first, *_ = each.values()
        t.settings({name: value for name, value in first.put.items() if name != setting})
        t.prepare()
        t.goto(state)
        t.alive(t.vow.document.trial.settle)
        before = {name: t.read(name) for name in each}
        t.settings({setting: first.to})
        _are_there(t, before, _seen_in_time(t, {name: follows.within for name, follows in each.items()}))


def _known(t: Tester, name: str) -> bool:
    """Whether it is a reading that is known to some accuracy."""
    entry = t.vow.points[name]
    return entry.source == "signal" and entry.scale is not None and entry.range_error > 0


def _seen_in_time(t: Tester, within: Mapping[str, int]) -> dict[str, int]:
    """Each reading, as soon as it should have followed what happens now."""
    began_ns, seen = t.now_ns, {}
    for name, ns in sorted(within.items(), key=lambda each: each[1]):
        t.alive(began_ns + max(ns, t.vow.points[name].period_ns) - t.now_ns)
        seen[name] = t.read(name)
    return seen


def _are_there(t: Tester, before: Mapping[str, int], seen: Mapping[str, int]) -> None:
    """What was seen is nearly what is there once all has settled, as far from before as that may be."""
    if before:
        t.alive(t.vow.document.trial.settle)
    for name, was in before.items():
        entry, now = t.vow.points[name], t.read(name)
        off = abs(now - seen[name]) * entry.number.step
        slack = max(2 * entry.accuracy(now * entry.number.step), abs(now - was) * entry.number.step / 4)
        if off > slack:
            due = f"{' '.join(entry.words(now))} within {float(slack):.2g}, as it is a little later"
            judgement = Judgement(False, f"point.{name}.fresh", due)
            raise Broken(judgement, f"ask {name}", " ".join(entry.words(seen[name])))
        t.keep(f"point.{name}.fresh")


# ---------------------------------------------------------------------------------------- corrections move it


@purpose("point", "quantum", 3)
def corrects_what_is_read(t: Tester, r: Requirement) -> None:
    """Once for all: a correction acts by as much as is put, up and down, on some reading.

    A correction is a setting of a state of its own that drives something, and whose default changes nothing:
    zero, to be added to what has its unit, or one, to be multiplied with. It is looked for where it is put,
    and if nothing has a value there that shows it, where power is handled.
    """
    if "corrections" in t.done or not t.session.held or t.gate is not None:
        return
    t.done.add("corrections")
    corrections = [entry for entry in t.vow.settings if neutral(t, entry) is not None]
    before: dict[str, int] = {}
    hidden: list[PointEntry] = []
    for entry in corrections:
        enable(t, entry)
        before = before or _at_rest(t)
        if _moves(t, entry, before, _ends(t, entry), must=False):
            _moves(t, entry, before, _ends(t, entry)[1:], must=True)
        else:
            hidden.append(entry)
        t.put(entry.name, entry.default)
    states = [state.name for state in t.vow.states.values() if state.energised]
    if not hidden or not states:
        return
    if not t.energise:
        raise NotSelected(f"no reading shows it where it can be put, and switching the input on {DRY}")
    t.home()
    t.prepare()
    t.goto(states[0])
    before = _at_rest(t)
    for entry in hidden:
        ends = _ends(t, entry)
        for end in ends if neutral(t, entry) == 0 else [t.random.choice(ends)]:
            t.home()
            enable(t, entry)
            t.put(entry.name, end)
            t.goto(t.vow.initial)
            t.prepare()
            with suppress(Doubtful):  # what it moves may be what a protection watches
                t.goto(states[0])
                _moves(t, entry, before, [end], must=True)


def neutral(t: Tester, entry: PointEntry) -> int | None:
    """What a correction changes nothing with, 0 or 1 of its unit; None if it is none."""
    own = entry.set_in is not None and t.vow.initial not in entry.set_in
    if not own or entry.drives is None or entry.scale is None or not isinstance(entry.default, int):
        return None
    neutral = entry.default * entry.number.step
    inside = entry.number.low < entry.default < entry.number.high
    return int(neutral) if inside and neutral == (1 if entry.number.unit == "1" else 0) else None


def _ends(t: Tester, entry: PointEntry) -> list[int]:
    return [end for end in t.bounds(entry) if end != entry.default]


def _at_rest(t: Tester) -> dict[str, int]:
    """The readings that are known to some accuracy, and follow quickly what moves them."""
    t.alive(t.vow.document.trial.settle)
    return {entry.name: t.read(entry.name) for entry in t.vow.points.values() if _quick(t, entry)}


def _quick(t: Tester, entry: PointEntry) -> bool:
    if entry.source != "signal" or entry.scale is None or not entry.range_error:
        return False
    follows = t.vow.document.points[entry.name].follows
    times = [each.moves[entry.name] for each in t.declared.values() if entry.name in each.moves]
    return max([*times, follows.within] if follows is not None else times, default=QUICK_NS) < QUICK_NS


def _moves(t: Tester, entry: PointEntry, before: Mapping[str, int], ends: Sequence[int], must: bool) -> bool:
    """Whether at the first of these ends a reading comes to what it is due then; all of them, if it must.

    A reading that is nearly nothing does not tell what is multiplied.
    """
    for end in ends if must else ends[:1]:
        told: list[PointEntry] = []
        for name in before:
            each = t.vow.points[name]
            was = before[name] * each.number.step
            like = entry.number.unit in ("1", each.number.unit)
            if like and abs(_due(t, entry, end, was) - was) > 4 * each.accuracy(was):
                told.append(each)
        if told and t.setting(entry.name) != end:
            t.put(entry.name, end)
        t.alive(t.vow.document.trial.settle)
        seen: dict[str, int] = {}
        for each in told:
            due = _due(t, entry, end, before[each.name] * each.number.step)
            seen[each.name] = t.read(each.name)
            if abs(seen[each.name] * each.number.step - due) <= 2 * each.accuracy(due):
                t.keep(f"point.{entry.name}.quantum")
                break
        else:
            if must and told:
                raise _corrected_wrongly(entry, end, before, seen, t)
            return False
    return True


def _due(t: Tester, entry: PointEntry, end: int, of: Fraction) -> Fraction:
    """What a reading comes to with the correction."""
    exact = end * entry.number.step
    return of * exact if neutral(t, entry) else of + exact


def _corrected_wrongly(
    entry: PointEntry, end: int, before: Mapping[str, int], seen: Mapping[str, int], t: Tester
) -> Broken:
    how = "times" if entry.number.unit == "1" else "more by"
    words = " ".join(entry.words(end))
    shown = "; ".join(
        f"{name} {' '.join(t.vow.points[name].words(counts))},"
        f" before {' '.join(t.vow.points[name].words(before[name]))}"
        for name, counts in seen.items()
    )
    due = f"one of {', '.join(seen)} {how} {words}, as {entry.name} is"
    return Broken(Judgement(False, f"point.{entry.name}.quantum", due), f"put {entry.name} {words}", shown)
