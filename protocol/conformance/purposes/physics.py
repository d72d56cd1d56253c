"""Purposes about what always holds: limits, derating, fan, laws, records, promises."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, Kept, needed
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.behaviour import (
    alternate_seldom,
    as_read,
    do,
    numbers,
    shown_values,
    steady,
    target_state,
    trip_and_clear,
    trips_at_once,
    values,
    was_kept,
)
from wirevow.protocol.conformance.purposes.images import ask_parts, images
from wirevow.protocol.conformance.purposes.meanwhile import MEANWHILE, at_the_panel, unheard
from wirevow.protocol.conformance.purposes.points import at_rest, other_value
from wirevow.protocol.conformance.purposes.readings import is_what_it_follows, share_left
from wirevow.protocol.conformance.tester import DRY, HOST_SLACK_NS, Broken, Doubtful, NotSelected, Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Derating, Fan, Law, Limit, Provoke, Record, RecordField
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression
from wirevow.protocol.message import Reply
from wirevow.protocol.oracle import CLOCK_PARTS, Judgement
from wirevow.protocol.record import FIELD_BYTES, layout, record_bytes
from wirevow.protocol.vow import ActionEntry, PointEntry, part_bytes, part_count, value_of

BESIDE = 2
"""So many settings are put that a relation does not name."""
FLOWS_NS = 8 * NS_PER_S
"""So long is summed what flows where it is held back."""
FLOWS_SLACK = Fraction(1, 10)
"""What is counted then may be off by so much: samples are old, and a host is late."""
HELD_BACK = Fraction(3, 4)
"""Below this share of what was put, a reading does not follow it."""


def states_of(t: Tester, names: Sequence[str] | None) -> list[str]:
    """States to look in, those that these hands may use."""
    wanted = list(names) if names is not None else [t.vow.initial]
    return t.one_of(wanted)


def arrive(t: Tester, state: str, provoke: Provoke | None) -> None:
    t.home()
    if provoke is not None and provoke.state == state:
        t.arrange(provoke)
        for event, value in provoke.bench.items():
            t.bench(event, value)
    else:
        t.prepare()
        t.goto(state)


def arrive_anew(t: Tester, state: str, provoke: Provoke | None) -> None:
    """Arrive by a change that shows: in the initial state from one that handles power, if these hands may."""
    arrive(t, state, provoke)
    if state != t.vow.initial or not t.energise or t.vow.document.trial.safe is None:
        return
    for other, entry in t.vow.states.items():
        if entry.energised:
            with suppress(NotSelected):
                t.goto(other)
                t.alive(t.vow.document.trial.settle)
                t.safe()
                break
    t.goto(state)


@purpose("limit", "", 3)
def limit(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.limits[r.element]
    tried = False
    for state in states_of(t, rule.armed_in):
        try:
            _arrive_pressed(t, state, rule.provoke)
        except NotSelected:
            continue
        tried = True
        hold_limit(t, r, rule)
    if not tried:
        raise NotSelected("none of its states can be reached here")


def _arrive_pressed(t: Tester, state: str, provoke: Provoke | None) -> None:
    """Arrive, and press on the limit as it is provoked: in other states by all but the words."""
    if provoke is None or provoke.state == state:
        arrive(t, state, provoke)
        return
    numbers = {name: value for name, value in provoke.put.items() if t.vow.points[name].scale is not None}
    elsewhere = provoke.model_copy(update={"state": state, "put": numbers})
    try:
        arrive(t, state, elsewhere)
    except Doubtful:
        arrive(t, state, None)  # there it cannot be pressed on so


@purpose("limit", "", 3)
def limit_closing_in(t: Tester, r: Requirement) -> None:
    """A limit that is moved while what it bounds is beyond where it will be."""
    rule = t.vow.document.limits[r.element]
    if rule.provoke is None or rule.provoke.state not in states_of(t, rule.armed_in):
        return
    bounds = {name for bound in (rule.low, rule.high) if bound is not None for name in bound.names}
    moved = {
        name: value
        for name, value in rule.provoke.put.items()
        if name in bounds and t.vow.points[name].set_in is None
    }
    if not moved:
        return
    others = {name: value for name, value in rule.provoke.put.items() if name not in moved}
    arrive(t, rule.provoke.state, rule.provoke.model_copy(update={"put": others}))
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    t.settings(moved)
    hold_limit(t, r, rule)


_Tight = tuple[str, Limit, dict[str, Decimal | str]]
"""A limit's name, the limit, and the settings that it is provoked with and looks at."""


@purpose("limit", "", 3)
def limits_whatever_the_mode(t: Tester, r: Requirement) -> None:
    """Once for all limits that need no bench: with each other word that has a relation of its own, and the
    numbers of that as far from their defaults as they can be.
    """
    rule = t.vow.document.limits[r.element]
    if rule.provoke is None or rule.provoke.bench or f"modes in {rule.provoke.state}" in t.done:
        return
    state = rule.provoke.state
    if state not in states_of(t, rule.armed_in) or t.gate is not None:
        return  # within an envelope what the source can do is the user's affair
    t.done.add(f"modes in {state}")
    together = {
        name: each
        for name, each in t.vow.document.limits.items()
        if each.provoke is not None and each.provoke.state == state and not each.provoke.bench
    }
    tight: list[_Tight] = []
    for name, each in together.items():
        put = each.provoke.put if each.provoke is not None else {}
        tight.append((name, each, {n: value for n, value in put.items() if n in _looked_at(each)}))
    for mode, word, levels in _modes(t, state):
        if t.state != t.vow.initial:
            t.safe()
        if word == mode.default or not t.settable_here(mode) or not t.put(mode.name, word).ok:
            continue
        t.goto(state)
        for name, each, put in tight:
            _loosen(t, put, tight)
            for level in levels:
                _far_below(t, level, put)
            if not _fits(t, put):
                continue
            t.settings(put)
            t.alive(max(t.vow.document.trial.settle, each.settle))
            if not _limited_still(t, state, each):
                due = f"{state} still, within its limits in mode {word}"
                raise Broken(Judgement(False, f"limit.{name}", due), "", t.state)
            # By the settings that are known to be in force.
            seen = {n: t.vow.points[n].exact(t.setting(n)) for n in _looked_at(each)}
            seen[each.of] = t.vow.points[each.of].exact(t.read(each.of))
            _within_limit(t, f"limit.{name}", each, seen)
        tight.reverse()
        for level in levels:
            t.put(level.name, level.default)  # limits may look at it


def _loosen(t: Tester, put: Mapping[str, Decimal | str], limits: Sequence[_Tight]) -> None:
    """Put the settings of all limits but this one to their defaults: one would hide another."""
    for _, _, others in limits:
        for name in others.keys() - put.keys():
            if t.setting(name) != t.vow.points[name].default:
                t.put(name, t.vow.points[name].default)


def _far_below(t: Tester, level: PointEntry, put: Mapping[str, Decimal | str]) -> None:
    """Put a level as far from its default as can be, and nearer as long as these may not be put beside it."""
    (low, high), default = t.bounds(level), level.default
    assert isinstance(default, int)
    away = max((low, high), key=lambda end: abs(end - default))
    while (
        (t.setting(level.name) == away or t.put(level.name, away).ok)
        and away != default
        and not _fits(t, put)
    ):
        away = default + int((away - default) / 2)


def _fits(t: Tester, put: Mapping[str, Decimal | str]) -> bool:
    """Whether all of it may be put now."""
    for name, value in put.items():
        entry = t.vow.points[name]
        counts = value_of(entry, value)
        low, high = t.bounds(entry) if isinstance(counts, int) else (0, 0)
        if isinstance(counts, int) and not low <= counts <= high:
            return False
    return True


def _modes(t: Tester, state: str) -> list[tuple[PointEntry, str, list[PointEntry]]]:
    """Words for which a relation is provoked in a state, each with the numbers that this names and puts."""
    found = []
    for rule in t.vow.document.laws.values():
        if rule.holds is None or rule.provoke is None or rule.provoke.state != state:
            continue
        put = {name: t.vow.points[name] for name in rule.provoke.put if name in rule.holds.names}
        levels = [entry for entry in put.values() if entry.scale is not None]
        words = [entry for entry in put.values() if entry.scale is None]
        if len(words) == 1 and levels and words[0].source == "setting":
            found.append((words[0], str(rule.provoke.put[words[0].name]), levels))
    return found


def _looked_at(rule: Limit) -> set[str]:
    """What the ends of a limit depend on."""
    return {name for bound in (rule.low, rule.high) if bound is not None for name in bound.names}


def _limited_still(t: Tester, state: str, rule: Limit) -> bool:
    """Whether it is where it was, or has gone by itself to another state in which the limit holds."""
    onwards = {leave.to for leave in t.vow.states[state].leaves} & {*states_of(t, rule.armed_in)}
    return t.state == state or t.state in onwards


def hold_limit(t: Tester, r: Requirement, rule: Limit) -> None:
    """Let it settle, and look: a trip that ends it shows that it was not kept."""
    state = t.state
    t.alive(max(rule.settle, t.vow.document.trial.settle))
    if not _limited_still(t, state, rule):
        due = f"{state} still, with {rule.of} within its limit"
        raise Broken(Judgement(False, r.id, due), "", t.state)
    _within_limit(t, r.id, rule, values(t, sorted({rule.of, *_looked_at(rule)})))


def _within_limit(t: Tester, requirement: str, rule: Limit, seen: Mapping[str, Fraction | int | str]) -> None:
    """The reading is within its limit, by what was seen."""
    reading = Fraction(seen[rule.of])
    slack = t.vow.points[rule.of].accuracy(reading)
    low = rule.low.number(seen) if rule.low is not None else None
    high = rule.high.number(seen) if rule.high is not None else None
    if (low is not None and reading < low - slack) or (high is not None and reading > high + slack):
        bounds = (("at least", low), ("at most", high))
        due = " and ".join(f"{words} {float(bound):g}" for words, bound in bounds if bound is not None)
        judgement = Judgement(False, requirement, f"{rule.of} {due}")
        raise Broken(judgement, f"ask {rule.of}", f"{float(reading):g}")
    unit = t.vow.points[rule.of].number.unit
    # It is where it was pressed to, and judged as closely as it is read.
    if low is not None:
        least = Bracket("the least", low, needed(low, slack), unit, low - slack, reading)
        t.shown(requirement, least)
    if high is not None:
        t.shown(requirement, Bracket("the most", high, needed(high, slack), unit, reading, high + slack))
    t.keep(requirement)


@purpose("derating", "", 1)
def derating(t: Tester, r: Requirement) -> None:
    rule = t.vow.document.derating
    assert rule is not None
    if rule.power is None or rule.provoke is None:
        raise NotSelected("the document does not say how to warm it up (`provoke`, `power`)")
    if not t.session.held:
        raise NotSelected("warming up takes too long on a clock that cannot be advanced")
    if not t.energise:
        raise NotSelected(f"warming up {DRY}")
    arrive(t, rule.provoke.state, rule.provoke)
    entry = t.vow.points[rule.power]
    heat = t.vow.points[rule.temperature]
    steps = 9
    seen_hot = False
    for _ in range(steps):
        t.alive(rule.provoke.within // steps)
        if t.state != rule.provoke.state:
            break
        seen = numbers(t, [rule.temperature, rule.power, rule.ceiling])
        celsius, power, ceiling = (seen[name] for name in (rule.temperature, rule.power, rule.ceiling))
        # The device knows the temperature to its accuracy: allow what the coolest and the warmest would.
        width = heat.range_error + heat.number.step
        coolest = Fraction(celsius) - width
        slack = entry.range_error + power * entry.reading_error + Fraction(1, 2)
        most = ceiling * share_left(rule, coolest) + slack
        least = ceiling * share_left(rule, Fraction(celsius) + width) - slack
        if not least <= power <= most:
            due = f"{rule.power} from {float(least):.1f} to {float(most):.1f} at {float(celsius):g}"
            raise Broken(Judgement(False, r.id, due), f"ask {rule.power}", f"{float(power):g}")
        seen_hot = seen_hot or coolest > Fraction(rule.start)
        _line_shown(t, r, Fraction(celsius), Fraction(power / ceiling), Fraction(slack / ceiling))
    if not seen_hot:
        raise NotSelected("it did not get warm enough to derate")
    if t.state == rule.provoke.state:
        is_what_it_follows(t, rule.ceiling, Fraction(celsius))
        _derated_elsewhere(t, rule, rule.provoke)
    t.keep(r.id)


def _derated_elsewhere(t: Tester, rule: Derating, provoke: Provoke) -> None:
    """In the other states that handle power too, while it cools, and warms again; the panel has control."""
    turns = [provoke.relief, {name: value for name, value in provoke.bench.items() if name in provoke.relief}]
    for state, entry in t.vow.states.items():
        if not entry.energised or state == provoke.state or not t.may_turn("panel.control", "local"):
            continue
        with suppress(NotSelected, Doubtful):
            t.settings(t.vow.document.trial.put)  # with little of its own heat
            alternate_seldom(t, state)
            t.goto(state)
            t.panel("panel.control", "local")
            for event, value in turns[0].items():
                t.bench(event, value)
            turns.reverse()
            t.wait(provoke.within)
            celsius = t.read(rule.temperature) * t.vow.points[rule.temperature].number.step
            is_what_it_follows(t, rule.ceiling, Fraction(celsius))
            t.panel("panel.control", "remote")


def _line_shown(t: Tester, r: Requirement, celsius: Fraction, share: Fraction, unsure: Fraction) -> None:
    """What a share of the ceiling at a temperature says of each of the three numbers of the line."""
    rule = t.vow.document.derating
    assert rule is not None
    accuracy = t.vow.points[rule.temperature].accuracy(celsius)
    start, end, floor = (Fraction(each) for each in (rule.start, rule.end, rule.floor))
    shares = (share - unsure, share + unsure)
    if not start < celsius - accuracy or not floor < shares[0] or not shares[1] < 1:
        return  # beside the line
    gone = [(1 - each) / (1 - floor) for each in shares]  # how far along the line, farther first
    starts = [(celsius - each * end) / (1 - each) for each in gone]
    ends = [start + (celsius - start) / each for each in gone]
    floors = [1 - (1 - each) * (end - start) / (celsius - start) for each in shares]
    for what, number, off, unit, found in (
        ("the start", start, accuracy, "Cel", starts),
        ("the end", end, accuracy, "Cel", ends),
        ("the floor", floor, unsure, "1", floors),
    ):
        t.shown(r.id, Bracket(what, number, needed(number, off), unit, min(found), max(found)))


def _warm(t: Tester) -> tuple[str, str]:
    """The bench event that warms what the fan follows, with its base, once it rests there; or NotSelected."""
    fan = t.vow.document.fan
    assert fan is not None
    if not t.session.held:
        raise NotSelected("warming up takes too long on a clock that cannot be advanced")
    for event, declared in t.declared.items():
        if fan.temperature in declared.moves and event in t.events and declared.base is not None:
            # What earlier purposes have left dies away.
            at_rest(t, t.vow.points[fan.temperature], declared.moves[fan.temperature])
            return event, str(declared.base)
    raise NotSelected("no bench event is known to move its temperature (`moves`)")


def _fan_walk(t: Tester, requirement: str) -> None:
    """Warm up and cool down in steps, to either side of each level: the duty is what the curve says.

    On the way up a level is on once it is as warm as that, and on the way down until it is as cool as the
    hysteresis says: what was before decides in between, and near either temperature both are right.
    """
    fan = t.vow.document.fan
    assert fan is not None
    event, base = _warm(t)
    _driven_no_more(t, fan)
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    levels = fan.drives()
    ends = [Fraction(level.at) for level in fan.levels]
    hysteresis = Fraction(fan.hysteresis)
    whole = 100 if duty.number.unit == "%" else 1
    slack = heat.range_error / 4 + 2 * heat.number.step
    within_ns = t.declared[event].moves[fan.temperature]
    beside = [place for at in ends for place in (at - NOT_YET, at + 3)]
    cooling = [place for at in reversed(ends) for place in (at - hysteresis / 2, at - hysteresis - NOT_YET)]
    rest = Fraction(base)
    up = [rest, *(place for place in beside if place > rest), levels[-1][0] + 12]
    walk = [*up, *(place for place in cooling if place > rest), rest]
    on: list[bool | None] = [None] * len(levels)
    warmest: Fraction | None = None
    for turn, target in enumerate(walk):
        t.bench(event, Decimal(int(target)))
        let_pass = (Tester.alive, at_the_panel, unheard)[turn % 3]
        for _ in range(2):
            let_pass(t, max(within_ns * 3 // 16, 2 * fan.tick))
            seen = numbers(t, [fan.temperature, fan.duty])
            celsius, share = seen[fan.temperature], seen[fan.duty]
            given = share / whole
            for index, (at, _) in enumerate(levels):
                on[index] = _level_on(on[index], celsius, at, hysteresis, slack)
            least = max((d for (_, d), is_on in zip(levels, on, strict=True) if is_on), default=Fraction(0))
            most = max(
                (d + fan.coarse for (_, d), is_on in zip(levels, on, strict=True) if is_on is not False),
                default=Fraction(0),
            )
            if not least - duty.number.step / whole <= given <= most + duty.number.step / whole:
                due = f"{fan.duty} from {float(least):g} to {float(most):g} at {float(celsius):g}"
                raise Broken(Judgement(False, requirement, due), f"ask {fan.duty}", f"{float(given):g}")
            _levels_shown(t, fan, celsius, given, warming=turn < len(up))
            warmest = celsius if warmest is None else max(warmest, celsius)
            if abs(celsius - target) <= 1:
                break  # as warm as it gets
    if warmest is None or warmest < levels[0][0]:
        raise NotSelected("it did not get warm enough for the fan to start")
    t.keep(requirement)


def _levels_shown(t: Tester, fan: Fan, celsius: Fraction, given: Fraction, *, warming: bool) -> None:
    """What a duty at a temperature says of where each level begins, or is left on the way down."""
    duty = t.vow.points[fan.duty].number
    step = duty.step / (100 if duty.unit == "%" else 1)
    accuracy = t.vow.points[fan.temperature].accuracy(celsius)
    for level in fan.levels:
        at, hysteresis = Fraction(level.at), Fraction(fan.hysteresis)
        is_on = given >= Fraction(level.duty) - step
        if warming:
            ends = (None, celsius) if is_on else (celsius, None)
            what = f"the start of level {level.duty}"
            t.shown("fan.curve", Bracket(what, at, needed(at, accuracy), "Cel", *ends))
        elif abs(at - celsius) < 2 * hysteresis + accuracy:
            ends = (at - celsius, None) if is_on else (None, at - celsius)
            bracket = Bracket("the hysteresis", hysteresis, needed(hysteresis, accuracy), "K", *ends)
            t.shown("fan.hysteresis", bracket)


NOT_YET = 2
"""Kelvin below a temperature at which it is surely not reached."""


def _level_on(
    was: bool | None, celsius: Fraction, at: Fraction, hysteresis: Fraction, slack: Fraction
) -> bool | None:
    """Whether a level is on; None if it may be either."""
    if celsius - slack >= at:
        return True
    if celsius + slack < at - hysteresis:
        return False
    if was is False and celsius + slack < at:
        return False
    return True if was and celsius - slack >= at - hysteresis else None


def _share(duty: PointEntry, value: Fraction) -> Fraction:
    """A duty, or a step of it, as a share: its point may count percent."""
    return value / 100 if duty.number.unit == "%" else value


def _driven_no_more(t: Tester, fan: Fan) -> None:
    """Where a setting can drive it besides, if a word lets it, it has been driven, and the word is back."""
    follows = t.vow.document.points[fan.duty].follows
    if follows is None or not any(t.vow.points[name].choices for name in follows.put):
        return
    t.settings({**follows.put, follows.setting: follows.to})
    for name in follows.put:
        if t.vow.points[name].choices:
            t.put(name, t.vow.points[name].default)


@purpose("fan", "curve", 2)
def fan_curve(t: Tester, r: Requirement) -> None:
    _fan_walk(t, r.id)


@purpose("fan", "curve", TOUR)
def least_drive(t: Tester, r: Requirement) -> None:
    """Where a setting can drive it besides, the curve is still the least: warm, with that setting at rest."""
    fan = t.vow.document.fan
    assert fan is not None
    follows = t.vow.document.points[fan.duty].follows
    level = fan.levels[min(1, len(fan.levels) - 1)]
    if follows is None:
        return
    event, _ = _warm(t)
    t.bench(event, Decimal(int(level.at) + 3))
    t.alive(t.declared[event].moves[fan.temperature])
    t.settings({name: value for name, value in follows.put.items() if name != follows.setting})
    t.alive(2 * fan.tick)
    seen = numbers(t, [fan.temperature, fan.duty])
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    surely = seen[fan.temperature] - heat.range_error / 4 - 2 * heat.number.step
    least = max((each.duty for each in fan.drives() if surely >= each.at), default=Fraction(0))
    given = _share(duty, seen[fan.duty])
    if given < least - _share(duty, duty.number.step):
        warm = f"at {float(seen[fan.temperature]):g}, whatever else drives it"
        due = f"{fan.duty} at least {float(least):g} {warm}"
        raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", f"{float(given):g}")
    t.keep(r.id)


@purpose("fan", "hysteresis", 2)
def fan_hysteresis(t: Tester, r: Requirement) -> None:
    """Warm past a level, cool to just below where it began: the level stays; cool further: it goes."""
    fan = t.vow.document.fan
    assert fan is not None
    event, _ = _warm(t)
    within_ns = t.declared[event].moves[fan.temperature]
    duty = t.vow.points[fan.duty]
    level = fan.levels[min(1, len(fan.levels) - 1)]
    below = fan.levels[min(1, len(fan.levels) - 1) - 1] if len(fan.levels) > 1 else None
    t.bench(event, Decimal(int(level.at) + 3))
    t.alive(within_ns)
    steps = 60
    t.bench(event, Decimal(int(level.at - fan.hysteresis)) - 3)
    before = Fraction(level.duty)
    for _ in range(steps):
        seen = numbers(t, [fan.temperature, fan.duty])
        celsius, share = seen[fan.temperature], seen[fan.duty]
        given = _share(duty, share)
        if given < before - _share(duty, duty.number.step):
            edge = Fraction(level.at) - Fraction(fan.hysteresis)
            slack = 2 * t.vow.points[fan.temperature].number.step + 1
            if not edge - slack - 1 <= celsius <= edge + slack:
                due = f"the level left at about {float(edge):g}"
                raise Broken(Judgement(False, r.id, due), f"ask {fan.temperature}", f"{float(celsius):g}")
            t.keep(r.id)
            return
        t.alive(max(within_ns // steps, fan.tick))
    if below is not None:
        raise Broken(
            Judgement(False, r.id, "the level left once it is cool"),
            f"ask {fan.duty}",
            f"still {float(before):g}",
        )


@purpose("fan", "tick", 3)
def fan_tick(t: Tester, r: Requirement) -> None:
    """While it warms, the duty changes at most once in a tick, and has changed two ticks after it should.

    At the second level, if there are so many: with the fan at work it warms faster there.
    """
    _over_levels(t, r, slice(1, 2))


@purpose("fan", "tick", 3)
def fan_tick_at_others(t: Tester, r: Requirement) -> None:
    """The same at the first level and the third."""
    _over_levels(t, r, slice(0, 3, 2))


def _over_levels(t: Tester, r: Requirement, some: slice) -> None:
    fan = t.vow.document.fan
    assert fan is not None
    event, _ = _warm(t)
    t.bench(event, Decimal(int(fan.levels[-1].at) + 20))
    for level in fan.levels[some] or fan.levels[:1]:
        _up_to(t, fan, Fraction(level.at) - Fraction(2, 5))
        _over_a_level(t, r, fan, Fraction(level.duty))
        t.keep(r.id)


def _up_to(t: Tester, fan: Fan, celsius: Fraction) -> None:
    """Wait until it is as warm, in ever shorter steps."""
    step = t.vow.points[fan.temperature].number.step
    before, wait_ns = t.read(fan.temperature) * step, 5 * fan.tick
    for _ in range(60):
        if before >= celsius:
            return
        t.alive(wait_ns)
        now = t.read(fan.temperature) * step
        if now > before:
            # So that half of the rest is gone next time, if it goes on as it went.
            wait_ns = max(fan.tick, int(wait_ns * (celsius - now) / (now - before) / 2))
        wait_ns = min(wait_ns, 60 * fan.tick)
        before = now


def _over_a_level(t: Tester, r: Requirement, fan: Fan, level: Fraction) -> None:
    """Watch the duty closely, until a little after it has come to the level."""
    heat, duty = t.vow.points[fan.temperature], t.vow.points[fan.duty]
    slack = 2 * heat.number.step + Fraction(3, 10)
    behind_ns: int | None = None
    last: int | None = None
    changed_ns: int | None = None
    more = 3
    for _ in range(30):
        if not more:
            return
        value = t.read(fan.duty)
        now_ns = t.now_ns
        if last is not None and value != last:
            if changed_ns is not None and now_ns - changed_ns < fan.tick // 2:
                due = f"at least {fan.tick / NS_PER_S:g} s between changes of {fan.duty}"
                seen = f"{(now_ns - changed_ns) / 1e9:g} s"
                raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", seen)
            changed_ns = now_ns
        last = value
        celsius = t.read(fan.temperature) * heat.number.step
        shares = (drive.duty for drive in fan.drives() if celsius - slack >= drive.at)
        due_share = max(shares, default=Fraction(0))
        given = value * duty.number.step * (Fraction(1, 100) if duty.number.unit == "%" else 1)
        more -= given >= level - duty.number.step
        if given >= due_share - duty.number.step:
            behind_ns = None
        elif behind_ns is None:
            behind_ns = now_ns
        elif now_ns - behind_ns > 2 * fan.tick + heat.period_ns + duty.period_ns:
            due = f"{fan.duty} at {float(due_share):g} within two ticks of {float(celsius):g}"
            raise Broken(Judgement(False, r.id, due), f"ask {fan.duty}", f"{float(given):g}")
        t.alive(fan.tick * 4 // 5)


# ---------------------------------------------------------------------------------------------------- laws


@purpose("law", "", 2)
def law(t: Tester, r: Requirement) -> None:
    """In one state: where it is provoked, if that is said."""
    for state in _where_first(t, t.vow.document.laws[r.element]):
        if _keeps(t, r, state):
            t.done.add(f"law {r.element} in {state}")
            return
    raise NotSelected("none of its states can be reached here")


@purpose("law", "", 2)
def law_elsewhere(t: Tester, r: Requirement) -> None:
    """In every other state as well."""
    _, *others = _where_first(t, t.vow.document.laws[r.element])
    tried = [_keeps(t, r, state) for state in others if f"law {r.element} in {state}" not in t.done]
    if not any(tried):
        raise NotSelected("no other of its states can be reached here")


def _where_first(t: Tester, rule: Law) -> list[str]:
    """The states in which a law is to hold; where it is provoked comes first."""
    where = rule.provoke.state if rule.provoke is not None else ""
    return sorted(states_of(t, rule.armed_in), key=lambda state: state != where)


def _keeps(t: Tester, r: Requirement, state: str) -> bool:
    """Look at a law in a state; whether that could be reached."""
    rule = t.vow.document.laws[r.element]
    try:
        arrive_anew(t, state, rule.provoke)
    except NotSelected:
        return False
    if rule.holds is not None and rule.settle:
        settled(t, r.element)
    elif rule.holds is not None:
        steady(t, rule.holds, r.id, rule.settle)
    if rule.holds is not None and rule.provoke is not None and state == rule.provoke.state:
        _as_before(t, r, rule.holds, rule.provoke, rule.settle)
        _nearer(t, r, rule.holds, rule.provoke, rule.settle)
    elif rule.integral_of is not None and rule.counter is not None:
        _turn_the_bench(t)
        _integral(t, r, rule.integral_of, rule.counter, Fraction(rule.tolerance_percent) / 100, rule.settle)
        _press(t, rule.integral_of)
    elif rule.elapses is not None:
        _elapses(t, r, rule.elapses, Fraction(rule.tolerance_percent) / 100)
    elif rule.never_falls is not None and rule.while_rises is not None:
        _never_falls(t, r, rule.never_falls, rule.while_rises)
    return True


@purpose("law", "", 1)
def with_the_bench_turned(t: Tester, r: Requirement) -> None:
    """A relation of readings holds as well where the bench makes one of them another."""
    rule = t.vow.document.laws[r.element]
    if rule.holds is None or rule.provoke is not None:
        return  # what is provoked has a bench of its own
    for event, declared in t.declared.items():
        quick = [name for name, within_ns in declared.moves.items() if within_ns < NS_PER_S]
        if not rule.holds.names.intersection(quick) or declared.other is None or event not in t.events:
            continue
        arrive(t, states_of(t, rule.armed_in)[0], None)
        t.bench(event, declared.other)
        t.alive(max(declared.moves[name] for name in quick))
        steady(t, rule.holds, r.id, rule.settle)


def _turn_the_bench(t: Tester) -> None:
    """Let what can be turned at once, and may be, be other than it is at rest."""
    if t.gate is not None:
        return  # there what is connected is the user's affair
    for event, declared in t.declared.items():
        number = isinstance(declared.other, Decimal)
        if number and event in t.events and all(each < NS_PER_S for each in declared.moves.values()):
            with suppress(NotSelected):
                t.bench(event, declared.other)
    t.alive(t.vow.document.trial.settle)


@purpose("law", "", 2)
def chosen_on_the_way(t: Tester, r: Requirement) -> None:
    """A relation holds as well where its words are put in a state on the way: for one relation."""
    if "chosen on the way" in t.done:
        return
    rule = t.vow.document.laws[r.element]
    if rule.holds is None or rule.provoke is None or rule.provoke.bench:
        return
    states_of(t, [rule.provoke.state])
    points = {name: t.vow.points[name] for name in rule.provoke.put}
    words = {n: v for n, v in rule.provoke.put.items() if points[n].scale is None and n in rule.holds.names}
    others = {n: v for n, v in rule.provoke.put.items() if n not in words and points[n].set_in is None}
    ways = [
        state.name
        for state in t.vow.states.values()
        if not state.energised
        and state.name != t.vow.initial
        and all(state.name in (points[name].set_in or ()) for name in words)
    ]
    if not words or not ways:
        return
    t.settings(others)
    t.prepare()
    t.goto(ways[0])
    t.settings(words)
    t.goto(rule.provoke.state)
    steady(t, rule.holds, r.id, rule.settle)
    t.done.add("chosen on the way")


def _as_before(t: Tester, r: Requirement, holds: Expression, provoke: Provoke, settle_ns: int) -> None:
    """Once for each word that is put for a relation: after a trip and a run it is in force again."""
    words = [name for name in provoke.put if name in holds.names and t.vow.points[name].scale is None]
    once = f"tripped with {', '.join(sorted(words))}"
    if words and not provoke.bench and once not in t.done and _trip_and_back(t):
        t.done.add(once)
        steady(t, holds, r.id, settle_ns)


def _press(t: Tester, reading: str) -> None:
    """Once in a state: press on a limit that is provoked by what is summed here, and sum what flows."""
    follows = t.vow.document.points[reading].follows
    if follows is None or not t.session.held or t.gate is not None or f"held back in {t.state}" in t.done:
        return
    for rule in t.vow.document.limits.values():
        put = rule.provoke.put if rule.provoke is not None and not rule.provoke.bench else {}
        here = t.state in (rule.armed_in or ()) and all(t.settable_here(t.vow.points[name]) for name in put)
        if follows.setting in put and here:
            t.settings(put)
            t.alive(max(rule.settle, t.vow.document.trial.settle))
            _sums_what_flows(t)
            return


def _sums_what_flows(t: Tester) -> None:
    """Where less flows than was put, counters go by what is read."""
    laws = {
        name: rule
        for name, rule in t.vow.document.laws.items()
        if rule.integral_of is not None and t.state in (rule.armed_in or ())
    }
    readings = sorted({str(rule.integral_of) for rule in laws.values()})
    state, held_back = t.state, next((name for name in readings if _held_back(t, name)), None)
    if held_back is None:
        return
    first, began_ns = numbers(t, readings), t.now_ns
    before = {name: t.read(str(rule.counter)) for name, rule in laws.items()}
    t.alive(FLOWS_NS)
    after = {name: t.read(str(rule.counter)) for name, rule in laws.items()}
    span, last = Fraction(t.now_ns - began_ns, NS_PER_S), numbers(t, readings)
    if t.state != state:
        return
    t.done.add(f"held back in {state}")
    for name, rule in laws.items():
        entry = t.vow.points[str(rule.counter)]
        unit = Fraction(entry.si / float(entry.number.step))
        sums = [each[str(rule.integral_of)] * span / unit for each in (first, last)]
        slack = max(map(abs, sums)) * FLOWS_SLACK + 2 * entry.number.step
        gained = (after[name] - before[name]) * entry.number.step
        if not min(sums) - slack <= gained <= max(sums) + slack:
            due = f"{entry.name} gains about {float(sums[0]):.4g} in {float(span):.3g} s"
            raise Broken(Judgement(False, f"law.{name}", due), f"ask {entry.name}", f"{float(gained):.4g}")
        t.keep(f"law.{name}")


def _held_back(t: Tester, name: str) -> bool:
    """Whether a reading is well below the setting in its unit that it follows elsewhere."""
    entry, follows = t.vow.points[name], t.vow.document.points[name].follows
    if follows is None or t.vow.points[follows.setting].number.unit != entry.number.unit:
        return False
    told = t.vow.points[follows.setting].exact(t.setting(follows.setting))
    return isinstance(told, Fraction) and t.read(name) * entry.number.step < told * HELD_BACK


def _trip_and_back(t: Tester) -> bool:
    """Have a trip that no setting is needed for, clear it, and come back by what else handles power."""
    state = t.state
    trips = trips_at_once(t, state)
    if not trips:
        return False
    if t.may_turn("panel.control", "local"):
        for who in ("local", "remote"):
            t.panel("panel.control", who)
    if t.may_turn("link.transmitter", "stalled"):
        for condition in ("stalled", "free"):
            t.transmitter(condition)
    trip_and_clear(t, trips)
    settings = {name: t.vow.points[name].exact(value) for name, value in t.oracle.twin.settings.items()}
    other = sorted(
        to
        for action in t.vow.actions.values()
        if action.guard is None or not action.guard.names <= settings.keys() or action.guard.truth(settings)
        for at, to in action.to.items()
        if t.vow.states[to].energised and to not in (at, state)
    )
    if t.vow.document.trial.safe is not None and other:
        with suppress(NotSelected, Doubtful):
            t.goto(t.random.choice(other))
            t.safe()
    t.goto(state)
    return True


def settle_ns(t: Tester, rule: Law) -> int:
    """How long after a change a relation holds in what is read: its own time, and the age of the samples."""
    names = rule.holds.names if rule.holds is not None else frozenset()
    return rule.settle + max((t.vow.points[name].period_ns for name in names), default=0)


def settled(t: Tester, name: str) -> None:
    """Just after a change: the relation holds as soon as it has to; later would be slow to settle."""
    rule = t.vow.document.laws[name]
    assert rule.holds is not None
    within_ns = settle_ns(t, rule)
    t.alive(within_ns)
    asked = sorted(rule.holds.names)
    seen = values(t, asked)
    if rule.holds.truth(seen):
        was_kept(t, rule.holds, f"law.{name}", seen)
    else:
        steady(t, rule.holds, f"law.{name}", rule.settle)
        shown = shown_values(seen)
        if not t.session.held:
            # There readings are not taken together, and one of them may have moved meanwhile.
            late = f"it did not hold {within_ns / 1e6:g} ms after a change, but later"
            raise Doubtful(f"{late} ({shown})")
        due = f"{rule.holds.text}, {within_ns / 1e6:g} ms after a change"
        raise Broken(Judgement(False, f"law.{name}.settling", due), f"ask {', '.join(asked)}", shown)
    t.keep(f"law.{name}")
    t.keep(f"law.{name}.settling")


def _nearer(t: Tester, r: Requirement, holds: Expression, provoke: Provoke, settle_ns: int) -> None:
    """It holds with its settings a tenth of the way from their defaults to where a tester puts them, too.

    There a reading may be little more than its accuracy, which is allowed for.
    """
    moved = False
    for name in sorted(holds.names & provoke.put.keys()):
        entry, now = t.vow.points[name], t.setting(name)
        if isinstance(now, int) and isinstance(entry.default, int) and t.settable_here(entry):
            low, high = t.bounds(entry)
            tenth = min(max(entry.default + (now - entry.default) // 10, low), high)
            if tenth not in (now, entry.default) and t.allows(entry, tenth):
                moved = t.put(name, tenth).ok
    if not moved:
        return
    _put_beside(t, holds)
    t.alive(max(settle_ns, t.vow.document.trial.settle))
    as_read(t, holds, r.id)


def _put_beside(t: Tester, holds: Expression) -> None:
    """Put some of the settings that other relations and alternations are about, and this one is not."""
    laws = t.vow.document.laws.values()
    about_them = {name for each in laws if each.holds is not None for name in each.holds.names}
    about_them |= {phase.level for each in laws for phase in each.phases or ()}
    bounding = {each.at_most for each in laws} | {
        name
        for each in t.vow.document.limits.values()
        for bound in (each.low, each.high)
        if bound is not None
        for name in bound.names
    }
    entries = [t.vow.points[name] for name in sorted(about_them - bounding - holds.names)]
    numbers = [each for each in entries if each.source == "setting" and each.scale is not None]
    for entry in t.random.sample(numbers, min(BESIDE, len(numbers))):
        with suppress(NotSelected):
            if t.settable_here(entry):
                t.put(entry.name, other_value(t, entry))


def _integral(
    t: Tester, r: Requirement, reading: str, counter: str, tolerance: Fraction, settle_ns: int
) -> None:
    """Sum the reading over time and compare with what the counter gained: as it is, and with little of it."""
    t.ask_for_patience(SUMMED_S * NS_PER_S)
    t.alive(settle_ns)
    ended_counts = _summed(t, r, reading, counter, tolerance)
    follows = t.vow.document.points[reading].follows
    mover = t.vow.points[follows.setting] if follows is not None else None
    entry, level = t.vow.points[reading], t.setting(mover.name) if mover is not None else None
    if mover is None or not isinstance(level, int) or not t.settable_here(mover):
        return
    now = abs(t.read(reading)) * entry.number.step
    least = int(level * LITTLE * entry.range_error / now) + 1 if now else level
    if not t.bounds(mover)[0] <= least <= level // 2 or not t.allows(mover, least):
        return
    t.put(mover.name, least)
    t.alive(settle_ns + t.vow.document.trial.settle)
    _summed(t, r, reading, counter, tolerance, ended_counts)


LITTLE = 4
"""So many times its accuracy, a reading is little and yet known well enough to be summed."""


def _summed(
    t: Tester, r: Requirement, reading: str, counter: str, tolerance: Fraction, least: int | None = None
) -> int:
    """Sum the reading over time (trapezoids) and compare with what the counter gained; what it shows then.

    It begins with no less than `least`, what it was before.
    """
    entry, total = t.vow.points[reading], t.vow.points[counter]
    seconds = SUMMED_S if t.session.held else 4
    steps = 6
    began_counts, began_ns = t.read(counter), t.now_ns
    _not_less(r, total, began_counts, least)
    sum_steps = between = Fraction(0)
    last, last_ns = t.read(reading), t.now_ns
    halfway = began_counts
    for step in range(steps):
        MEANWHILE.get(step, Tester.alive)(t, seconds * NS_PER_S // steps)
        if step == steps // 2:
            halfway = t.read(counter)  # reading it changes nothing
        now, now_ns = t.read(reading), t.now_ns
        sum_steps += Fraction(now + last, 2) * entry.number.step * Fraction(now_ns - last_ns, NS_PER_S)
        # Between the two it may have been either: heat can hold it back at first.
        between += Fraction(abs(now - last), 2) * entry.number.step * Fraction(now_ns - last_ns, NS_PER_S)
        last, last_ns = now, now_ns
    ended_counts = t.read(counter)
    if sum_steps > 0:
        _not_less(r, total, ended_counts, halfway)
    gained = (ended_counts - began_counts) * total.number.step * Fraction(total.si / float(total.number.step))
    span = Fraction(t.now_ns - began_ns, NS_PER_S)
    # Half a step of the counter at either end, the reading's accuracy all along, a sample period of delay.
    unit = Fraction(total.si / float(total.number.step))
    unsure = total.number.step * unit + between
    unsure += span * (entry.range_error + abs(Fraction(last)) * entry.number.step * entry.reading_error)
    unsure += abs(last * entry.number.step) * Fraction(entry.period_ns + total.period_ns, NS_PER_S) * 2
    if not t.session.held:
        unsure += abs(last * entry.number.step) * Fraction(2 * HOST_SLACK_NS, NS_PER_S)
    slack = tolerance * abs(sum_steps) + unsure
    t.measured.setdefault(
        r.id,
        f"{counter} gained {float(gained / unit):.4g} {total.number.unit} in {float(span):.3g} s; our own sum"
        f" of {steps + 1} readings is {float(sum_steps / unit):.4g} within {float(unsure / unit):.2g}",
    )
    allowed = Kept(
        f"the error of {counter}",
        tolerance * abs(sum_steps) / unit,
        abs(gained - sum_steps) / unit,
        unsure / unit,
        total.number.unit,
    )
    t.shown(r.id, allowed)
    if abs(gained - sum_steps) > slack:
        due = f"{counter} gains {float(sum_steps / unit):.5g} within {float(slack / unit):.2g}"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", f"gained {float(gained / unit):.5g}")
    t.keep(r.id)
    return ended_counts


def _begun_at_last(t: Tester, ns: int) -> None:
    """Let time pass, at the end of it with a line that has begun."""
    t.alive(ns - BEGUN_NS)
    t.alive_in_parts(min(ns, BEGUN_NS))


BEGUN_NS = 4 * NS_PER_S
"""So long a line waits for its end while a counter of time runs."""
SUMMED_S = 58
"""No round time, so that a counter in coarse steps is not right by chance."""


def _not_less(r: Requirement, total: PointEntry, counts: int, least: int | None) -> None:
    if least is not None and counts < least:
        due = f"{total.name} at least {' '.join(total.words(least))}, what it was before"
        raise Broken(Judgement(False, r.id, due), f"ask {total.name}", " ".join(total.words(counts)))


def _elapses(t: Tester, r: Requirement, counter: str, tolerance: Fraction) -> None:
    """What a counter of time gains, against our own clock: with the settings of a trial, and the least."""
    # Half a second more, so that whole seconds are not right by chance.
    span_ns = (60 if t.session.held else 4) * NS_PER_S + NS_PER_S // 2
    _gains(t, r, counter, tolerance, span_ns, _begun_at_last)
    for name in t.vow.document.trial.put:
        entry = t.vow.points[name]
        if entry.scale is not None and t.settable_here(entry) and t.allows(entry, t.bounds(entry)[0]):
            t.put(name, t.bounds(entry)[0])
    _gains(t, r, counter, tolerance, 4 * NS_PER_S, unheard)


def _gains(
    t: Tester, r: Requirement, counter: str, tolerance: Fraction, ns: int, work: Callable[[Tester, int], None]
) -> None:
    entry = t.vow.points[counter]
    t.alive(2 * entry.period_ns)
    began_ns, before = t.now_ns, t.read(counter)
    work(t, ns)
    after, ended_ns = t.read(counter), t.now_ns
    gained, span = (after - before) * entry.number.step, Fraction(ended_ns - began_ns, NS_PER_S)
    # A step at either end, the age of the samples, and how late the host was.
    unsure = 2 * entry.number.step + Fraction(entry.period_ns, NS_PER_S)
    unsure += Fraction(0 if t.session.held else 2 * HOST_SLACK_NS, NS_PER_S)
    slack = unsure + span * (tolerance + Fraction(1, CLOCK_PARTS))
    seen = f"gained {float(gained):g} s"
    t.measured.setdefault(r.id, f"{counter} {seen} in {float(span):.3f} s, within {float(unsure):.2g} s")
    allowed = span * (tolerance + Fraction(1, CLOCK_PARTS))
    t.shown(r.id, Kept(f"the error of {counter}", allowed, abs(gained - span), unsure, "s"))
    if abs(gained - span) > slack:
        due = f"{counter} gains {float(span):.3f} s within {float(slack):.2g} s"
        raise Broken(Judgement(False, r.id, due), f"ask {counter}", seen)
    t.keep(r.id)


WARMING = 8
"""So often a reading is looked at while another rises."""


def _never_falls(t: Tester, r: Requirement, falls: str, rises: str) -> None:
    event = None
    for name, declared in t.declared.items():
        if (
            rises in declared.moves
            and name in t.events
            and declared.base is not None
            and declared.other is not None
        ):
            event = name
            break
    if event is None or not t.session.held:
        raise NotSelected(f"no bench event is known to move {rises} (`moves`), or the clock cannot be held")
    declared = t.declared[event]
    t.bench(event, declared.other if declared.other is not None else Decimal(0))
    last: tuple[int, int] | None = None
    for _ in range(WARMING):
        t.alive(declared.moves[rises] // WARMING)
        now = t.read(rises), t.read(falls)
        if last is not None and now[0] >= last[0] and now[1] < last[1]:
            entry = t.vow.points[falls]
            due = f"{falls} at least {' '.join(entry.words(last[1]))}"
            raise Broken(Judgement(False, r.id, due), f"ask {falls}", " ".join(entry.words(now[1])))
        last = now
    t.keep(r.id)


# ------------------------------------------------------------------------------------------------- records


@purpose("record", "layout", 2)
def record_layout(t: Tester, r: Requirement) -> None:
    record = t.vow.document.records[r.element]
    entry = answered_by(t, r.element)
    if entry is None:
        raise NotSelected("no point answers its parts")
    has_series = any(field.count > 1 for field in record.fields)
    if has_series:
        action = filled_by(t, r.element)
        if action is None:
            raise NotSelected("no action fills it")
        t.prepare()
        t.goto(target_state(t, action))
        before_series(t, record)
        do(t, action)
    else:
        # What it shows are the settings in force, not those of some moment before.
        record_fields(t, entry.name, record)
        for field in record.fields:
            point = t.vow.points.get(str(field.value))
            if point is not None and point.source == "setting" and t.settable_here(point):
                with suppress(NotSelected):
                    t.put(point.name, other_value(t, point))
    parsed = record_fields(t, entry.name, record)
    for field in record.fields:
        if isinstance(field.value, int):
            _same(t, r, field.name, parsed[field.name], field.value)
        elif field.count == 1:
            point = t.vow.points[field.value]
            value = t.oracle.twin.value(point, t.now_ns) if point.source != "signal" else None
            if value is not None:
                _same(
                    t,
                    r,
                    field.name,
                    parsed[field.name],
                    value if isinstance(value, int) else point.choices.index(value),
                )
        else:
            point = t.vow.points[field.value]
            if point.source == "signal":
                plausible(t, r, field.name, parsed[field.name], point.name)
    if entry in images(t):
        _tell_apart(t, entry, record)


def _tell_apart(t: Tester, entry: PointEntry, record: Record) -> None:
    """Words of several settings are numbered alike: no two of them have the same number in every look."""
    points = [t.vow.points[str(field.value)] for field in record.fields if not isinstance(field.value, int)]
    words = [point for point in points if point.scale is None and t.settable_here(point)]
    for look in range((len(words) - 1).bit_length() if words else 0):
        for index, point in enumerate(words):
            word = point.choices[index >> look & 1]
            if t.setting(point.name) != word and t.allows(point, word):
                t.put(point.name, word)
        ask_parts(t, entry)


def filled_by(t: Tester, record: str) -> ActionEntry | None:
    """The action that captures a record, if one does."""
    return t.vow.doing("capture", record)


def answered_by(t: Tester, record: str) -> PointEntry | None:
    """The point that answers the parts of a record, if one does."""
    return next((each for each in t.vow.points.values() if each.record == record), None)


def record_fields(t: Tester, name: str, record: Record) -> dict[str, int | list[int]]:
    """Ask all parts of a record and take it apart."""
    data = b""
    for index in range(part_count(t.vow, t.vow.points[name])):
        reply: Reply = t.say(f"ask {name} {index}")
        data += bytes.fromhex(reply.words[1])
    parsed = layout(record).parse(data)
    return {field.name: parsed[field.name] for field in record.fields}


def record_series(t: Tester, name: str, record: Record, field: RecordField) -> list[int]:
    """Ask the parts in which one series lies, and take it out of them."""
    size, data = part_bytes(t.vow, t.vow.points[name]), bytearray(record_bytes(record))
    before = record.fields[: record.fields.index(field)]
    begins = sum(FIELD_BYTES[each.type] * each.count for each in before)
    ends = begins + FIELD_BYTES[field.type] * field.count
    for index in range(begins // size, -(-ends // size)):
        part = bytes.fromhex(t.say(f"ask {name} {index}").words[1])
        data[index * size : index * size + len(part)] = part
    return list(layout(record).parse(bytes(data))[field.name])


def _same(t: Tester, r: Requirement, field: str, seen: object, due: object) -> None:
    if seen != due:
        raise Broken(Judgement(False, r.id, f"field {field} is {due}"), "", f"{seen}")
    t.keep(r.id)


def before_series(t: Tester, record: Record) -> None:
    """Wait until the readings show what a series will be taken of: the bench may just have been turned."""
    periods = [t.vow.points[str(each.value)].period_ns for each in record.fields if each.count > 1]
    t.alive(max(t.vow.document.trial.settle, *periods))


def plausible(t: Tester, r: Requirement, field: str, series: object, name: str) -> None:
    """A series of a steady reading is about what the reading shows now."""
    assert not isinstance(series, int)
    values = list(series)  # type: ignore[call-overload]
    entry = t.vow.points[name]
    now = t.read(name)
    width = 4 * entry.range_error / entry.number.step + abs(now) * 4 * entry.reading_error + 10
    if any(abs(value - now) > width for value in values):
        raise Broken(
            Judgement(False, r.id, f"field {field} about {now}"), "", f"{min(values)} to {max(values)}"
        )


@purpose("promise", "", 2)
def quiet(t: Tester, r: Requirement) -> None:
    if r.element == "quiet":
        t.quiet()
        if t.session.held:
            t.wait(5 * NS_PER_S)
        t.quiet()
        t.keep(r.id)


@purpose("promise", "", 4)
def promise_in_words(t: Tester, r: Requirement) -> None:
    if r.element == "quiet":
        return  # `quiet` has looked
    work = PROMISES.get(r.element)
    if work is None:
        raise NotSelected("a promise in words only: there is no check for it")
    work(t, r)


PROMISES: dict[str, Callable[[Tester, Requirement], None]] = {}
"""Checks for promises in words, by id; a project enters its own here."""
