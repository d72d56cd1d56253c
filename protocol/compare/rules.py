"""What each difference means: one table, from the entry that differs to the rule that judges it.

For hosts written for the old document the grades are these. A *lawful* host uses only names of the old
document, and counts on nothing but what that document says is answered `ok`.

============  ======================================================================================
breaks        every lawful host that uses the element gets another answer
may break     a lawful host gets another answer under the condition that stands beside it
safe          no lawful host can tell
============  ======================================================================================

The bench has grades of its own: a protection acts *earlier* or *later*, or *otherwise* where neither is
proved. What becomes of saved settings follows from their marks (`stored`), not from this table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

from wirevow.protocol.compare.changes import Change, text_of
from wirevow.protocol.document.model import Action, Document, Leave, RecordField, duration_text
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
from wirevow.protocol.quantity import MOST_DIGITS, digits_of
from wirevow.protocol.record import record_bytes

Side = Literal["bench", "host", "store"]
Grade = Literal["breaks", "may break", "safe", "later", "otherwise", "earlier", "lost", "misread"]

BREAKS: Grade = "breaks"
MAY: Grade = "may break"
SAFE: Grade = "safe"


@dataclass(frozen=True, slots=True)
class Effect:
    """What a change means for one side: the grade, why, and under which condition if it has one.

    `aspect` is the side of the element whose requirement it bears on; `part` tells effects of one change
    apart: the words that have gone, those that have come, their order.
    """

    side: Side
    grade: Grade
    reason: str
    condition: str = ""
    aspect: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Pair:
    """The two documents that are compared."""

    old: Document
    new: Document


Rule = Callable[[Pair, Change], Iterator[Effect]]


def effects(pair: Pair, change: Change) -> list[Effect]:
    """What a change means for every side that it touches; for hosts there always is an answer."""
    rule = next(RULES[row] for row in change.rows if row in RULES)
    found = list(rule(pair, change))
    if not any(effect.side == "host" for effect in found):
        found.append(Effect("host", SAFE, "it is not on the wire"))
    return found


# ------------------------------------------------------------------------------------------ common rules


def _said(grade: Grade, reason: str, condition: str = "", aspect: str = "") -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield Effect("host", grade, reason, condition, aspect)

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


def _words(lost: str, aspect: str) -> Rule:
    """A list of states where something can be done: losing some may break, gaining some does nothing."""

    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        everything = list(pair.old.states)
        every_new = list(pair.new.states)
        old = everything if change.old is None else list(change.old)
        new = every_new if change.new is None else list(change.new)
        # What has gone with its state is told there.
        gone = [word for word in old if word not in new and word in every_new]
        come = [word for word in new if word not in old]
        if gone:
            yield Effect("host", MAY, f"no longer {_listed(gone)}", lost % _listed(gone), aspect, "gone")
        if come or not gone:
            what = f"new: {_listed(come)}" if come else "of the states that there are it is the same"
            yield Effect("host", SAFE, what, aspect=aspect, part="come" if gone else "")

    return rule


def _listed(words: list[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def _flag(on: Effect, off: Effect) -> Rule:
    """A truth value: what its coming means, and its going."""

    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield on if change.new else off

    return rule


# ------------------------------------------------------------------------------------------ what comes, goes


def _point_gone(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("host", BREAKS, "the point is gone", aspect="readable")


def _point_come(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("host", SAFE, "the point is new", aspect="readable")


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
    old, new = Fraction(change.old), Fraction(change.new)
    reason = f"the step is {change.new:f}, it was {change.old:f}"
    if digits_of(change.old) != digits_of(change.new):
        yield Effect("host", BREAKS, reason, aspect="unit")
    elif point.access != "set":
        yield Effect("host", MAY, reason, "what it reads is not on the new steps", "unit")
    elif (old / new).denominator != 1:
        condition = f"{change.element} is put to no multiple of {change.new:f}"
        yield Effect("host", MAY, reason, condition, "unit")
    else:
        condition = f"somebody else puts no multiple of {change.old:f}"
        yield Effect("host", MAY, reason, condition, "unit", "finer")


def _unit(pair: Pair, change: Change) -> Iterator[Effect]:
    reason = f"the unit is {change.new}, it was {change.old}"
    yield Effect("host", BREAKS, reason, aspect="unit")


def _range(which: Literal["low", "high"]) -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        yield from _bound(pair, change, which)

    return rule


def _bound(pair: Pair, change: Change, which: Literal["low", "high"]) -> Iterator[Effect]:
    """A limit of a setting, or the range of a reading."""
    old_point, new_point = pair.old.points[change.element], pair.new.points[change.element]
    if old_point.access != "set":
        narrower = (change.new < change.old) == (which == "high")
        limit = change.new if narrower else change.old
        beyond = f"what it tells of is {'above' if which == 'high' else 'below'} {text_of(limit)}"
        reason = f"the reading's range is {'narrower' if narrower else 'wider'}"
        yield Effect("host", MAY, reason, beyond, "unit")
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
    yield Effect("host", MAY, f"the {which} limit leaves less room", condition, "bounds")


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
        condition = (
            f"{change.element} is put to {_listed(gone)}" if settable else f"a host waits for {_listed(gone)}"
        )
        yield Effect("host", MAY, f"no longer {_listed(gone)}", condition, "choices", "gone")
    if come:
        someone = "somebody else puts" if settable else "it answers"
        yield Effect("host", MAY, f"new: {_listed(come)}", f"{someone} {_listed(come)}", "choices", "come")
    moved = [word for index, word in enumerate(old) if word in new and new.index(word) != index]
    if moved:
        what = f"the numbers of {_listed(moved)} differ"
        if _in_records(pair.old, change.element):
            condition = f"a host reads it from a record while it is {' or '.join(moved)}"
            yield Effect("host", MAY, what, condition, "choices", "order")
        else:
            yield Effect("host", SAFE, f"{what}, and no record has them", aspect="choices", part="order")


def _in_records(document: Document, point: str) -> bool:
    return any(field.value == point for record in document.records.values() for field in record.fields)


def _access(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new == "set":
        yield Effect("host", SAFE, "it can be put now", aspect="access")
    else:
        yield Effect("host", BREAKS, "it can no longer be put", aspect="access")


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
    )


def _saved(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new:
        reason, condition = "a save keeps it now", "a host counts on its default after a boot"
    else:
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
    # It does not act in the state that it leads to.
    both = (set(pair.old.states) & set(pair.new.states)) - {pair.old.trips[change.element].to}
    if old & both == new & both:
        yield Effect("host", SAFE, "of the states that there are it is the same", aspect="fires")
    else:
        states = _listed(sorted((old ^ new) & both))
        yield Effect("host", MAY, "it is watched in other states", f"it comes true in {states}", "fires")


def _cleared(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("bench", "otherwise", f"when it counts as gone: {_was_and_is(change.old, change.new)}")
    yield Effect("host", MAY, "it can be cleared at another value", "a host clears the trip", "clears")


def _latched(pair: Pair, change: Change) -> Iterator[Effect]:
    grade: Grade = "earlier" if change.new else "later"
    reason = "it stays until it is cleared" if change.new else "it no longer stays until it is cleared"
    yield Effect("bench", grade, reason, aspect="latch")
    if change.new:
        condition = "a host clears the trip while its cause is there"
        yield Effect("host", MAY, "clearing is refused while its cause is there", condition, "latch")
    else:
        yield Effect("host", SAFE, "it is cleared at least as easily", aspect="latch")


def _bench_and_host(grade: Grade, reason: str, condition: str, aspect: str = "") -> Rule:
    def rule(pair: Pair, change: Change) -> Iterator[Effect]:
        shown = _was_and_is(change.old, change.new)
        yield Effect("bench", grade, f"{reason}: {shown}", aspect=aspect)
        yield Effect("host", MAY, reason, condition, aspect)

    return rule


def _energised(pair: Pair, change: Change) -> Iterator[Effect]:
    reason = "the state handles power now" if change.new else "the state no longer handles power"
    yield Effect("bench", "otherwise", reason)


def _text(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.old is None or change.new is None:
        yield Effect("host", BREAKS, "it answers something else", aspect="readable")
    else:
        yield Effect("host", MAY, "it answers another text", "a host compares it", "text")


def _outputs(pair: Pair, change: Change) -> Iterator[Effect]:
    yield Effect("bench", "otherwise", f"it drives otherwise: {_was_and_is(change.old, change.new)}")
    yield Effect("host", MAY, "it moves something else", "a host reads what it moves")


def _leaves(pair: Pair, change: Change) -> Iterator[Effect]:
    old, new = ([_leave(each) for each in leaves] for leaves in (change.old, change.new))
    if old == new:
        yield Effect("host", SAFE, "it is left as it was")
        return
    gone, come = ([leave for leave in one if leave not in other] for one, other in ((old, new), (new, old)))
    told = [f"no longer {each}" for each in gone] + [f"now {each}" for each in come]
    reason = f"it is left unasked otherwise: {', '.join(told) or 'in another order'}"
    yield Effect("bench", "otherwise", reason)
    condition = " or ".join(gone + come) or "two come true together"
    yield Effect("host", MAY, "it is left unasked otherwise", f"it lasts: {condition}")


def _leave(leave: Leave) -> str:
    """What of it counts on the wire."""
    when = "" if leave.when is None else f"when {text_of(leave.when)} "
    return f"{when}after {duration_text(leave.after)} to {leave.to}"


# ---------------------------------------------------------------------------------------------- actions


def _ticket_given(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.old is None or change.new is None:
        given = "gives a ticket now" if change.old is None else "no longer gives a ticket"
        yield Effect("host", BREAKS, f"it {given}", aspect="ticket")
    else:
        yield from _ordered("less", "more than %(new)s pass between both actions", "ticket")(pair, change)


def _leads(pair: Pair, change: Change) -> Iterator[Effect]:
    """Where the action leads, state by state."""
    old, new = pair.old.actions[change.element], pair.new.actions[change.element]
    states = [state for state in old.allowed if state in new.allowed]
    other = [state for state in states if _target(old, state) != _target(new, state)]
    if not other or ("reboot" in old.does and "reboot" in new.does):
        yield Effect("host", SAFE, "it leads where it led", aspect="effect")
    elif other == states:
        yield Effect("host", BREAKS, "it leads to another state", aspect="effect")
    else:
        condition = f"it is done in {_listed(other)}"
        yield Effect("host", MAY, "it leads to another state", condition, "effect")


def _target(action: Action, state: str) -> str:
    return state if action.to is None or state in action.keeps else action.to


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


def _repeat(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.new == "once":
        yield Effect("host", MAY, "doing it twice may differ from once", "a host repeats it", "repeat")
    else:
        yield Effect("host", SAFE, "doing it twice is as good as once", aspect="repeat")


def _number_taken(pair: Pair, change: Change) -> Iterator[Effect]:
    if change.old is None or change.new is None:
        reason = "it takes a number now" if change.old is None else "it takes no number any more"
        yield Effect("host", BREAKS, reason, aspect="number")
    elif change.new < change.old:
        condition = f"a host gives it {change.new} or more"
        yield Effect("host", MAY, "it takes fewer numbers", condition, "number")
    else:
        yield Effect("host", SAFE, "it takes more numbers", aspect="number")


def _does(pair: Pair, change: Change) -> Iterator[Effect]:
    gone = [text_of(each) for each in change.old if each not in change.new]
    come = [text_of(each) for each in change.new if each not in change.old]
    if "reboot" in (*gone, *come):
        yield Effect("host", BREAKS, "it boots" if "reboot" in come else "it boots no more", aspect="effect")
    elif gone or come:
        told = [f"{how} {_listed(words)}" for how, words in (("no longer", gone), ("besides", come)) if words]
        condition = f"a host sees what comes of {_listed([*gone, *come])}"
        yield Effect("host", MAY, f"it does {', '.join(told)}", condition, "effect")
    else:
        condition = "one undoes what another does"
        yield Effect("host", MAY, "it does the same in another order", condition, "effect")


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


LONGEST_TAG = len("@ffff ")
CHECK_CHARACTERS = len(" ~FFFF")
NUMBER = len("-.") + MOST_DIGITS
"""Characters of a number as a host may write it (`spec/wire.md`, "Numbers and units")."""
TICKET = len(" 0000")


def longest_line(document: Document) -> int:
    """Bytes of the longest line that is answered `ok`: a tag, a check, and as many digits as there may be."""
    longest = 0
    for name, point in document.points.items():
        if point.access == "set":
            words = point.choice or ("off", "on")
            value = max(len(word) for word in words)
            if point.quantity is not None:
                value = NUMBER + 1 + len(document.quantities[point.quantity].unit)
            longest = max(longest, len(f"put {name} ") + value)
        longest = max(longest, len(f"ask {name}") + (len(" 999") if point.record is not None else 0))
    for name, action in document.actions.items():
        number = 0 if action.many is None else len(f" {action.many - 1}")
        longest = max(longest, len(f"act {name}") + number + (0 if action.takes_ticket is None else TICKET))
    return LONGEST_TAG + longest + CHECK_CHARACTERS


def _line_limit(pair: Pair, change: Change) -> Iterator[Effect]:
    longest = longest_line(pair.old)
    if change.new >= change.old or change.new >= longest:
        reason = f"no line that is answered ok is longer than {longest} bytes"
        yield Effect("host", SAFE, reason, aspect="length")
    else:
        condition = f"a line is longer than {change.new} bytes"
        yield Effect("host", MAY, "lines are shorter now", condition, "length")


def _idle(pair: Pair, change: Change) -> Iterator[Effect]:
    old, new = duration_text(change.old), duration_text(change.new)
    if change.new < change.old:
        reason, condition = "a pause ends a line sooner", f"a host pauses inside a line for {new} to {old}"
    else:
        reason = "a line that is given up is kept for longer"
        condition = f"a host gives a begun line up, and goes on {old} to {new} later"
    yield Effect("host", MAY, reason, condition, "idle")


def _queue(pair: Pair, change: Change) -> Iterator[Effect]:
    fewer = min(change.old, change.new)
    reason = f"{change.new} notices wait before one is dropped, it was {change.old}"
    yield Effect("host", MAY, reason, f"more than {fewer} notices wait", "notice.queue")


def _record_fields(pair: Pair, change: Change) -> Iterator[Effect]:
    old, new = pair.old.records[change.element], pair.new.records[change.element]
    layouts = [[_layout(document, field) for field in record.fields]
               for document, record in ((pair.old, old), (pair.new, new))]  # fmt: skip
    one_byte = all(field.type.endswith("8") for field in (*old.fields, *new.fields))
    if layouts[0] != layouts[1] or (old.order != new.order and not one_byte):
        yield Effect("host", BREAKS, "the record's layout is another", aspect="layout")
    elif [field.value for field in old.fields] != [field.value for field in new.fields]:
        pairs = zip(old.fields, new.fields, strict=True)
        differing = [(one.value, two.value) for one, two in pairs if one.value != two.value]
        if any(isinstance(one, int) and isinstance(two, int) for one, two in differing):
            yield Effect("host", BREAKS, "a constant is another", aspect="layout")
            return
        other = [f"{one} and {two}" for one, two in differing]
        yield Effect("host", MAY, "fields tell of others", f"{_listed(other)} are not the same", "layout")
    elif [field.every for field in old.fields] != [field.every for field in new.fields]:
        condition = "a host takes the samples for as far apart as they were"
        yield Effect("host", MAY, "its samples are taken at other times", condition, "layout")
    else:
        yield Effect("host", SAFE, "the bytes are the same", aspect="layout")


def _layout(document: Document, field: RecordField) -> tuple[object, ...]:
    """What of a field its bytes tell: a number that is never negative is the same with a sign and without."""
    point = document.points.get(field.value) if isinstance(field.value, str) else None
    quantity = None if point is None or point.quantity is None else document.quantities[point.quantity]
    bits = int(field.type[1:])
    kind: str = field.type
    greatest: Decimal | int | None = None
    if quantity is not None and quantity.low >= 0:
        greatest = quantity.high / quantity.step
    elif point is not None and point.choice is not None:
        greatest = len(point.choice) - 1
    elif isinstance(field.value, int) and field.value >= 0:
        greatest = field.value
    if greatest is not None and greatest < 2 ** (bits - 1):
        kind = field.type[1:]
    return kind, field.count


def _part_bytes(pair: Pair, change: Change) -> Iterator[Effect]:
    name = pair.old.points[change.element].record
    whole = 0 if name is None else record_bytes(pair.old.records[name])
    if name is not None and whole <= min(change.old, change.new):
        yield Effect("host", SAFE, "the whole record is in one part of either length", aspect="readable")
    else:
        yield Effect("host", BREAKS, "its parts have another length", aspect="readable")


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
    ("wire", "line_limit"): _line_limit,
    ("wire", "pipeline"): _ordered("less", "more than %(new)s requests wait", "order"),
    ("wire", "reply_deadline"): _ordered("more", "a host waits no longer than %(old)s", "deadline"),
    ("wire", "idle_typing"): _idle,
    ("wire", "idle_checked"): _idle,
    ("wire", "notice_queue"): _queue,
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
    ("points", "part_bytes"): _part_bytes,
    ("points", "system"): _said(BREAKS, "it answers something else", aspect="readable"),
    ("points", "text"): _text,
    ("points", "access"): _access,
    ("points", "default"): _default,
    ("points", "low"): _range("low"),
    ("points", "high"): _range("high"),
    ("points", "set_in"): _words("it is put in %s", "set_in"),
    ("points", "saved"): _saved,
    ("points", "local"): _flag(
        Effect("host", MAY, "the front panel can change it", "somebody changes it there", "local"),
        Effect("host", MAY, "the front panel can no longer change it", "a host waits for that", "local"),
    ),
    ("points", "drives"): _outputs,
    ("points", "drives_as"): _outputs,
    ("points", "signal"): _said(MAY, "it measures something else", "a host uses its value"),
    ("points", "every"): _ordered("more", "a host needs values younger than %(new)s", "fresh"),
    ("points", "follows"): _PROVOKE,
    ("points", "highest"): _said(MAY, "it keeps something else", "a host uses its value", "keeps"),
    ("points", "lowest"): _said(MAY, "it keeps something else", "a host uses its value", "keeps"),
    ("points", "derived"): _said(MAY, "it is computed otherwise", "a host uses its value", "derived"),
    # States.
    ("states", "gone"): _said(MAY, "the state is gone", "a host uses the state", "reachable"),
    ("states", "come"): _state_come,
    ("states", "initial"): _said(MAY, "a boot leads to another state", "the instrument boots", "reachable"),
    ("states", "energised"): _energised,
    ("states", "outputs"): _outputs,
    ("states", "leaves"): _leaves,
    # Actions.
    ("actions", "gone"): _said(BREAKS, "the action is gone", aspect="effect"),
    ("actions", "come"): _said(SAFE, "the action is new", aspect="effect"),
    ("actions", "allowed"): _words("it is done in %s", "refused"),
    ("actions", "guard"): _guard,
    ("actions", "to"): _leads,
    ("actions", "keeps"): _leads,
    ("actions", "does"): _does,
    ("actions", "gives_ticket"): _ticket_given,
    ("actions", "takes_ticket"): _said(BREAKS, "it takes another ticket, or none", aspect="ticket"),
    ("actions", "many"): _number_taken,
    ("actions", "repeat"): _repeat,
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
