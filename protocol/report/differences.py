"""A comparison of two documents as text, as JSON and as one HTML page."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict

from wirevow._version import __version__
from wirevow.protocol.compare.comparison import RANK, SIDES, Comparison, Difference
from wirevow.protocol.compare.image import Image
from wirevow.protocol.compare.shown import Shown
from wirevow.protocol.report.outcome import printable
from wirevow.protocol.report.page import parts
from wirevow.protocol.templates import templates

HEADS = {
    "bench": "The bench: what protects it",
    "host": "Hosts written for the old version",
    "store": "Settings that were saved",
}


STYLES = {"later": "fail", "misread": "fail", "breaks": "fail", "safe": "pass"}
"""Of the page, by grade; the others are `doubt`."""
WORST = {
    "later": "A protection acts later than it did, or not at all.",
    "otherwise": "A protection acts otherwise.",
    "earlier": "A protection acts earlier than it did.",
    "misread": "A saved setting is taken for another: rename it.",
    "breaks": "Every lawful host that uses what has changed is answered otherwise.",
    "may break": "A lawful host may be answered otherwise.",
    "lost": "Saved settings fall to their defaults.",
}
ASKED = {"major": "a new first number", "minor": "a new second number", "patch": "a new third number"}

Witnesses = Mapping[Difference, Shown]
"""What the experiment shows of each difference that it was asked about."""


def lines(comparison: Comparison, witnesses: Witnesses) -> Iterator[str]:
    """For the terminal."""
    if not comparison.differences:
        yield "nothing differs"
    for side in SIDES:
        found = [each for each in comparison.of(side) if each.effect.grade != "safe"]
        guarded = [each for each in comparison.stored if each.unmarked] if side == "store" else []
        if not found and not guarded:
            continue
        yield HEADS[side] + (_survivors(comparison) if side == "store" else "")
        for each in found:
            yield f"  {each.effect.grade:<9}  {each.requirement}: {printable(each.effect.reason)}"
            if each.effect.condition:
                yield f"             when {printable(each.effect.condition)}"
            yield f"             {each.old_place}, {each.new_place}"
            yield from _shown(witnesses.get(each, Shown()))
        for stored in guarded:
            yield f"  guarded    point.{stored.name}: by its place alone, {printable(stored.unmarked)}"
        yield ""
    for rename in comparison.renames:
        yield (
            f"renamed? {rename.section} {rename.old} has gone and {rename.new} has come, the same in all but"
            " name; a host sees two elements"
        )
    yield from _ending(comparison)


def _shown(shown: Shown) -> Iterator[str]:
    if shown.differs:
        yield from (f"               {printable(line)}" for line in shown.differs.splitlines())
    if shown.holds:
        yield "             and not so:"
        yield from (f"               {printable(line)}" for line in shown.holds.splitlines())
    if shown.not_shown:
        yield f"             not shown: {printable(shown.not_shown)}"


def _survivors(comparison: Comparison) -> str:
    fates = Counter(each.fate for each in comparison.stored)
    return f": {fates['kept']} of {fates['kept'] + fates['lost']} survive"


def _ending(comparison: Comparison) -> Iterator[str]:
    safe = comparison.counts()["safe"]
    if safe:
        yield f"safe: {safe} differences that no host can tell"
    yield from (each for each in (_used(comparison), _version(comparison)) if each)


def _used(comparison: Comparison) -> str:
    if comparison.used is None:
        return ""
    return f"your host uses {comparison.used[0]} of {comparison.used[1]} points and actions"


def _version(comparison: Comparison) -> str:
    if comparison.asked is None:
        return ""
    right = "is right" if comparison.enough else "is too small"
    return (
        f"version: {ASKED[comparison.asked]} is needed;"
        f" {comparison.old_version} to {comparison.new_version} {right}"
    )


def page(comparison: Comparison, witnesses: Witnesses) -> str:
    """As one HTML page that needs nothing else: no script, no font, no network."""
    environment = templates("wirevow.protocol.report")
    environment.filters["printable"] = printable
    environment.filters["parts"] = parts
    environment.filters["style"] = lambda grade: STYLES.get(grade, "doubt")
    environment.filters["capitalised"] = lambda sentence: sentence[:1].upper() + sentence[1:]
    counts = {
        side: Counter(each.effect.grade for each in comparison.of(side) if each.effect.grade != "safe")
        for side in SIDES
    }
    found = [grade for side in SIDES for grade in counts[side]]
    return environment.get_template("compare.html.j2").render(
        c=comparison,
        witnesses=witnesses,
        sides=HEADS,
        counts=counts,
        worst=min(found, key=RANK.__getitem__, default=None),
        heads=WORST,
        safe=[each for each in comparison.differences if each.effect.grade == "safe"],
        used=_used(comparison),
        version=_version(comparison),
        wirevow=__version__,
    )


def image_lines(path: str, image: Image) -> Iterator[str]:
    """What the new firmware makes of a saved image, for the terminal."""
    saves = "" if image.saves is None else f", after {image.saves} saves"
    yield f"{printable(path)}: image {image.number} at byte {image.place}{saves}: {image.entries} entries,"
    yield f"  of which the old document knows {image.of_old} and the new one {image.of_new}"
    for each in image.settings:
        was = "" if each.kept or not each.was else f"   (saved: {each.was})"
        yield f"  {'kept' if each.kept else 'default':<9}  {each.name} {' '.join(each.words)}{was}"


def text(comparison: Comparison, witnesses: Witnesses, image: Image | None = None) -> str:
    """As JSON: the same facts, one object."""
    return json.dumps(
        {
            "old_version": comparison.old_version,
            "new_version": comparison.new_version,
            "version_part": comparison.asked,
            "version_enough": comparison.enough,
            "differences": [
                {
                    "requirement": each.requirement,
                    "what": each.name,
                    "side": each.effect.side,
                    "grade": each.effect.grade,
                    "reason": each.effect.reason,
                    "condition": each.effect.condition,
                    "old": each.old_place,
                    "new": each.new_place,
                    "shown": asdict(witnesses[each]) if each in witnesses else None,
                }
                for each in comparison.differences
            ],
            "stored": [asdict(each) for each in comparison.stored],
            "image": None if image is None else asdict(image),
            "renames": [asdict(rename) for rename in comparison.renames],
            "used": comparison.used,
        },
        indent=2,
    )
