"""The wire: points and parts that it relies on, times that fit each other, lines that fit the limit."""

from __future__ import annotations

from dataclasses import dataclass

from wirevow.protocol.document.model import Action, Point, System, duration_text
from wirevow.protocol.document.vet.survey import Survey
from wirevow.protocol.quantity import Scale
from wirevow.protocol.record import parts_of


@dataclass(frozen=True, slots=True)
class Kept:
    """A value that the wire keeps: the name every host knows, the unit of its quantity (None: no quantity).

    `part` is the part of the wire that brings it; without one every document has it, unless it is `optional`.
    """

    name: str | None
    unit: str | None = None
    part: str | None = None
    settable: bool = False
    optional: bool = False


SYSTEM: dict[System, Kept] = {
    "identity": Kept("self.vow"),
    "state": Kept("self.state"),
    "uptime": Kept("self.uptime", "s"),
    "boots": Kept("self.boots", "1"),
    "boot_cause": Kept("self.boot_cause"),
    "guard": Kept("link.guard", settable=True),
    "notices": Kept("link.notices", part="notices", settable=True),
    "drops": Kept("link.drops", "1", part="notices"),
    "silence": Kept("link.silence", "s", part="watchdog"),
    "control": Kept("panel.control", part="local"),
    "last_trip": Kept("trip.last", optional=True),
    "saves": Kept(None, "1", optional=True),
    "captures": Kept(None, "1", part="bulk", optional=True),
}
"""Points of the wire itself (`spec/wire.md`). A document with trips needs `last_trip` as well."""

PATIENCE = "link.patience"
"""The setting that the link watchdog compares the silence with."""


def check(survey: Survey) -> None:
    """Every rule about the wire but the length of lines."""
    _system(survey)
    _parts(survey)
    _times(survey)


# ---------------------------------------------------------------------------------------- system and parts


def _system(survey: Survey) -> None:
    document = survey.document
    for system, kept in SYSTEM.items():
        points = [(name, point) for name, point in document.points.items() if point.system == system]
        needed = kept.part in document.wire.parts if kept.part is not None else True
        if kept.optional:
            needed = system == "last_trip" and bool(document.trips)
        if not points and needed and not (kept.name in document.points and system != "identity"):
            survey.report(
                "system-missing",
                ("points",),
                f"there is no point for {system}" + (f", {kept.name}" if kept.name else ""),
                f"add {kept.name}: {{means: ..., system: {system}{_form(kept)}}}",
            )
        for name, _ in points[1:]:
            survey.report(
                "system-twice",
                ("points", name),
                f"{points[0][0]} answers {system} already",
                "remove one of them",
            )
        for name, point in points[:1]:
            if kept.name is not None and name != kept.name:
                survey.report(
                    "system-name",
                    ("points", name),
                    f"{name} answers {system}, which every host asks as {kept.name}",
                    f"name it {kept.name}",
                )
            _system_form(survey, name, point, kept)
    for kept in SYSTEM.values():
        if kept.name in document.points and document.points[kept.name].system is None:
            system = next(key for key, value in SYSTEM.items() if value is kept)
            survey.report(
                "system-form",
                ("points", kept.name),
                f"{kept.name} is a name of the wire itself",
                f"write system: {system} in it, or name the point otherwise",
            )


def _form(kept: Kept) -> str:
    return (", quantity: ..." if kept.unit else "") + (", access: set" if kept.settable else "")


def _system_form(survey: Survey, name: str, point: Point, kept: Kept) -> None:
    where = ("points", name)
    if (point.access == "set") != kept.settable:
        survey.report(
            "system-form",
            where,
            f"{name} {'can be put' if kept.settable else 'cannot be put'}",
            "write access: set" if kept.settable else "remove access: set",
        )
    elif (
        point.default is not None
        or point.saved
        or point.local
        or point.low is not None
        or point.high is not None
        or point.set_in is not None
        or point.drives is not None
    ):
        survey.report(
            "system-form",
            where,
            f"the wire keeps {name}",
            "remove default, low, high, set_in, drives, saved and local from it",
        )
    elif kept.unit is None:
        if point.quantity is not None or point.choice is not None:
            survey.report("system-form", where, f"{name} has words of its own", "remove quantity and choice")
    else:
        unit = survey.document.quantities[point.quantity].unit if point.quantity is not None else None
        if unit != kept.unit:
            survey.report(
                "system-form",
                where,
                f"{name} is counted in {kept.unit}, not in {unit or 'nothing'}",
                f"give it a quantity with unit {kept.unit}",
            )


def _parts(survey: Survey) -> None:
    document = survey.document
    parts = document.wire.parts
    for index, part in enumerate(parts):
        if part in parts[:index]:
            survey.report(
                "part-unused", ("wire", "parts", index), f"{part} is here twice", "remove one of them"
            )
    for name, point in document.points.items():
        kept = SYSTEM.get(point.system) if point.system is not None else None
        needed = [
            ("bulk", point.record is not None, "record"),
            ("local", point.local, "local"),
            (kept.part if kept else None, kept is not None and kept.part is not None, "system"),
        ]
        for wanted, uses, key in needed:
            if uses and wanted not in parts:
                survey.report(
                    "part-undeclared",
                    ("points", name, key),
                    f"{name} needs the part {wanted} of the wire",
                    f"add {wanted} to wire.parts, or remove it",
                )
    if "bulk" in parts and not any(point.record for point in document.points.values()):
        survey.report(
            "part-unused",
            ("wire", "parts"),
            "bulk is declared and no point answers a record",
            "remove bulk, or add one",
        )
    if "watchdog" in parts:
        _watchdog(survey)


def _watchdog(survey: Survey) -> None:
    document = survey.document
    point = document.points.get(PATIENCE)
    quantity = survey.quantity(point) if point is not None else None
    if point is None or point.access != "set" or quantity is None or quantity.unit != "s":
        survey.report(
            "system-missing",
            ("points",) if point is None else ("points", PATIENCE),
            f"the link watchdog needs {PATIENCE}, a setting in s",
            f"add {PATIENCE}: {{means: ..., quantity: ..., access: set, default: ...}}",
        )
    elif not any("link.silence" in trip.when.names for trip in document.trips.values()):
        survey.report(
            "part-unused",
            ("wire", "parts"),
            "watchdog is declared and no trip watches link.silence",
            "add a trip, or remove watchdog",
        )


# -------------------------------------------------------------------------------------------------- times


def _times(survey: Survey) -> None:
    wire = survey.document.wire
    # Two characters of ten bits: a gap that short is no gap yet.
    shortest = 2 * 10 * 10**9 // wire.baud
    sound = True
    for key, idle in (("idle_typing", wire.idle_typing), ("idle_checked", wire.idle_checked)):
        if idle <= shortest:
            survey.report(
                "wire-times",
                ("wire", key),
                f"an idle time of {duration_text(idle)} cuts lines at {wire.baud} bit/s",
                f"write more than {duration_text(shortest)}",
            )
            sound = False
    if sound and wire.idle_checked > wire.idle_typing:
        survey.report(
            "wire-times",
            ("wire", "idle_checked"),
            "with the guard on a line may pause longer than while people type",
            "write at most the time of idle_typing",
        )
    if wire.reply_deadline == 0:
        survey.report(
            "wire-times",
            ("wire", "reply_deadline"),
            "no reply begins at once",
            "write the longest time it takes",
        )
    patience = survey.document.points.get(PATIENCE)
    if patience is not None and PATIENCE in survey.ranges:
        shortest_s = survey.ranges[PATIENCE][0]
        if wire.reply_deadline >= shortest_s * 10**9:
            survey.report(
                "wire-times",
                ("wire", "reply_deadline"),
                f"a reply may take {duration_text(wire.reply_deadline)}, and {PATIENCE} may be"
                f" {duration_text(int(shortest_s * 10**9))}: a host that waits for it would count as silent",
                "shorten the deadline, or raise the least patience",
            )


# -------------------------------------------------------------------------------------------------- lines

_TAG = "@ffff "
_CHECK = " ~FFFF"
_DIGEST = "0" * 8


def lines(survey: Survey) -> None:
    """The longest request, reply and notice of every element fit the line limit."""
    document = survey.document
    states = max(map(len, document.states))
    for name, point in document.points.items():
        values = _values(survey, name)
        requests = [f"ask {name}"]
        replies = [f"refuse state {'s' * states}"]
        if point.record is not None:
            size = point.part_bytes or 16
            last = str(parts_of(document.records[point.record], size) - 1)
            requests = [f"ask {name} {last}"]
            replies.append(f"ok {last} {'F' * 2 * size}")
        else:
            replies += [f"ok {value}" for value in values]
        if point.access == "set":
            requests += [f"put {name} {value}" for value in values]
            if name in survey.scales:
                scale = survey.scales[name]
                replies.append(f"refuse range {scale.text(scale.low)} {' '.join(scale.words(scale.high))}")
        notices = [f"note 65535 local {name} {value}" for value in values] if point.local else []
        _fits(survey, ("points", name), name, requests, replies, notices)
    for name, action in document.actions.items():
        _action_lines(survey, name, action, states)
    for name, trip in document.trips.items():
        said = [f"{name} {value}" for value in _values(survey, trip.reports)]
        _fits(
            survey,
            ("trips", name),
            name,
            [],
            [f"ok {words}" for words in said] + [f"refuse fault {name}"],
            [f"note 65535 trip {words}" for words in said] if "notices" in document.wire.parts else [],
        )
    if "notices" in document.wire.parts:
        for name in document.states:
            _fits(survey, ("states", name), name, [], [], [f"note 65535 state {name}"])


def _action_lines(survey: Survey, name: str, action: Action, states: int) -> None:
    number = "" if action.many is None else f" {action.many - 1}"
    request = f"act {name}{number}" + (" ffff" if action.takes_ticket is not None else "")
    _fits(survey, ("actions", name), name, [request], [f"refuse state {'s' * states}", "ok ffff"], [])


def _values(survey: Survey, name: str) -> list[str]:
    """The longest texts that the value of a point can have."""
    point = survey.document.points[name]
    if name in survey.scales:
        return _longest(survey.scales[name])
    if point.system == "identity":
        return [f"{survey.document.vow.name} {survey.document.vow.version} {_DIGEST}"]
    if point.system == "last_trip":
        return ["none"]  # what a trip says is counted at the trip
    return list(survey.choices(name))


def _longest(scale: Scale) -> list[str]:
    return [" ".join(scale.words(counts)) for counts in (scale.low, scale.high)]


def _fits(
    survey: Survey,
    where: tuple[str, str],
    name: str,
    requests: list[str],
    replies: list[str],
    notices: list[str],
) -> None:
    limit = survey.document.wire.line_limit
    for kind, tag, texts in (("request", _TAG, requests), ("reply", _TAG, replies), ("notice", "", notices)):
        if not texts:
            continue
        longest = f"{tag}{max(texts, key=len)}{_CHECK}"
        if len(longest) > limit:
            survey.report(
                "line-length",
                where,
                f"the longest {kind} of {name} has {len(longest)} characters, the limit is {limit}",
                "shorten the name, or raise wire.line_limit",
            )
            return
