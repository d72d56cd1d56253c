"""Purposes about points: what can be asked and put."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from fractions import Fraction

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.images import see_settings
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.expression import Expression, ExpressionError
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.quantity import MOST_DIGITS
from wirevow.protocol.vow import PointEntry, Value, part_count


def entry_of(t: Tester, r: Requirement) -> PointEntry:
    """The point that the requirement is about."""
    return t.vow.points[r.element]


def enable(t: Tester, entry: PointEntry) -> None:
    """Go where the setting can be put."""
    if entry.set_in is not None and t.state not in entry.set_in:
        t.goto(_nearest(t, entry.set_in))


def _nearest(t: Tester, states: frozenset[str]) -> str:
    quiet = [each for each in t.vow.states if each in states and not t.vow.states[each].energised]
    quiet.sort(key=t.may_enter, reverse=True)
    return t.vow.initial if t.vow.initial in states else (quiet or sorted(states))[0]


def _roomiest(t: Tester) -> str:
    """The state, of those that handle no power, in which most settings can be put."""
    quiet = [state.name for state in t.vow.states.values() if not state.energised and t.may_enter(state.name)]
    return max(quiet, key=lambda name: sum(e.set_in is None or name in e.set_in for e in t.vow.settings))


def visited(t: Tester, states: Iterable[str]) -> bool:
    """Whether all of these states that these hands may use have been visited (`states.reachable`)."""
    return all(f"visited {state}" in t.done for state in states if t.may_enter(state))


def other_value(t: Tester, entry: PointEntry) -> Value:
    """A value in force now that differs from the present one."""
    present = t.setting(entry.name)
    if entry.scale is None:
        return next(choice for choice in entry.choices if choice != present)
    low, high = t.room(entry)
    for counts in ((low + high) // 2, low, high):
        if counts != present:
            return counts
    raise NotSelected(f"{entry.name} can only be {present} here")


LOOKS_AT_SLOW = 16
"""Into so many parts the time is cut in which a slow reading follows: it may have done so sooner."""
SLOW_NS = 2_000_000_000
"""What takes longer to follow is slow."""
FEW = 6
"""Settings that are asked where all of them have been."""
TRIES = 200
"""So many values of other settings are thought of, to find some that show most."""
SOME_LIMITED = 3
"""Settings whose limits are looked at after a boot."""
SHARE = 0.1
"""Part of the points that are tried in every way; one like them has been."""


@purpose("point", "readable", 3)
def readable(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    if entry.kind == "record":
        last = part_count(t.vow, entry) - 1
        for index in {0, last}:
            t.say(f"ask {entry.name} {index}")
        t.say(f"ask {entry.name} {last + 1}")
        t.say(f"ask {entry.name}")
        t.say(f"ask {entry.name} 0.0")
    elif not t.kept.get(r.id):
        t.ask(entry.name)
    t.keep(r.id)


@purpose("point", "text", 3)
def text(t: Tester, r: Requirement) -> None:
    """What every instrument has of its own is its own after a boot as well."""
    entry = entry_of(t, r)
    t.ask(entry.name)
    if "#" in " ".join(entry.text):
        restart(t)
        t.ask(entry.name)
    t.keep(r.id)


@purpose("point", "unit", 3)
def unit(t: Tester, r: Requirement) -> None:
    # Every right answer has had its unit and its digits.
    if not t.kept.get(f"point.{r.element}.readable"):
        t.ask(r.element, tag=False)
    t.keep(r.id)


@purpose("point", "access", 3)
def access(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    if not entry.settable:
        value = " ".join(entry.words(0 if entry.scale is not None else (entry.choices or ("x",))[0]))
        t.say(f"put {entry.name} {value}")
    # Names share one table: a part of them shows what the verbs do.
    if t.random.random() < SHARE:
        t.say(f"act {entry.name}")
        if f"{entry.name}x" not in t.vow.points:
            t.say(f"ask {entry.name}x")
        if entry.kind != "record":
            t.say(f"ask {entry.name} 1")
    t.keep(r.id)


@purpose("point", "default", 3)
def default(t: Tester, r: Requirement) -> None:
    """Once for all settings: the way home puts every default back; ask whether it did."""
    if "defaults" not in t.done:
        # The last one first: what one setting does to another shows in one of both orders (see `saved`).
        for entry in move_all(t, list(reversed(t.vow.settings))):
            t.ask(entry.name)
        t.home()
        with t.blaming("default"):
            for entry in t.vow.settings:
                t.ask(entry.name)
        t.done.add("defaults")
    t.keep(r.id)


def move_all(t: Tester, entries: Sequence[PointEntry]) -> list[PointEntry]:
    """Put these settings to other values, one after another; which could be moved."""
    moved: list[PointEntry] = []
    for entry in entries:
        with suppress(NotSelected):
            enable(t, entry)
            t.put(entry.name, _far_value(t, entry))
            moved.append(entry)
    return moved


def _far_value(t: Tester, entry: PointEntry) -> Value:
    """Another value that takes as many bits as most of its range does; of words the last."""
    if entry.scale is None:
        last = entry.choices[-1]
        return last if last != t.setting(entry.name) else other_value(t, entry)
    low, high = t.room(entry)
    far = low + (high - low) * (4 if low >= 0 else 1) // 5
    return far if far != t.setting(entry.name) else other_value(t, entry)


@purpose("point", "choices", 3)
def choices(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    if not entry.settable:
        t.ask(entry.name)
        return
    enable(t, entry)
    for choice in entry.choices[1:] + entry.choices[:1]:
        if entry.system == "guard":
            continue  # the guard has purposes of its own
        t.put(entry.name, choice)
        t.ask(entry.name)
    if entry.system == "notices":
        t.put(entry.name, "on")
    first = entry.choices[0]
    wrong = (first[:-1] or "x", first + first[-1], "0", "1", first.upper(), first.title(), f"{first} {first}")
    # What no choice has been tried with comes first.
    kinds = sorted(range(len(wrong)), key=lambda kind: (f"wrong choice {kind}" in t.done, t.random.random()))
    for kind in kinds[:4]:
        t.done.add(f"wrong choice {kind}")
        if wrong[kind] not in entry.choices:
            t.say(f"put {entry.name} {wrong[kind]}")
    t.say(f"put {entry.name}")
    t.ask(entry.name)


@purpose("point", "quantum", 3)
def quantum(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    kind = f"quantum {entry.number.unit} {entry.number.digits} {entry.number.low < 0}"
    if kind in t.done and t.random.random() > SHARE:
        # One like it has been worked through; its own value goes and comes in every other purpose.
        enable(t, entry)
        t.put(entry.name, other_value(t, entry))
        t.ask(entry.name)
        return
    t.done.add(kind)
    enable(t, entry)
    low, high = t.room(entry)
    middle = (low + high) // 2
    t.put(entry.name, t.random.randint(low, high))
    t.ask(entry.name)
    # Between two steps, checked because it takes more digits: half a step goes away from zero.
    for counts in dict.fromkeys((middle, low // 2, -1) if low < 0 else (middle,)):
        for share in (Fraction(1, 2), Fraction(2, 5)):
            shown = between(entry, counts + share)
            if shown and low <= counts < high:
                t.say(f"put {entry.name} {shown}", check=True)
                t.ask(entry.name)
    t.guard_off()
    t.say(f"put {entry.name}")


def between(entry: PointEntry, counts: Fraction) -> str:
    """A number of steps that is not whole, in as many digits as it takes; empty if that is too many."""
    scale = entry.number
    for digits in (scale.digits + 1, scale.digits + 2):
        number = counts * scale.step * 10**digits
        if number.denominator == 1:
            sign, whole = ("-" if number < 0 else ""), f"{abs(int(number)):0{digits + 1}d}"
            return f"{sign}{whole[:-digits]}.{whole[-digits:]}" if len(whole) <= 9 else ""
    return ""


@purpose("point", "bounds", 3)
def bounds(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    enable(t, entry)
    low, high = t.bounds(entry)
    kind = f"sign {entry.number.low > 0} {entry.number.low < 0}"
    if low > 0 and (kind not in t.done or t.random.random() < SHARE):
        # The step below the lowest has no sign: one that is not read would make this number allowed.
        t.done.add(kind)
        t.put(entry.name, -high)
    _edges(t, entry)


def _edges(t: Tester, entry: PointEntry, ends: Sequence[int] = (1, 0)) -> None:
    """Put what is just inside its limits, and then what is just outside."""
    bounds = t.bounds(entry)
    for counts in (*(bounds[end] for end in ends), *(bounds[end] + (-1, 1)[end] for end in reversed(ends))):
        if len(entry.number.text(counts).replace(".", "").replace("-", "")) <= MOST_DIGITS:
            t.put(entry.name, counts)
    t.ask(entry.name)


@purpose("point", "bounds", 2)
def limits_of_all_moved(t: Tester, r: Requirement) -> None:
    """Once for all limits that depend on others: all that is put is moved, and a refusal tells the limits."""
    if "limits of all moved" in t.done:
        return
    t.done.add("limits of all moved")
    depending = [entry for entry in t.vow.settings if _limiting(entry) and t.settable_here(entry)]
    limiting = {name for entry in depending for name in _limiting(entry)}
    for entry in t.vow.settings if depending else ():
        if not t.settable_here(entry):
            continue
        if entry.scale is None:
            t.put(entry.name, other_value(t, entry))
        elif entry.name in limiting:
            low, high = t.room(entry)
            t.put(entry.name, low + (high - low) * 2 // 3)
    for entry in depending:
        low, high = t.bounds(entry)
        t.put(entry.name, low - 1 if entry.high is None else high + 1)


@purpose("point", "bounds", 3)
def dependent_bounds(t: Tester, r: Requirement) -> None:
    """Limits that depend on other settings, with each of those moved, and between two steps."""
    entry = entry_of(t, r)
    limits = [(end, limit) for end, limit in enumerate((entry.low, entry.high)) if limit is not None]
    ends = [end for end, limit in limits if limit.names]
    _with_others_moved(t, entry, sorted(_limiting(entry)), ends)
    for end, limit in limits:
        if off_step(t, entry, limit):
            _edges(t, entry, [end])


def _limiting(entry: PointEntry) -> frozenset[str]:
    """The points that the limits of a setting depend on."""
    return frozenset(name for limit in (entry.low, entry.high) if limit is not None for name in limit.names)


def _with_others_moved(t: Tester, entry: PointEntry, names: Sequence[str], ends: Sequence[int]) -> None:
    last = max(_limiting(entry), default="")
    for name in names:
        t.home()
        other = t.vow.points[name]
        enable(t, other)
        for choice in t.vow.settings:
            # Limits are the same whatever the words are.
            if choice.scale is None and t.settable_here(choice) and name == last:
                t.put(choice.name, other_value(t, choice))
        low, high = t.room(other)
        third, present = low + (high - low) // 3, t.setting(name)
        t.put(name, third if third != present else high)
        enable(t, entry)
        _edges(t, entry, ends)


def moved_while_busy(t: Tester) -> None:
    """While the panel has control: what is put there moves the limits in force, and what is refused does not.

    One setting shows it, of those that depend on one at the panel if there are any.
    """
    here = [each for each in t.vow.settings if _limiting(each) and t.settable_here(each)]
    by_hand = {each.name for each in t.vow.settings if each.local and f"panel.{each.name}" in t.events}
    entry = next((each for each in here if _limiting(each) & by_hand), next(iter(here), None))
    if entry is None or t.gate is not None:
        return
    others = [t.vow.points[name] for name in sorted(_limiting(entry)) if name in t.oracle.twin.settings]
    refused = _moving(t, entry, [each for each in others if each.name not in by_hand], (1, 0))
    if refused is not None:
        t.put(*refused)
    turned = _moving(t, entry, [each for each in others if each.name in by_hand], (Fraction(1, 2), 1, 0))
    if turned is not None:
        t.panel(f"panel.{turned[0]}", turned[1])
    for limit, index, beyond in ((entry.low, 0, -1), (entry.high, 1, 1)):
        if limit is not None and limit.names:
            t.put(entry.name, t.bounds(entry)[index])
            t.put(entry.name, t.bounds(entry)[index] + beyond)


def _moving(
    t: Tester, entry: PointEntry, others: Sequence[PointEntry], shares: Sequence[Fraction | int]
) -> tuple[str, int] | None:
    """Another setting and a value, at one of these shares of what it may be, that moves the limits of one."""
    before, settings = t.bounds(entry), t.oracle.twin.settings
    for other in others:
        if other.scale is None or not t.settable_here(other):
            continue
        low, high = t.bounds(other)
        for share in shares:
            counts = low + int((high - low) * share)
            t.oracle.twin.settings = {**settings, other.name: counts}
            moved = t.bounds(entry) != before
            t.oracle.twin.settings = settings
            if moved:
                return other.name, counts
    return None


def off_step(t: Tester, entry: PointEntry, limit: Expression) -> bool:
    """Move the settings that a limit depends on so that it lies between two steps; whether they can be."""
    if "/" not in limit.text and "*" not in limit.text:
        return False
    t.home()
    points = [t.vow.points[name] for name in sorted(limit.names)]
    if not all(t.settable_here(each) for each in points):
        return False
    bounds = [t.room(each) for each in points]
    for _ in range(TRIES):
        counts = [t.random.randint(*each) for each in bounds]
        values = {each.name: each.exact(value) for each, value in zip(points, counts, strict=True)}
        if (limit.number(values) / entry.number.step).denominator != 1:
            for each, value in zip(points, counts, strict=True):
                t.put(each.name, value)
            return True
    return False


@purpose("point", "set_in", 4)
def set_in(t: Tester, r: Requirement) -> None:
    """Elsewhere it is refused: in each state that nothing else has visited, and, once for all settings of the
    same states, after each action that ends one of them.
    """
    entry = entry_of(t, r)
    own = entry.set_in
    assert own is not None
    ends: list[tuple[str, str]] = []
    if t.vow.initial not in own and f"locked again: {sorted(own)}" not in t.done:
        t.done.add(f"locked again: {sorted(own)}")
        ending = sorted(t.vow.actions.values(), key=lambda each: not each.always)
        ends = [(each.name, s) for each in ending for s in sorted(own) if each.to.get(s, s) not in own]
    others = [state for state in t.vow.states if state not in own and t.may_enter(state)]
    places = [*ends, *(() if visited(t, others) else (("", state) for state in others))]
    value = other_value(t, entry) if t.settable_here(entry) else entry.default
    for action, state in places:
        if not t.may_enter(state):
            continue
        with suppress(NotSelected):
            t.prepare()
            t.goto(state)
            if action:
                t.act(action)
            t.put(entry.name, value)
            t.ask(entry.name)
        t.home()
    if not others:
        raise NotSelected("no state in which it is refused can be reached")
    t.keep(r.id)


@purpose("point", "saved", 1)
def saved(t: Tester, r: Requirement) -> None:
    """Once for all saved settings, because a store wears out."""
    if "saved" in t.done:
        t.keep(r.id)
        return
    save = doing(t, "save")
    if save is None:
        raise NotSelected("no action saves")
    if "power" not in t.abilities and doing(t, "reboot") is None:
        raise NotSelected(
            t.unbooted
            or "nothing boots the instrument: no rig that can cut its power, no action that reboots"
        )
    with suppress(NotSelected):
        t.goto(_roomiest(t))
    here = [entry for entry in t.vow.settings if t.settable_here(entry)]
    moved = move_all(t, [*here, *(entry for entry in t.vow.settings if entry not in here)])
    _beyond_default_limits(t, moved)
    _dialled(t, moved)
    _go_to_act(t, save)
    for beside in t.vow.actions[save].to:
        if beside != t.vow.initial and not t.vow.states[beside].energised:
            with suppress(NotSelected):  # mostly it is done in the initial state
                t.goto(beside)
                break
    if "link.notices" in t.vow.points:
        t.say("put link.notices off")  # a switch of the session is no setting
    t.act(save)
    for entry in moved:
        if not entry.saved:
            t.ask(entry.name)  # a boot will not show what has become of it
    recall = doing(t, "recall")
    unsaved = [entry for entry in moved if not entry.saved]
    looked_at = t.vow.settings
    for again in boots(t):
        if recall is not None and t.state in t.vow.actions[recall].to:
            low = lowered(t) if looked_at is not t.vow.settings else None
            t.act(recall)  # what it brings back stays in the store
            if low is not None:
                with t.blaming("saved"):
                    t.ask(low.name)
        for entry in moved[:1]:
            enable(t, entry)
            t.put(entry.name, t.room(entry)[0] if entry.scale is not None else entry.default)
        lost = t.random.sample(unsaved, min(1, len(unsaved)))
        for entry in lost:
            enable(t, entry)
            t.put(entry.name, other_value(t, entry))
        again()
        see_settings(t, tuple(dict.fromkeys([*lost, *looked_at])), _after_a_boot)
        if looked_at is t.vow.settings:
            _beyond_what_came_back(t)
            if "link.notices" in t.vow.points:
                t.ask("link.notices")
        looked_at = tuple(t.random.sample(t.vow.settings, min(FEW, len(t.vow.settings))))
    # And a save of the defaults, so that the next boot is as the first.
    for entry in unsaved[:1]:
        enable(t, entry)
        t.put(entry.name, other_value(t, entry))
    t.home()
    see_settings(t, moved, lambda _: "default")
    _go_to_act(t, save)
    t.act(save)
    restart(t)
    see_settings(t, looked_at, _after_a_boot)
    t.done.add("saved")


def _dialled(t: Tester, moved: Sequence[PointEntry]) -> None:
    """One of them is put at the panel last: that is kept like any other."""
    for entry in moved:
        event = f"panel.{entry.name}"
        if not (entry.saved and entry.local and t.settable_here(entry) and event in t.events):
            continue
        value = other_value(t, entry)
        if t.gate is None and value != entry.default and t.may_turn("panel.control", "local"):
            t.panel("panel.control", "local")
            t.panel(event, value)
            t.panel("panel.control", "remote")
            return


def lowered(t: Tester) -> PointEntry | None:
    """Put a setting, and then what limits it, as low as they go: one that is saved as more, if any."""
    found: list[tuple[bool, PointEntry, PointEntry]] = []
    for entry in t.vow.settings:
        names = sorted(entry.high.names) if entry.high is not None and entry.saved else ()
        if entry.high is None or len(names) != 1 or not t.settable_here(entry):
            continue
        limiting = t.vow.points[names[0]]
        if t.settable_here(limiting):
            # Its own bounds may hang on the setting that it limits.
            least = entry.high.number({limiting.name: limiting.exact(limiting.number.low)})
            kept = entry.exact(t.oracle.twin.store.settings.get(entry.name, entry.default))
            found.append((isinstance(kept, Fraction) and kept > least, entry, limiting))
    if not found:
        return None
    _, entry, limiting = max(found, key=lambda each: each[0])
    t.put(entry.name, t.room(entry)[0])
    t.put(limiting.name, t.room(limiting)[0])
    return entry


def _after_a_boot(entry: PointEntry) -> str:
    return "saved" if entry.saved else "default"


def _beyond_default_limits(t: Tester, moved: Sequence[PointEntry]) -> None:
    """Put a setting to what only the others allow as they are now: it comes back together with them."""
    for entry in moved:
        if entry.high is not None and entry.saved and t.settable_here(entry):
            points = [t.vow.points[name] for name in sorted(entry.high.names)]
            limit = entry.high.number({each.name: each.exact(each.default) for each in points})
            high = t.room(entry)[1]
            if high * entry.number.step > limit:
                t.put(entry.name, high)
                return


def _beyond_what_came_back(t: Tester) -> None:
    """Limits that depend on what is saved are in force from the boot on."""
    depend = [each for each in t.vow.settings if any(t.vow.points[name].saved for name in _limiting(each))]
    depend = [each for each in depend if t.settable_here(each)]
    for entry in t.random.sample(depend, min(SOME_LIMITED, len(depend))):
        low, high = t.bounds(entry)
        beyond = low - 1 if entry.high is None else high + 1
        if t.allows(entry, beyond):
            t.put(entry.name, beyond)


def _go_to_act(t: Tester, name: str) -> None:
    action = t.vow.actions[name]
    if t.state not in action.to:
        t.goto(_nearest(t, frozenset(action.to)))


def doing(t: Tester, effect: str) -> str | None:
    """The name of the first action with this effect, if there is one."""
    action = t.vow.doing(effect)
    return None if action is None else action.name


def boots(t: Tester) -> list[Callable[[], object]]:
    """Every way to boot the instrument that there is here, or NotSelected."""
    ways: list[Callable[[], object]] = []
    if "power" in t.abilities:
        ways.append(t.power_cycle)
    if "reset" in t.abilities:
        ways.append(t.reset)
    name = doing(t, "reboot")
    if name is not None:
        ways.append(lambda: _boot_by_action(t, name))
    if not ways:
        raise NotSelected(
            t.unbooted or "nothing boots the instrument: no rig that can, no action that reboots"
        )
    return ways


def _boot_by_action(t: Tester, name: str) -> None:
    _go_to_act(t, name)
    t.act(name)


def restart(t: Tester) -> None:
    """Boot the instrument: by its own supply where the rig can, else by its own action."""
    name = doing(t, "reboot")
    if "power" in t.abilities:
        t.power_cycle()
    elif name is not None:
        _boot_by_action(t, name)
    else:
        raise NotSelected(t.unbooted or "nothing boots the instrument")


@purpose("point", "fresh", 3)
def fresh(t: Tester, r: Requirement) -> None:
    """Turn the bench and see the reading follow in time."""
    entry = entry_of(t, r)
    for event, declared in t.declared.items():
        within_ns = declared.moves.get(entry.name)
        if within_ns is None or declared.other is None or declared.base is None:
            continue
        if not t.session.held and within_ns > SLOW_NS:
            continue
        slow = within_ns > SLOW_NS
        if slow:
            at_rest(t, entry, within_ns)  # what was before may still linger
        before = t.read(entry.name)
        t.bench(event, declared.other)
        for _ in range(LOOKS_AT_SLOW if slow else 1):
            t.alive(max(within_ns // (LOOKS_AT_SLOW if slow else 1), entry.period_ns))
            after = t.read(entry.name)
            if slow and has_moved(entry, before, after):
                break
        expect_moved(t, entry, before, after, f"{event} went from {declared.base} to {declared.other}")
        return
    follows = t.vow.document.points[entry.name].follows
    if follows is None:
        raise NotSelected("nothing is known to move it: no bench event (`moves`), no setting (`follows`)")
    if not t.may_enter(follows.state):
        raise NotSelected(t.barred(follows.state))
    t.settings({name: value for name, value in follows.put.items() if name != follows.setting})
    t.prepare()
    t.goto(follows.state)
    t.alive(t.vow.document.trial.settle)
    if t.session.held and not t.vow.states[follows.state].energised:
        for turned in t.declared.values():
            for name, within_ns in turned.moves.items():
                if within_ns > SLOW_NS:
                    at_rest(t, t.vow.points[name], within_ns)  # what other purposes did has died away
    before = t.read(entry.name)
    t.settings({follows.setting: follows.to})
    t.alive(max(follows.within, entry.period_ns) + (0 if t.session.held else HOST_SLACK_NS))
    after = t.read(entry.name)
    expect_moved(t, entry, before, after, f"{follows.setting} went to {follows.to}")


def at_rest(t: Tester, entry: PointEntry, within_ns: int) -> None:
    """Wait until a slow reading rests, at most for as long as it may move: all of that if time is cheap."""
    if t.session.held and not t.vow.states[t.state].energised:
        t.alive(within_ns)
        return
    last = t.read(entry.name)
    for _ in range(LOOKS_AT_SLOW):
        t.alive(within_ns // LOOKS_AT_SLOW)
        now = t.read(entry.name)
        if abs(now - last) <= 1:
            return
        last = now


def has_moved(entry: PointEntry, before: int, after: int) -> bool:
    """Whether a reading has left the neighbourhood of its old value."""
    scale = entry.number
    width = 2 * (entry.range_error + abs(before * scale.step) * entry.reading_error) + 2 * scale.step
    return abs(after - before) * scale.step > width


def expect_moved(t: Tester, entry: PointEntry, before: int, after: int, why: str) -> None:
    """The reading must have left the neighbourhood of its old value."""
    if not has_moved(entry, before, after):
        raise Broken(
            Judgement(False, f"point.{entry.name}.fresh", f"another value, for {why}"),
            f"ask {entry.name}",
            " ".join(("ok", *entry.words(after))),
        )


@purpose("point", "derived", 1)
def derived(t: Tester, r: Requirement) -> None:
    """With each setting it is made of moved, where it lies between two steps, and with all at either end."""
    entry = entry_of(t, r)
    assert entry.derived is not None
    t.ask(entry.name)
    settings = [t.vow.points[n] for n in sorted(entry.derived.names) if t.vow.points[n].source == "setting"]
    for point in settings:
        enable(t, point)
        t.put(point.name, other_value(t, point))
        t.ask(entry.name)
    for _ in range(2):
        for point, value in zip(settings, _rounded_up(t, entry, settings), strict=True):
            enable(t, point)
            t.put(point.name, value)
        t.ask(entry.name)
    if t.session.held and any(t.vow.points[name].source == "signal" for name in entry.derived.names):
        ask_computed(t, entry)
    for end in (0, 1):
        for point in settings:
            with suppress(NotSelected):  # an envelope may not let it
                enable(t, point)
                if point.scale is not None:
                    t.put(point.name, t.bounds(point)[end])
        ask_computed(t, entry)


def ask_computed(t: Tester, entry: PointEntry) -> None:
    """Ask a computed point. On a held clock the readings taken now are the ones it is made of."""
    assert entry.derived is not None
    measured = [name for name in sorted(entry.derived.names) if t.vow.points[name].source == "signal"]
    if t.session.held:
        t.oracle.twin.readings = {name: (t.read(name),) * 2 for name in measured}
    try:
        t.ask(entry.name)
    finally:
        t.oracle.twin.readings = {}


def _rounded_up(t: Tester, entry: PointEntry, settings: Sequence[PointEntry]) -> list[Value]:
    """Values of settings with which a computed point lies in the upper half of a step, if there are any."""
    chosen: list[Value] = []
    for _ in range(TRIES):
        chosen = [
            t.random.choice(each.choices) if each.scale is None else t.random.randint(*t.bounds(each))
            for each in settings
        ]
        values = {each.name: each.exact(value) for each, value in zip(settings, chosen, strict=True)}
        assert entry.derived is not None
        if values.keys() != entry.derived.names or any(isinstance(v, str) for v in values.values()):
            break
        try:
            share = entry.derived.number(values) / entry.number.step % 1
        except ExpressionError:
            continue
        if share >= Fraction(1, 2):
            break
    return chosen


@purpose("point", "local", 3)
def local(t: Tester, r: Requirement) -> None:
    entry = entry_of(t, r)
    t.need("bench")
    if f"panel.{entry.name}" not in t.events:
        raise NotSelected("needs a rig that can turn the front panel")
    # With its limits moved inwards, where they depend on other settings.
    for limit in (entry.low, entry.high):
        for name in sorted(limit.names if limit is not None else ()):
            other = t.vow.points[name]
            if t.settable_here(other):
                low, high = t.bounds(other)
                t.put(name, (low + high) // 2)
    t.panel("panel.control", "local")
    t.ask("panel.control")
    t.panel(f"panel.{entry.name}", other_value(t, entry))
    t.ask(entry.name)
    if entry.scale is not None:
        low, high = t.bounds(entry)
        # The panel stops at the limits, and says what it has set.
        for counts in (low - 1, high + 1):
            t.panel(f"panel.{entry.name}", counts)
            t.ask(entry.name)
    t.put(entry.name, entry.default)
    t.ask(entry.name)
    for action in t.vow.actions.values():
        if t.vow.initial in action.to and action.takes_ticket is None and ("reboot", "") not in action.does:
            t.act(action.name)
    t.panel("panel.control", "remote")
    t.put(entry.name, entry.default)
    t.ask(entry.name)
    with suppress(NotSelected):
        restart(t)  # what was set by hand has not been saved
        t.ask(entry.name)
