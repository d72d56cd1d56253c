"""Purposes about heat: derating and the fan."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from wirevow.protocol.conformance.bracket import Bracket, needed
from wirevow.protocol.conformance.gate import DRY, NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.looking import (
    numbers,
)
from wirevow.protocol.conformance.purposes.meanwhile import at_the_panel, unheard
from wirevow.protocol.conformance.purposes.operating import arrive
from wirevow.protocol.conformance.purposes.points import at_rest
from wirevow.protocol.conformance.purposes.readings import is_what_it_follows, share_left
from wirevow.protocol.conformance.purposes.states import alternate_seldom
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.model import Derating, Fan, Provoke
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry


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
