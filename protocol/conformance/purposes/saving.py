"""Purposes about the store: a save is whole whenever the supply fails, and what comes back is in force."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Doubtful
from wirevow.protocol.conformance.plain import HOST_SLACK_NS
from wirevow.protocol.conformance.purposes import TOUR, purpose
from wirevow.protocol.conformance.purposes.laws import PROMISES
from wirevow.protocol.conformance.purposes.looking import target_state
from wirevow.protocol.conformance.purposes.points import (
    SLOW_NS,
    boots,
    doing,
    enable,
    has_moved,
    move_all,
    other_value,
    restart,
)
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.device import NS_PER_S
from wirevow.protocol.document.requirements import Requirement
from wirevow.protocol.message import Request
from wirevow.protocol.oracle import Judgement
from wirevow.protocol.vow import PointEntry, Value

WHOLE = "promise.saves_are_whole"
CUTS_NS = (0, 300_000, 1_000_000, 5_000_000, 40_000_000, 200_000_000)
"""After the request to save. A byte takes a small store a few milliseconds (common practice, no source)."""
FINE_NS = 20_000
"""On a held clock cuts come closer and closer to the moment of a save, to this."""
MOVED = 6
"""Settings that differ between before and after, spread over all that are saved."""
QUICK_NS = NS_PER_S
"""What follows within this follows quickly."""
WIDTHS = (8, 16, 32)
"""Bits of the cells that numbers are kept in (common practice, no source)."""


@purpose("point", "saved", TOUR)
def like_empty_cells(t: Tester, r: Requirement) -> None:
    """Once for all: a number whose bits are all ones, or none, is saved and comes back as any other does."""
    save = doing(t, "save")
    if "like empty cells" in t.done or save is None:
        return
    boots(t)
    t.done.add("like empty cells")
    with_nothing_saved(t)
    kept = []
    # Of numbers that are alike the last.
    alike = {each.number: each for each in t.vow.settings if each.saved and each.scale is not None}
    for entry in sorted(alike.values(), key=lambda each: not t.settable_here(each)):
        with suppress(NotSelected):
            enable(t, entry)
            value = _like_empty(t, entry)
            if value is not None and t.put(entry.name, value).ok:
                kept.append(entry)
    if not kept:
        return
    act_there(t, save)
    restart(t)
    with t.blaming("saved"):
        for entry in kept:
            t.ask(entry.name)
    t.home()
    act_there(t, save)


def with_nothing_saved(t: Tester) -> None:
    """While the store is empty: what was put is gone after a boot, and the defaults are brought back.

    Only the first purpose that saves finds it so.
    """
    numbers = (each for each in t.vow.settings if each.saved and each.scale is not None)
    here = [each for each in numbers if t.settable_here(each)]
    if t.oracle.twin.store.settings or not here:
        return
    entry = t.random.choice(here)
    t.put(entry.name, other_value(t, entry))
    boots(t)[-1]()
    with t.blaming("default"):
        t.ask(entry.name)
    recall = doing(t, "recall")
    if recall is not None and t.state in t.vow.actions[recall].to:
        t.put(entry.name, other_value(t, entry))
        t.trying, trying = f"action.{recall}.effect", t.trying
        t.act(recall)
        t.ask(entry.name)
        t.trying = trying


def act_there(t: Tester, name: str) -> None:
    """Do an action where it is allowed."""
    t.goto(target_state(t, t.vow.actions[name]))
    t.act(name)


def _like_empty(t: Tester, entry: PointEntry) -> int | None:
    """A value that may be put, of all ones or of zeros in the narrowest cell that holds its range."""
    low, high = t.bounds(entry)
    width = next((each for each in WIDTHS if 1 << each > entry.number.high), WIDTHS[-1])
    ones = -1 if entry.number.low < 0 else (1 << width) - 1
    values = (each for each in (ones, 0) if low <= each <= high and t.allows(entry, each))
    return next((each for each in values if each != entry.default), None)


@purpose("point", "saved", 1)
def saved_is_in_force(t: Tester, r: Requirement) -> None:
    """Once for all: what drives something, and can be put in other states only, acts after a boot as before.

    No relation of the document may tell what it does; but what is read at work stays what it was.
    """
    save = doing(t, "save")
    own = [e for e in t.vow.settings if e.saved and e.drives is not None and not t.settable_here(e)]
    if "saved is in force" in t.done or save is None or not own or t.gate is not None:
        return
    boots(t)
    t.done.add("saved is in force")
    t.prepare()
    if not move_all(t, own):
        return
    t.goto(t.vow.initial)
    act_there(t, save)
    with suppress(Doubtful):  # what they move may be what a protection watches
        rest = _readings(t)
        before = _at_work(t)
        # Where it works, if there are hands for that: then nothing is driven any more.
        ways = [each for each in boots(t) if each in (t.power_cycle, t.reset)]
        if ways:
            ways[-1]()
        else:
            t.safe()
            restart(t)
        rests = _readings(t)
        _as_before(t, r.id, before, _at_work(t), "what is saved is in force")
        _as_before(t, f"state.{t.vow.initial}.reachable", rest, rests, "nothing is driven")
    t.home()
    act_there(t, save)


@purpose("trip", "fires", 3)
def watched_by_what_came_back(t: Tester, r: Requirement) -> None:
    """A boot brings other settings, and what a protection watches is held against those from then on."""
    trip, provoke = t.vow.trips[r.element], t.vow.document.trips[r.element].provoke
    if provoke is None or not provoke.bench or provoke.silence or provoke.within > QUICK_NS:
        return
    here = all(t.settable_here(t.vow.points[name]) for name in provoke.put)
    if not here or not trip.when.names & provoke.put.keys() or t.vow.initial not in trip.armed_in:
        return
    if any(event not in t.events for event in provoke.bench):
        raise NotSelected("needs a rig that can make its cause happen")
    t.settings(provoke.put)
    boots(t)[-1]()
    for event, value in provoke.bench.items():
        t.bench(event, value)
    t.alive(provoke.within)
    t.ask("self.state")
    t.relieve(provoke)


@purpose("point", "default", 2)
def drives_no_more(t: Tester, r: Requirement) -> None:
    """Once for all: what is not saved drives nothing after a boot, nor what is set to its default, and what
    follows it is where it was."""
    if "drives no more" in t.done:
        return
    t.done.add("drives no more")
    for name, point in t.vow.document.points.items():
        entry, follows = t.vow.points[name], point.follows
        if follows is None or t.vow.states[follows.state].energised or follows.state != t.vow.initial:
            continue
        if t.vow.points[follows.setting].saved or (not t.session.held and follows.within > SLOW_NS):
            continue
        wait_ns = max(follows.within, entry.period_ns) + (0 if t.session.held else HOST_SLACK_NS)
        slowest_ns = max((ns for each in t.declared.values() for ns in each.moves.values()), default=0)
        # What drove it before drives it no more, heat that an earlier purpose has left, say.
        t.alive(max(wait_ns, slowest_ns) if t.session.held else wait_ns)
        before = t.read(entry.name)
        defaults = doing(t, "defaults")
        for about, back in (
            (f"point.{follows.setting}.default", boots(t)[-1]),
            (f"action.{defaults}.effect", None if defaults is None else partial(act_there, t, defaults)),
        ):
            if back is None:
                continue
            t.settings({**follows.put, follows.setting: follows.to})
            t.alive(wait_ns)
            driven = t.read(entry.name)
            back()
            t.alive(wait_ns)
            after = t.read(entry.name)
            # Something else, such as heat, may drive it too, and may have changed meanwhile.
            if has_moved(entry, before, driven) and not has_moved(entry, driven, after):
                due = f"not {' '.join(entry.words(driven))}: {follows.setting} is {follows.to} no more"
                raise Broken(Judgement(False, about, due), f"ask {entry.name}", " ".join(entry.words(after)))
            before = after  # what is broken here may have driven it all along
        return


def _as_before(t: Tester, about: str, before: dict[str, int], after: dict[str, int], why: str) -> None:
    for name, counts in before.items():
        entry = t.vow.points[name]
        if has_moved(entry, counts, after[name]):
            due = f"about {' '.join(entry.words(counts))}, as before the boot: {why}"
            raise Broken(Judgement(False, about, due), f"ask {name}", " ".join(entry.words(after[name])))


def _at_work(t: Tester) -> dict[str, int]:
    """What is read where power is handled, if these hands may."""
    states = [state.name for state in t.vow.states.values() if state.energised and t.energise]
    if states:
        t.goto(states[0])
    return _readings(t)


def _readings(t: Tester) -> dict[str, int]:
    """What is read to some accuracy, once it has settled."""
    readings = [entry for entry in t.vow.points.values() if entry.source == "signal" and _quick(t, entry)]
    t.alive(t.vow.document.trial.settle + max((entry.period_ns for entry in readings), default=0))
    return {entry.name: t.read(entry.name) for entry in readings}


def _quick(t: Tester, entry: PointEntry) -> bool:
    """Whether the document says that it follows something at once, and so rests as soon as that does."""
    follows = t.vow.document.points[entry.name].follows
    times = [each.moves[entry.name] for each in t.declared.values() if entry.name in each.moves]
    times += [follows.within] if follows is not None and t.vow.states[follows.state].energised else []
    return bool(times and entry.range_error) and max(times) < QUICK_NS


@dataclass(frozen=True, slots=True)
class Cuts:
    """Cuts of the supply while it saves. NotSelected: nothing saves, or there is no hand on the supply."""

    t: Tester
    requirement: str
    save: str
    saved: list[PointEntry]
    moved: list[PointEntry]

    @classmethod
    def begun(cls, t: Tester, requirement: str) -> Cuts:
        """What is in force is saved before the first of them."""
        t.need("power")
        save = doing(t, "save")
        if save is None or t.vow.initial not in t.vow.actions[save].to:
            raise NotSelected(f"no action saves in state {t.vow.initial}")
        saved = [entry for entry in t.vow.settings if entry.saved]
        moved = [entry for entry in _spread(saved) if t.settable_here(entry)]
        if len(moved) < 2:
            raise NotSelected("needs at least two saved settings")
        t.act(save)
        return cls(t, requirement, save, saved, moved)

    def cut(self, after_ns: int, steps: int | None = None) -> bool:
        """Cut it so soon after the request: whether all is as saved then. Broken: nor as before."""
        t = self.t
        before = _values(t, self.saved)
        for entry in self.moved:
            with suppress(NotSelected):
                t.put(entry.name, other_value(t, entry))
        after = _values(t, self.saved)
        t.cut_short(Request(t.new_tag(), "act", self.save, (), t.guard).line(), after_ns, steps)
        sent = f"act {self.save}, and no supply {after_ns / 1e6:g} ms later"
        sent += "" if steps is None else f", or after {steps} steps of it"
        return _look(t, self.requirement, sent, before, after)

    def end(self) -> None:
        """The defaults are saved again, as they were."""
        self.t.home()
        self.t.act(self.save)


def saves_are_whole(t: Tester, r: Requirement) -> None:
    """Save, and cut the supply at once: what is there afterwards was there before, or is what was saved."""
    saves = Cuts.begun(t, r.id)
    early: int | None = None
    late: int | None = None
    cuts = list(CUTS_NS)
    while cuts:
        cut_ns = cuts.pop(0)
        if saves.cut(cut_ns):
            late = cut_ns if late is None else min(late, cut_ns)
        else:
            early = cut_ns if early is None else max(early, cut_ns)
        if not cuts and t.session.held and late is not None and early is not None and late - early > FINE_NS:
            cuts.append((early + late) // 2)
    saves.end()
    if not t.session.held:
        raise NotSelected(
            "no cut is known to have fallen inside a save; a rig that holds the clock shows more"
        )
    if late is None:
        raise NotSelected(
            f"no save was complete {CUTS_NS[-1] / 1e6:g} ms after its request; later cuts would show more"
        )
    if early is None:
        t.measured[r.id] = "cut at once, it was complete: it takes no time that could be cut into"
    else:
        t.measured[r.id] = (
            f"whole: as before up to {early / 1e6:.2f} ms after the request, as saved from"
            f" {late / 1e6:.2f} ms on"
        )
    t.keep(r.id)


def _spread(entries: list[PointEntry]) -> list[PointEntry]:
    """So many of them, the first and the last among them."""
    count = min(MOVED, len(entries))
    return [entries[index * (len(entries) - 1) // max(1, count - 1)] for index in range(count)]


def _values(t: Tester, entries: list[PointEntry]) -> dict[str, Value]:
    return {entry.name: t.setting(entry.name) for entry in entries}


def _look(t: Tester, requirement: str, sent: str, before: dict[str, Value], after: dict[str, Value]) -> bool:
    """Whether all is as saved. The boot has shown what is saved (`Tester.cut_short`)."""
    now = {name: t.setting(name) for name in before}
    if now in (before, after):
        return now == after
    old = [name for name in now if now[name] == before[name] != after[name]]
    new = [name for name in now if now[name] == after[name] != before[name]]
    other = [name for name in now if now[name] not in (before[name], after[name])]
    parts = (("as before", old), ("as saved", new), ("neither", other))
    seen = "; ".join(f"{what}: {', '.join(names)}" for what, names in parts if names)
    raise Broken(Judgement(False, requirement, "all settings as before, or all as saved"), sent, seen)


PROMISES[WHOLE.partition(".")[2]] = saves_are_whole
