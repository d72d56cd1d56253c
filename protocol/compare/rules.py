"""What each difference means: one table, from the entry that differs to the rule that judges it.

For hosts written for the old document the grades are these. A *lawful* host uses only names of the old
document, and counts on nothing but what that document says is answered `ok`.

============  ======================================================================================
breaks        every lawful host that uses the element gets another answer
may break     a lawful host gets another answer under the condition that stands beside it
safe          no lawful host can tell
============  ======================================================================================

The bench has grades of its own: a protection acts *earlier* or *later*, or *otherwise* where neither is
proved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from wirevow.protocol.compare.changes import Change, text_of
from wirevow.protocol.document.model import Document, duration_text
from wirevow.protocol.expression import (
    Comparison,
    Expression,
    ExpressionError,
    Interval,
    Quantity,
    Word,
    parse,
    write,
)

Side = Literal["bench", "host", "store"]
Grade = Literal["breaks", "may break", "safe", "later", "otherwise", "earlier", "lost"]

BREAKS: Grade = "breaks"
MAY: Grade = "may break"
SAFE: Grade = "safe"


@dataclass(frozen=True, slots=True)
class Effect:
    """What a change means for one side: the grade, why, and under which condition if it has one.

    `aspect` is the side of the element whose requirement it bears on. `tries` are requests of a lawful host
    of which one is answered otherwise, each from the initial state; there are none where a state, a time or
    an event is needed.
    """

    side: Side
    grade: Grade
    reason: str
    condition: str = ""
    aspect: str = ""
    tries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Pair:
    """The two documents that are compared."""

    old: Document
    new: Document


Rule = Callable[[Pair, Change], Iterator[Effect]]


def effects(pair: Pair, change: Change) -> list[Effect]:
    """What a change means for every side that it touches; for hosts there always is an answer."""
    key = change.key or ("gone" if change.new is None else "come")
    places = ((change.section, key), ("*", key), (change.section, "*"))
    rule = next(RULES[place] for place in places if place in RULES)
    found = list(rule(pair, change))
    if not any(effect.side == "host" for effect in found):
        found.append(Effect("host", SAFE, "it is not on the wire"))
    return found


# ------------------------------------------------------------------------------------------ common rules


def _said(grade: Grade, reason: str, condition: str = "", aspect: str = "") -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield Effect("host", grade, reason, condition, aspect, _asking(change) if grade == BREAKS else ())

    return rule


def _ordered(worse: Literal["less", "more"], condition: str, aspect: str = "") -> Rule:
    """A number of which a host may need as much as the old document gives, or as little."""

    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        less = change.new < change.old
        if less == (worse == "less"):
            names = {"old": _amount(change, change.old), "new": _amount(change, change.new)}
            yield Effect("host", MAY, f"it is {'less' if less else 'more'} now", condition % names, aspect)
        else:
            reason = f"it is {'less' if less else 'more'} now, which no lawful host can need otherwise"
            yield Effect("host", SAFE, reason, aspect=aspect)

    return rule


DURATIONS = frozenset(
    {
        "reply_deadline",
        "idle_typing",
        "idle_checked",
        "opening.settle",
        "every",
        "after",
        "gives_ticket",
        "settle",
        "tick",
    }
)


def _amount(change: Change, value: Any) -> str:
    return duration_text(value) if change.key in DURATIONS and value is not None else text_of(value)


def _words(lost: str, gained: str | None, aspect: str) -> Rule:
    """A list of words: what losing some means, and what gaining some does (None: nothing)."""

    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        everything = list(pair.old.states)
        every_new = list(pair.new.states)
        old = everything if change.old is None else list(change.old)
        new = every_new if change.new is None else list(change.new)
        gone = [word for word in old if word not in new and word in (*every_new, *old)]
        come = [word for word in new if word not in old]
        if gone:
            yield Effect("host", MAY, f"no longer {_listed(gone)}", lost % _listed(gone), aspect)
        if come and gained is not None:
            yield Effect("host", MAY, f"new: {_listed(come)}", gained % _listed(come), aspect)
        elif come or not gone:
            what = f"new: {_listed(come)}" if come else "the order alone differs"
            yield Effect("host", SAFE, what, aspect=aspect)

    return rule


def _listed(words: list[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def _flag(on: Effect, off: Effect) -> Rule:
    """A truth value: what its coming means, and its going."""

    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield on if change.new else off

    return rule


def _asking(change: Change) -> tuple[str, ...]:
    """The requests that show that a point is otherwise."""
    if change.section != "points":
        return ()
    point = change.old if not change.key else None
    return (f"ask {change.element} 0",) if getattr(point, "record", None) else (f"ask {change.element}",)


# ------------------------------------------------------------------------------------------ what comes, goes


def _point_gone(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("host", BREAKS, "the point is gone", aspect="readable", tries=_asking(change))
    if change.old.saved:
        yield Effect("store", "lost", "what was saved of it has no place any more")


def _point_come(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("host", SAFE, "the point is new", aspect="readable")
    if change.new.saved:
        yield Effect("store", "lost", "an image of before has no value for it: it begins at its default")


def _state_come(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect(
        "host", MAY, "the state is new", f"a host meets the word {change.element} for the state", "reachable"
    )


def _trip_come(pair: Pair, change: Change) -> Iterator[Effect]:
    when = write(change.new.when.root)
    yield Effect("bench", "earlier", f"a protection is new: it acts when {when}", aspect="fires")
    yield Effect("host", MAY, "the trip is new", f"{when} comes true", "fires")


def _trip_gone(pair: Pair, change: Change) -> Iterator[Effect]:
    when = write(change.old.when.root)
    yield Effect("bench", "later", f"a protection is gone: nothing acts when {when}", aspect="fires")
    yield Effect("host", MAY, "the trip is gone", f"a host counts on it when {when}", "fires")


def _promise(side: str) -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        if change.new is None:
            yield Effect("bench", "later", f"{side} is promised no longer")
            yield Effect("host", MAY, f"{side} is promised no longer", "a host counts on it")
        else:
            yield Effect("host", SAFE, f"{side} is promised besides")

    return rule


# ---------------------------------------------------------------------------------------------- points


def _step(pair: Pair, change: Change) -> Iterator[Effect]:
    point = pair.old.points[change.element]
    reason = f"the step is {change.new:f}, it was {change.old:f}"
    yield Effect("host", BREAKS, reason, aspect="unit", tries=_asking(change))
    if point.saved:
        yield Effect("store", "lost", "a saved count of steps would be another value")


def _unit(pair: Pair, change: Change) -> Iterator[Effect]:
    reason = f"the unit is {change.new}, it was {change.old}"
    yield Effect("host", BREAKS, reason, aspect="unit", tries=_asking(change))
    if pair.old.points[change.element].saved:
        yield Effect("store", "lost", "a saved number would be of another unit")


def _range(which: Literal["low", "high"]) -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield from _bound(pair, change, which)

    return rule


def _bound(pair: Pair, change: Change, which: Literal["low", "high"]) -> Iterator[Effect]:
    """A limit of a setting, or the range of a reading."""
    old_point, new_point = pair.old.points[change.element], pair.new.points[change.element]
    if old_point.access != "set":
        narrower = (change.new < change.old) == (which == "high")
        if narrower:
            yield Effect("host", SAFE, "the reading keeps within a narrower range", aspect="unit")
        else:
            beyond = f"it reads {'above' if which == 'high' else 'below'} {text_of(change.old)}"
            yield Effect("host", MAY, "the reading's range is wider", beyond, "unit")
        return
    old = _limit(pair.old, old_point, which)
    new = _limit(pair.new, new_point, which)
    lowest, highest = _difference(pair, new, old)
    if which == "low":
        lowest, highest = -highest, -lowest
    if lowest >= 0:
        yield Effect("host", SAFE, f"the {which} limit leaves more room", aspect="bounds")
        return
    side = "above" if which == "high" else "below"
    condition = f"{change.element} is put {side} {new.text} and not {side} {old.text}"
    tries: tuple[str, ...] = ()
    if not old.names and not new.names:
        value = old.number({})
        quantity = pair.old.quantities[old_point.quantity or ""]
        unit = "" if quantity.unit == "1" else f" {quantity.unit}"
        digits = max(0, -int(quantity.step.normalize().as_tuple().exponent))
        tries = (f"put {change.element} {float(value):.{digits}f}{unit}",)
    yield Effect("host", MAY, f"the {which} limit leaves less room", condition, "bounds", tries)
    if old_point.saved:
        yield Effect("store", "lost", "a saved value may be outside the new limits")


def _limit(document: Document, point: Any, which: str) -> Expression:
    """The limit in force, with the quantity's own."""
    own = getattr(document.quantities[point.quantity], which)
    stated = getattr(point, which)
    if stated is None:
        return parse(f"{own:f}")
    return parse(f"{'min' if which == 'high' else 'max'}({write(stated.root)}, {own:f})")


def _difference(pair: Pair, new: Expression, old: Expression) -> Interval:
    """Sound bounds of new - old over all settings and readings; without bounds (-1, 1)."""
    ranges: dict[str, Interval] = {}
    for document in (pair.old, pair.new):
        for name, point in document.points.items():
            if point.quantity is not None:
                quantity = document.quantities[point.quantity]
                low, high = ranges.get(name, (Fraction(quantity.low), Fraction(quantity.high)))
                ranges[name] = min(low, Fraction(quantity.low)), max(high, Fraction(quantity.high))
    try:
        if _constant_beside(old, new):
            # The same points in both: what they have in common falls away.
            return _shift(old, new, ranges)
        return parse(f"({write(new.root)}) - ({write(old.root)})").interval(ranges)
    except ExpressionError:
        return Fraction(-1), Fraction(1)


def _constant_beside(old: Expression, new: Expression) -> bool:
    return old.names == new.names and bool(old.names)


def _shift(old: Expression, new: Expression, ranges: Mapping[str, Interval]) -> Interval:
    """Bounds of new - old for each corner of the ranges of the points that both depend on.

    Exact where both are monotone in every point on the ranges, as sums, products of positive settings, `min`
    and `max` are; these are what limits are made of.
    """
    corners: list[dict[str, Fraction]] = [{}]
    for name in sorted(old.names):
        low, high = ranges[name]
        middle = (low + high) / 2
        corners = [{**corner, name: value} for corner in corners for value in (low, middle, high)]
        if len(corners) > 3**6:
            raise ExpressionError("too many points", 1)
    differences = [new.number(corner) - old.number(corner) for corner in corners]
    return min(differences), max(differences)


def _choices(pair: Pair, change: Change) -> Iterator[Effect]:
    old, new = list(change.old or ()), list(change.new or ())
    gone = [word for word in old if word not in new]
    come = [word for word in new if word not in old]
    settable = pair.old.points[change.element].access == "set"
    if gone:
        condition = f"{change.element} is put to {_listed(gone)}" if settable else f"a host waits for {gone}"
        tries = (f"put {change.element} {gone[0]}",) if settable else ()
        yield Effect("host", MAY, f"no longer {_listed(gone)}", condition, "choices", tries)
    if come:
        someone = "somebody else puts" if settable else "it answers"
        yield Effect("host", MAY, f"new: {_listed(come)}", f"{someone} {_listed(come)}", "choices")
    if [word for word in old if word in new] != [word for word in new if word in old] or (
        gone and old[-len(gone) :] != gone
    ):
        yield Effect("host", MAY, "the words' numbers differ", "a host reads it from a record", "choices")
        if pair.old.points[change.element].saved:
            yield Effect("store", "lost", "a saved number would be another word")


def _access(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new == "set":
        yield Effect("host", SAFE, "it can be put now", aspect="access")
    else:
        default = text_of(pair.old.points[change.element].default)
        unit = _unit_of(pair.old, change.element)
        yield Effect(
            "host",
            BREAKS,
            "it can no longer be put",
            aspect="access",
            tries=(f"put {change.element} {default}{unit}",),
        )


def _unit_of(document: Document, point: str) -> str:
    quantity = document.points[point].quantity
    unit = "1" if quantity is None else document.quantities[quantity].unit
    return "" if unit == "1" else f" {unit}"


def _accuracy(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.old is None or (change.new is not None and change.new <= change.old):
        yield Effect("host", SAFE, "it is at least as accurate", aspect="accuracy")
    else:
        yield Effect("host", MAY, "it is less accurate", "a host needs the accuracy of before", "accuracy")


def _default(pair: Pair, change: Change) -> Iterator[Effect]:
    reason = f"after a boot it is {text_of(change.new)}, it was {text_of(change.old)}"
    yield Effect(
        "host",
        MAY,
        reason,
        f"{change.element} is used after a boot without being put",
        "default",
        (f"ask {change.element}",),
    )


def _saved(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new:
        yield Effect("store", "lost", "an image of before has no value for it")
        reason, condition = "a save keeps it now", "a host counts on its default after a boot"
    else:
        yield Effect("store", "lost", "what was saved of it has no place any more")
        reason, condition = "a save no longer keeps it", "a host counts on it after a boot"
    yield Effect("host", MAY, reason, condition, "saved")


# -------------------------------------------------------------------------------------- trips, the bench


def _was_and_is(old: Any, new: Any) -> str:
    return f"it was {text_of(old)}, it is {text_of(new)}"


def _threshold(pair: Pair, change: Change) -> Iterator[Effect]:
    """A protection's condition: whether it comes true earlier or later."""
    grade = _acts(pair, change.old, change.new)
    reason = f"it acts when {text_of(change.new)}, it acted when {text_of(change.old)}"
    yield Effect("bench", grade, reason, aspect="fires")
    condition = "the value is between both thresholds"
    yield Effect("host", MAY, "the protection acts elsewhere", condition, "fires")


def _acts(pair: Pair, old: Expression, new: Expression) -> Grade:
    a, b = old.root, new.root
    if isinstance(a, Comparison) and isinstance(b, Comparison) and a.relation == b.relation:
        before, after = _number(a.right), _number(b.right)
        if before is not None and after is not None and a.left == b.left:
            low, high = _difference(pair, after, before)
            if a.relation in ("<", "<="):
                low, high = -high, -low
            if a.relation in ("<", "<=", ">", ">="):
                return "later" if low >= 0 else "earlier" if high <= 0 else "otherwise"
    return "otherwise"


def _number(side: Quantity | Word) -> Expression | None:
    return None if isinstance(side, Word) else Expression.of(side)


def _delay(pair: Pair, change: Change) -> Iterator[Effect]:
    grade: Grade = "earlier" if change.new < change.old else "later"
    reason = (
        f"it acts after {duration_text(change.new)}, it acted after {duration_text(change.old)}"
        if change.key == "after"
        else f"it is looked at every {duration_text(change.new)}, it was every {duration_text(change.old)}"
    )
    yield Effect("bench", grade, reason, aspect="delay")
    yield Effect("host", MAY, "the protection acts at another time", "the trip's condition holds", "delay")


def _armed(pair: Pair, change: Change) -> Iterator[Effect]:
    old = set(pair.old.states) if change.old is None else set(change.old)
    new = set(pair.new.states) if change.new is None else set(change.new)
    kept = old & set(pair.new.states)
    if kept - new:
        yield Effect("bench", "later", f"not watched in {_listed(sorted(kept - new))} any more")
    if new - old:
        yield Effect("bench", "earlier", f"watched in {_listed(sorted(new - old))} too")
    yield Effect("host", MAY, "it is watched in other states", "the condition comes true there", "fires")


def _cleared(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("bench", "otherwise", f"when it counts as gone: {_was_and_is(change.old, change.new)}")
    yield Effect("host", MAY, "it can be cleared at another value", "a host clears the trip", "clears")


def _latched(pair: Pair, change: Change) -> Iterator[Effect]:
    grade: Grade = "earlier" if change.new else "later"
    reason = "it stays until it is cleared" if change.new else "it no longer stays until it is cleared"
    yield Effect("bench", grade, reason, aspect="latch")
    yield Effect("host", MAY, reason, "the trip comes", "latch")


def _bench_and_host(grade: Grade, reason: str, condition: str, aspect: str = "") -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        shown = _was_and_is(change.old, change.new)
        yield Effect("bench", grade, f"{reason}: {shown}", aspect=aspect)
        yield Effect("host", MAY, reason, condition, aspect)

    return rule


def _energised(pair: Pair, change: Change) -> Iterator[Effect]:
    reason = "the state handles power now" if change.new else "the state no longer handles power"
    yield Effect("bench", "otherwise", reason)


def _outputs(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("bench", "otherwise", f"the state drives otherwise: {_was_and_is(change.old, change.new)}")


# ---------------------------------------------------------------------------------------------- actions


def _ticket_given(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.old is None or change.new is None:
        given = "gives a ticket now" if change.old is None else "no longer gives a ticket"
        yield Effect("host", BREAKS, f"it {given}", aspect="ticket", tries=(f"act {change.element}",))
    else:
        yield from _ordered("less", "more than %(new)s pass between both actions", "ticket")(pair, change)


def _guard(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new is None:
        yield Effect("host", SAFE, "it needs no condition any more", aspect="guard")
    else:
        yield Effect(
            "host",
            MAY,
            f"it needs that {text_of(change.new)}",
            f"not ({text_of(change.new)})",
            "guard",
        )


def _parts(pair: Pair, change: Change) -> Iterator[Effect]:
    gone = [part for part in change.old if part not in change.new]
    come = [part for part in change.new if part not in change.old]
    for part in gone:
        yield Effect("host", MAY, f"the wire has no {part} any more", f"a host uses {part}")
    for part in come:
        if part == "notices":
            yield Effect("host", MAY, "lines come unasked", "a host takes every line for a reply")
        else:
            yield Effect("host", SAFE, f"the wire has {part} besides")


def _record_fields(pair: Pair, change: Change) -> Iterator[Effect]:
    readers = [name for name, point in pair.old.points.items() if point.record == change.element]
    tries = tuple(f"ask {name} 0" for name in readers[:1])
    yield Effect("host", BREAKS, "the record's layout is another", aspect="layout", tries=tries)


_PROVOKE = _said(SAFE, "it says how a tester works it")
_MEANS = _said(SAFE, "it is prose")

RULES: dict[tuple[str, str], Rule] = {
    ("*", "means"): _MEANS,
    ("*", "provoke"): _PROVOKE,
    ("vow", "version"): _said(SAFE, "the version"),
    ("vow", "title"): _MEANS,
    # The wire.
    ("wire", "version"): _said(BREAKS, "the wire is another"),
    ("wire", "baud"): _said(MAY, "the line rate is another", "the port has a line rate"),
    ("wire", "line_limit"): _ordered("less", "a line is longer than %(new)s bytes", "length"),
    ("wire", "pipeline"): _ordered("less", "more than %(new)s requests wait", "order"),
    ("wire", "reply_deadline"): _ordered("more", "a host waits no longer than %(old)s", "deadline"),
    ("wire", "idle_typing"): _said(
        MAY, "a begun line is discarded at another time", "a host pauses inside a line", "idle"
    ),
    ("wire", "idle_checked"): _said(
        MAY, "a begun line is discarded at another time", "a host pauses inside a line", "idle"
    ),
    ("wire", "notice_queue"): _ordered("less", "more than %(new)s notices wait", "notice.queue"),
    ("wire", "parts"): _parts,
    ("wire", "opening.resets"): _flag(
        Effect("host", MAY, "opening the port boots the board", "a host opens the port again"),
        Effect("host", MAY, "opening the port no longer boots", "a host counts on a fresh boot"),
    ),
    ("wire", "opening.settle"): _ordered("more", "a host sends sooner than %(new)s after opening"),
    ("wire", "opening.dtr"): _said(MAY, "DTR has another level", "a host sets DTR before opening"),
    ("wire", "opening.rts"): _said(MAY, "RTS has another level", "a host sets RTS before opening"),
    # Points.
    ("points", "gone"): _point_gone,
    ("points", "come"): _point_come,
    ("points", "quantity.unit"): _unit,
    ("points", "quantity.step"): _step,
    ("points", "quantity.low"): _range("low"),
    ("points", "quantity.high"): _range("high"),
    ("points", "quantity.accuracy"): _said(
        MAY, "its accuracy is another", "a host needs the accuracy of before", "accuracy"
    ),
    ("points", "quantity.accuracy.reading_percent"): _accuracy,
    ("points", "quantity.accuracy.range_percent"): _accuracy,
    ("points", "quantity.means"): _MEANS,
    ("points", "choice"): _choices,
    ("points", "record"): _said(BREAKS, "it answers another record", aspect="readable"),
    ("points", "part_bytes"): _said(BREAKS, "its parts have another length", aspect="readable"),
    ("points", "system"): _said(BREAKS, "it answers something else", aspect="readable"),
    ("points", "access"): _access,
    ("points", "default"): _default,
    ("points", "low"): _range("low"),
    ("points", "high"): _range("high"),
    ("points", "set_in"): _words("it is put in %s", None, "set_in"),
    ("points", "saved"): _saved,
    ("points", "local"): _flag(
        Effect("host", MAY, "the front panel can change it", "somebody changes it there", "local"),
        Effect("host", MAY, "the front panel can no longer change it", "a host waits for that", "local"),
    ),
    ("points", "drives"): _outputs,
    ("points", "signal"): _said(MAY, "it measures something else", "a host uses its value"),
    ("points", "every"): _ordered("more", "a host needs values younger than %(new)s", "fresh"),
    ("points", "follows"): _PROVOKE,
    ("points", "derived"): _said(MAY, "it is computed otherwise", "a host uses its value", "derived"),
    # States.
    ("states", "gone"): _said(MAY, "the state is gone", "a host uses the state", "reachable"),
    ("states", "come"): _state_come,
    ("states", "initial"): _said(MAY, "a boot leads to another state", "the instrument boots", "reachable"),
    ("states", "energised"): _energised,
    ("states", "outputs"): _outputs,
    ("states", "leaves"): _bench_and_host(
        "otherwise", "it is left unasked otherwise", "the state is left unasked"
    ),
    # Actions.
    ("actions", "gone"): _said(BREAKS, "the action is gone", aspect="effect"),
    ("actions", "come"): _said(SAFE, "the action is new", aspect="effect"),
    ("actions", "allowed"): _words("it is done in %s", None, "refused"),
    ("actions", "guard"): _guard,
    ("actions", "to"): _said(BREAKS, "it leads to another state", aspect="effect"),
    ("actions", "keeps"): _said(MAY, "it leaves other states", "it is done in one of them", "effect"),
    ("actions", "does"): _said(BREAKS, "it does something else", aspect="effect"),
    ("actions", "gives_ticket"): _ticket_given,
    ("actions", "takes_ticket"): _said(BREAKS, "it takes another ticket, or none", aspect="ticket"),
    ("actions", "repeat"): _flag(
        Effect("host", MAY, "doing it twice may differ from once", "a host repeats it", "repeat"),
        Effect("host", SAFE, "doing it twice is as good as once", aspect="repeat"),
    ),
    ("actions", "always"): _flag(
        Effect("host", SAFE, "it is done even while the front panel has control", aspect="always"),
        Effect("host", MAY, "not done while the front panel has control", "the panel has control", "always"),
    ),
    # Protection and what holds.
    ("trips", "gone"): _trip_gone,
    ("trips", "come"): _trip_come,
    ("trips", "order"): _said(MAY, "another trip comes first", "two come true together"),
    ("trips", "when"): _threshold,
    ("trips", "armed_in"): _armed,
    ("trips", "after"): _delay,
    ("trips", "every"): _delay,
    ("trips", "cleared_when"): _cleared,
    ("trips", "latched"): _latched,
    ("trips", "to"): _bench_and_host("otherwise", "it leads to another state", "the trip comes", "fires"),
    ("trips", "reports"): _said(MAY, "it reports another value", "the trip comes", "report"),
    ("*", "gone"): _promise("it"),
    ("*", "come"): _promise("it"),
    # Records.
    ("records", "gone"): _said(SAFE, "points that answer it tell the rest"),
    ("records", "come"): _said(SAFE, "the record is new"),
    ("records", "order"): _record_fields,
    ("records", "fields"): _record_fields,
    ("limits", "*"): _bench_and_host("otherwise", "the limit is another", "a host counts on it"),
    ("laws", "*"): _bench_and_host("otherwise", "the law is another", "a host counts on it"),
    ("fan", "*"): _bench_and_host("otherwise", "the fan is driven otherwise", "a host counts on it"),
    ("derating", "*"): _bench_and_host("otherwise", "the ceiling falls otherwise", "a host counts on it"),
    ("bench", "gone"): _PROVOKE,
    ("bench", "come"): _PROVOKE,
    ("bench", "*"): _PROVOKE,
    ("trial", "*"): _PROVOKE,
    ("plant", "parameters"): _said(SAFE, "it is physics"),
}
"""By section of the document and entry ("gone" and "come": the whole element); "*" is any other."""
