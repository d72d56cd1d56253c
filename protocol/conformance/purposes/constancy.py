"""Purposes about what stays as it is: settings and what has been counted, whatever is done besides."""

from __future__ import annotations

from contextlib import suppress

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import purpose
from wirevow.protocol.conformance.purposes.counters import COUNTED_S, running, zeroes
from wirevow.protocol.conformance.purposes.images import images, look_at_settings
from wirevow.protocol.conformance.purposes.points import move_all
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.record import span_ns
from wirevow.protocol.vow import ActionEntry, PointEntry, record_of

LOOK_EVERY = 7
"""Settings are looked at after so many actions, and at the end."""
SOME = 2
"""So many of the settings that have a state of their own are moved."""
CLEARLY_NS = 1_000_000
"""What is complete at an instant is so without a doubt this much later."""
MEANT = frozenset({"defaults", "recall", "put", "copy", "save", "reboot"})
"""Effects on settings, or on all there is: they have purposes of their own."""


def captured_ns(t: Tester, action: ActionEntry) -> int:
    """How long after an action all that it captures is complete; nothing if it captures nothing."""
    spans = [span_ns(t.vow.document.records[what]) for kind, what in action.does if kind == "capture"]
    return max(spans) + (CLEARLY_NS if t.session.held else HOST_SLACK_NS) if spans else 0


@purpose("action", "effect", 3)
def settings_stay(t: Tester, r: Requirement) -> None:
    """Once for all actions: with all settings moved, and something counted, every action is done in every
    state that allows it.
    """
    left = {
        (action.name, state)
        for action in t.vow.actions.values()
        if not MEANT.intersection(kind for kind, _ in action.does)
        for state in action.to
        if t.may_enter(state)
    }
    if "settings stay" in t.done or r.element not in {name for name, _ in left}:
        return
    t.done.add("settings stay")
    counter = _counted(t)
    t.home()
    beside = [entry for entry in t.vow.settings if not t.settable_here(entry)]
    some = t.random.sample(beside, min(SOME, len(beside)))
    moved = move_all(t, [entry for entry in t.vow.settings if entry not in beside or entry in some])
    # Guards may look at some of them: these are as they were, so that they are open.
    guards = [action.guard for action in t.vow.actions.values() if action.guard is not None]
    looked_at = {name for guard in guards for name in guard.names}
    t.goto(t.vow.initial)
    for entry in moved:
        if entry.name in looked_at:
            t.put(entry.name, entry.default)
    done, settled = 0, False
    never: NotSelected | None = None
    late = {each for each in left if zeroes(t, each[0])}
    left -= late
    while left or late:
        if not left:
            left, late = late, set()
        here = sorted(name for name, state in left if state == t.state)
        if not here and not _go_on(t, left):
            left.clear()
        if not here:
            settled = False
            continue
        # What stays comes first, then what leads furthest.
        name = min(here, key=lambda each: _order(t, t.vow.actions[each], left))
        left.remove((name, t.state))
        t.trying = f"action.{name}.effect"  # or one of the few before it
        before = 0
        if counter is not None and not zeroes(t, name):
            if not settled and not t.vow.states[t.state].energised:
                t.alive(2 * t.vow.points[counter].period_ns)  # the way may have zeroed it
                settled = True
            before = t.read(counter) if settled else 0
        try:
            if t.vow.actions[name].takes_ticket is not None:
                t.with_ticket(name)
            else:
                t.act(name)
        except NotSelected as why:
            if name == r.element:
                never = why
        t.alive(captured_ns(t, t.vow.actions[name]))
        if counter is not None:
            _not_less(t, name, t.vow.points[counter], before)
            settled = True
        done += 1
        if done % LOOK_EVERY == 0:
            look_at_settings(t)
    look_at_settings(t)
    shown = {str(field.value) for entry in images(t) for field in record_of(t.vow, entry).fields}
    for entry in moved:
        if entry.name not in shown:
            t.ask(entry.name)
    t.trying = r.id
    for entry in t.vow.points.values():
        if entry.system in ("captures", "saves"):
            t.ask(entry.name)
    if never is not None:
        raise never  # the others are none of this one's


def _order(t: Tester, action: ActionEntry, left: set[tuple[str, str]]) -> tuple[bool, bool, int, str]:
    to = action.to[t.state]
    more = sum(state == to for _, state in left)
    return to != t.state, action.always, -more, action.name


def _counted(t: Tester) -> str | None:
    """A counter that some action zeroes, above zero where the document says that it runs."""
    zeroed = {name for action in t.vow.actions for name in zeroes(t, action)}
    found = running(t, zeroed)
    if found is None or not t.may_enter(found[1]):
        return None
    with suppress(NotSelected, Doubtful):
        t.prepare()
        t.goto(found[1])
        t.alive((COUNTED_S if t.session.held else 2) * NS_PER_S)
        return found[0]
    return None


def _not_less(t: Tester, action: str, entry: PointEntry, before: int) -> None:
    t.alive(2 * entry.period_ns)
    after = t.read(entry.name)
    if after < before:
        due = f"{entry.name} at least {' '.join(entry.words(before))}: {action} does not zero it"
        judgement = Judgement(False, f"action.{action}.effect", due)
        raise Broken(judgement, f"ask {entry.name}", " ".join(entry.words(after)))


def _go_on(t: Tester, left: set[tuple[str, str]]) -> bool:
    """Go to the nearest state in which something is left; what cannot be reached is struck out."""
    ways = []
    for state in sorted({state for _, state in left}):
        with suppress(NotSelected):
            ways.append((len(t.route(state)), state))
    if not ways:
        return False
    state = min(ways)[1]
    try:
        t.goto(state)
    except (NotSelected, Doubtful):
        left.difference_update({each for each in left if each[1] == state})
    t.restore_bench()
    return True
