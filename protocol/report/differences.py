"""A comparison of two documents as text, as JSON and as one HTML page."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict

from wirevow.protocol.compare.comparison import SIDES, Comparison, Difference
from wirevow.protocol.report.outcome import printable

HEADS = {
    "bench": "The bench: what protects it",
    "host": "Hosts written for the old version",
    "store": "Settings that were saved",
}


def lines(comparison: Comparison, witnesses: Mapping[Difference, str]) -> Iterator[str]:
    """For the terminal. `witnesses`: the exchange that shows a difference."""
    if not comparison.differences:
        yield "nothing differs"
    for side in SIDES:
        found = [each for each in comparison.of(side) if each.effect.grade != "safe"]
        if not found:
            continue
        yield HEADS[side]
        for each in found:
            yield f"  {each.effect.grade:<9}  {each.requirement}: {printable(each.effect.reason)}"
            if each.effect.condition:
                yield f"             when {printable(each.effect.condition)}"
            yield f"             {each.old_place}, {each.new_place}"
            for line in witnesses.get(each, "").splitlines():
                yield f"               {printable(line)}"
        yield ""
    for rename in comparison.renames:
        yield (
            f"renamed? {rename.section} {rename.old} has gone and {rename.new} has come, the same in all but"
            " name; a host sees two elements"
        )
    yield from _ending(comparison)


def _ending(comparison: Comparison) -> Iterator[str]:
    safe = comparison.counts()["safe"]
    if safe:
        yield f"safe: {safe} differences that no host can tell"
    if comparison.used is not None:
        yield f"your host uses {comparison.used[0]} of {comparison.used[1]} points and actions"
    if comparison.asked is not None:
        asked = {"major": "a new first number", "minor": "a new second number", "patch": "a new third number"}
        right = "is right" if comparison.enough else "is too small"
        yield (
            f"version: {asked[comparison.asked]} is needed;"
            f" {comparison.old_version} to {comparison.new_version} {right}"
        )


def text(comparison: Comparison, witnesses: Mapping[Difference, str]) -> str:
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
                    "witness": witnesses.get(each),
                }
                for each in comparison.differences
            ],
            "renames": [asdict(rename) for rename in comparison.renames],
            "used": comparison.used,
        },
        indent=2,
    )
