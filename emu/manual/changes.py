"""What has changed since an earlier version, for who has that version: protection first."""

from __future__ import annotations

from dataclasses import dataclass

from wirevow.protocol.compare.comparison import Comparison, Difference
from wirevow.protocol.compare.rules import Grade, Side
from wirevow.protocol.vow import Vow

GROUPS: tuple[tuple[Side, Grade, str, str], ...] = (
    (
        "bench",
        "later",
        "Protection that acts later, or no more",
        "What kept your set-up safe before may not do so now. Look at each before you connect.",
    ),
    ("bench", "otherwise", "Protection that acts otherwise", "Look at each before you connect."),
    (
        "bench",
        "earlier",
        "Protection that acts earlier, or besides",
        "What ran with the earlier version may trip now.",
    ),
    (
        "store",
        "misread",
        "Saved settings that are taken for others",
        "Once the firmware is renewed, put and save them again, before anything is energised.",
    ),
    ("host", "breaks", "Host programs that have to be changed", "Every program that uses one of these."),
    (
        "host",
        "may break",
        "Host programs to look at",
        "A program of which the last column is true has to be changed; no other.",
    ),
    (
        "store",
        "lost",
        "Settings that were saved",
        "Note their values before the firmware is renewed, and put and save them again.",
    ),
)
"""Side and grade of a comparison, what they are called here, and what to do; the gravest first."""


@dataclass(frozen=True, slots=True)
class Row:
    """One change: where it is told in the manual ("" for nowhere), what it is about, what and when."""

    link: str
    what: str
    reason: str
    condition: str


@dataclass(frozen=True, slots=True)
class Changes:
    """The section of the manual. `safe` counts what no host can tell."""

    old_version: str
    groups: tuple[tuple[str, str, tuple[Row, ...]], ...]
    new: tuple[Row, ...]
    renames: tuple[tuple[str, str], ...]
    safe: int
    protection: bool
    """Whether a protection acts otherwise."""


def changes(vow: Vow, comparison: Comparison) -> Changes:
    """A comparison of an earlier version with `vow`'s document, in a reader's words."""
    protection = {(each.requirement, each.name) for each in comparison.of("bench")}
    groups = []
    for side, grade, title, advice in GROUPS:
        rows = [
            _row(vow, each)
            for each in comparison.of(side)
            # What is told of a protection is not told of host programs again.
            if each.effect.grade == grade
            and (side == "bench" or (each.requirement, each.name) not in protection)
        ]
        if rows:
            groups.append((title, advice, tuple(rows)))
    safe = [each for each in comparison.of("host") if each.effect.grade == "safe"]
    new = [each for each in safe if each.name in _come(vow)]
    return Changes(
        comparison.old_version,
        tuple(groups),
        tuple(_row(vow, each) for each in new),
        tuple((f"{each.section.removesuffix('s')} {each.old}", each.new) for each in comparison.renames),
        len(safe) - len(new),
        bool(protection),
    )


def _come(vow: Vow) -> set[str]:
    """What a change is called that brings a point or an action."""
    return {*(f"points {name}" for name in vow.points), *(f"actions {name}" for name in vow.actions)}


def _row(vow: Vow, difference: Difference) -> Row:
    section = difference.requirement.partition(".")[0]
    told = {"point": vow.points, "action": vow.actions, "trip": vow.trips}.get(section, {})
    what = f"{section} {difference.element}" if difference.element else difference.name.replace("_", " ")
    effect = difference.effect
    return Row(
        f"{section}-{difference.element}" if difference.element in told else "",
        what,
        effect.reason,
        effect.condition,
    )
