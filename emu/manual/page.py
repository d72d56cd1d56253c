"""The manual as one HTML page that needs nothing else: no script, no font, no network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wirevow.emu import pictures
from wirevow.emu.faults import build_instrument
from wirevow.emu.manual.changes import changes
from wirevow.emu.manual.examples import Examples, Line
from wirevow.protocol.compare.comparison import Comparison
from wirevow.protocol.conformance.cautions import CODES, USUAL
from wirevow.protocol.conformance.envelope import energising_actions, link_watchdog
from wirevow.protocol.document.model import duration_text
from wirevow.protocol.expression import Expression
from wirevow.protocol.figures import svg_url
from wirevow.protocol.message import REASONS
from wirevow.protocol.templates import templates
from wirevow.protocol.vow import ActionEntry, PointEntry, TripEntry, Vow

REFUSALS = {
    "length": ("The line is longer than {limit} bytes.", "Send a shorter line."),
    "syntax": (
        "The line is not formed as the wire asks.",
        "Look for capitals, two spaces, other bytes than ASCII.",
    ),
    "check": (
        "The check is wrong, or missing while the guard is on.",
        "Send the line again, with its check.",
    ),
    "unknown": (
        "There is no point or action of that name.",
        "Look the name up here; ask {vow} for the version.",
    ),
    "access": (
        "The name exists, but not for this verb.",
        "Points are asked and put, actions acted; look here which.",
    ),
    "type": (
        "The argument is of the wrong kind, or there are too many or too few.",
        "The detail says what is expected.",
    ),
    "unit": ("The unit is wrong or missing.", "Write the unit that the detail names. Nothing is converted."),
    "state": (
        "Not in the present state, a guard is false, or the ticket is no longer good.",
        "The detail says which: go to another state, or take a new ticket.",
    ),
    "range": (
        "The number is outside the limits in force.",
        "The details are the limits; other settings may move them.",
    ),
    "busy": (
        "The front panel has control.",
        "Give control back at the panel; what is always done works meanwhile.",
    ),
    "fault": ("The cause of a trip is still there.", "Remove the cause that the detail names, then clear."),
}
"""When a request is refused, and what to do; the rules are in `spec/wire.md`."""

ACCESS = {True: "ask, put", False: "ask"}


@dataclass(frozen=True, slots=True)
class Entry:
    """A point, an action or a trip as the manual tells it."""

    name: str
    means: str
    facts: tuple[tuple[str, str], ...]
    example: tuple[Line, ...]


def manual(vow: Vow, fault: str | None = None, since: Comparison | None = None) -> str:
    """The page. Raises ExampleError where an example is not answered as the document says.

    `since` compares an earlier version with this document: what has changed is told then.
    `fault` breaks the simulated instrument, to see that the examples would find it.
    """
    document = vow.document
    examples = Examples(vow, lambda: build_instrument(vow, fault=fault))
    shown = dict(examples.refusals())
    named = {"limit": document.wire.line_limit, "vow": vow.system_name("identity") or "its identity"}
    environment = templates("wirevow.emu.manual")
    plane = pictures.plane(vow)
    return environment.get_template("manual.html.j2").render(
        document=document,
        identity=vow.identity,
        cautions=_cautions(vow),
        changes=None if since is None else changes(vow, since),
        states=[
            (name, state.means, _leaves(vow, name), state.energised)
            for name, state in document.states.items()
        ],
        initial=vow.initial,
        diagram=pictures.states(vow),
        points=[_point(vow, entry, examples) for entry in vow.points.values()],
        actions=[_action(vow, action, examples) for action in vow.actions.values()],
        trips=[_trip(vow, trip, examples) for trip in vow.trips.values()],
        limits=[
            (name, limit.means, f"{limit.of}: {_between(limit.low, limit.high)}", _states(limit.armed_in))
            for name, limit in document.limits.items()
        ],
        plane=None if plane is None else svg_url(plane),
        fan=None if document.fan is None else (document.fan.means, svg_url(pictures.fan(document.fan))),
        derating=(
            None
            if document.derating is None
            else (document.derating.means, svg_url(pictures.derating(document.derating)))
        ),
        refusals=[
            (reason, *(text.format(**named) for text in REFUSALS[reason]), shown.get(reason, []))
            for reason in REASONS
        ],
        wire=[
            ("line", f"{document.wire.baud} bit/s, 8 data bits, no parity, 1 stop bit; ends with LF"),
            ("longest line", f"{document.wire.line_limit} bytes"),
            ("answered within", duration_text(document.wire.reply_deadline)),
            ("requests that may wait", str(document.wire.pipeline)),
            ("opening the port", "boots it" if document.wire.opening.resets else "changes nothing"),
            ("wait after opening", _span(document.wire.opening.settle)),
        ],
    )


def _cautions(vow: Vow) -> tuple[str, ...]:
    """What to heed before it handles power: all but what is about a check alone."""
    if not energising_actions(vow):
        return ()
    watchdog = link_watchdog(vow)
    alone = (
        "If the host program, its computer or its cable fails, nothing stops this instrument."
        if watchdog is None
        else "If the host program, its computer or its cable fails, only the instrument's own link watchdog, "
        f"the trip {watchdog.name}, stops it, and that can fail as well."
    )
    return (*USUAL, f"{alone} Never leave it alone while it handles power.", CODES)


def _between(low: Expression | None, high: Expression | None) -> str:
    bounds = [f"{word} {bound.text}" for word, bound in (("at least", low), ("at most", high)) if bound]
    return ", ".join(bounds)


def _span(ns: int) -> str:
    return duration_text(ns) if ns else "none"


def _states(names: Sequence[str] | None) -> str:
    return "all states" if names is None else ", ".join(names)


def _point(vow: Vow, entry: PointEntry, examples: Examples) -> Entry:
    point = vow.document.points[entry.name]
    facts = [("access", ACCESS[entry.settable])]
    if entry.scale is not None:
        scale = entry.scale
        words = [scale.words(count)[0] for count in (scale.low, scale.high)]
        unit = "" if scale.unit == "1" else f" {scale.unit}"
        facts.append(("range", f"{words[0]} to {words[1]}{unit}, in steps of {scale.words(1)[0]}"))
        if entry.low is not None or entry.high is not None:
            facts.append(("in force", _between(entry.low, entry.high)))
        if entry.range_error or entry.reading_error:
            percent = f"{float(entry.reading_error * 100):g} %"
            facts.append(("accuracy", f"{percent} of the reading + {float(entry.range_error):g}{unit}"))
    elif entry.choices:
        facts.append(("one of", ", ".join(entry.choices)))
    elif entry.record is not None:
        facts.append(("record", f"{entry.record}, in parts of {point.part_bytes} bytes"))
    elif point.text is not None:
        own = ", with digits of its own for #" if "#" in point.text else ""
        facts.append(("always", point.text + own))
    if entry.source == "setting":
        facts.append(("default", " ".join(entry.words(entry.default))))
    if entry.settable:
        facts.append(("put in", _states(point.set_in)))
    if entry.derived is not None:
        facts.append(("computed", entry.derived.text))
    if entry.extreme_of is not None:
        facts.append(("keeps", f"the {'highest' if entry.highest else 'lowest'} of {entry.extreme_of}"))
    if entry.period_ns:
        how = "read every" if entry.signal is not None else "looks at least every"
        facts.append((how, duration_text(entry.period_ns)))
    also = [word for word, true in (("kept by a save", entry.saved), ("front panel", entry.local)) if true]
    if also:
        facts.append(("also", ", ".join(also)))
    return Entry(entry.name, point.means, tuple(facts), tuple(examples.point(entry)))


def _action(vow: Vow, action: ActionEntry, examples: Examples) -> Entry:
    given = vow.document.actions[action.name]
    facts = [("from", ", ".join(action.to))]
    if given.to is not None:
        keeps = f" (not from {', '.join(given.keeps)})" if given.keeps else ""
        facts.append(("leads to", given.to + keeps))
    if action.guard is not None:
        facts.append(("only if", action.guard.text))
    if given.gives_ticket is not None:
        facts.append(("gives a ticket", f"good once, for {duration_text(given.gives_ticket)}"))
    if action.takes_ticket is not None:
        facts.append(("needs the ticket of", action.takes_ticket))
    if action.many:
        facts.append(("takes", f"a number from 0 to {action.many - 1}"))
    facts.append(("done twice", "means two" if action.once else "is as good as once"))
    if action.always:
        facts.append(("always", "also while the front panel has control"))
    return Entry(action.name, given.means, tuple(facts), tuple(examples.action(action)))


def _trip(vow: Vow, trip: TripEntry, examples: Examples) -> Entry:
    given = vow.document.trips[trip.name]
    facts = [
        ("trips when", trip.when.text),
        ("delay", _span(trip.after_ns)),
        ("looked at", f"every {duration_text(given.every)}" if given.every else "all the time"),
        ("watched in", _states(given.armed_in)),
        ("leads to", trip.to),
        ("notice tells", trip.reports),
    ]
    gone = f"{trip.cleared_when.text}" if trip.cleared_when is not None else f"not ({trip.when.text})"
    clearing = [
        each.name for each in vow.actions.values() if ("clear_trip", "") in each.does and trip.to in each.to
    ]
    if trip.latched:
        by = f", then act {' or '.join(clearing)}" if clearing else ""
        facts.append(("what to do", f"Find the cause and remove it; wait until {gone}{by}."))
    else:
        facts.append(
            ("what to do", f"Find the cause and remove it; it is not latched: begin again from {trip.to}.")
        )
    return Entry(trip.name, given.means, tuple(facts), tuple(examples.trip(trip)))


def _leaves(vow: Vow, name: str) -> list[str]:
    told = []
    for leave in vow.document.states[name].leaves:
        when = [f"when {leave.when.text}"] if leave.when is not None else []
        if leave.after:
            when.append(f"{'for' if when else 'after'} {duration_text(leave.after)}")
        told.append(f"to {leave.to} {' '.join(when)}" + (f": {leave.means}" if leave.means else ""))
    return told
