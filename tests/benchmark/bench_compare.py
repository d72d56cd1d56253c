"""What a comparison costs: Tarn's document against itself changed in a hundred places.

The baseline is reading and vetting one document, as `wirevow vet` does: a comparison does that twice, finds
what differs, judges it and writes the page. What instruments are asked besides comes on top of it, and is not
in here: it is told with progress, and depends on what has changed (a protection that is slow to act takes
longest).
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from itertools import islice

from wirevow.protocol.compare.changes import changes
from wirevow.protocol.compare.comparison import compare
from wirevow.protocol.document.entries import MISSING, replaced, sites
from wirevow.protocol.document.load import load_document, read_yaml_model
from wirevow.protocol.document.model import Document
from wirevow.protocol.document.variants import OPERATORS
from wirevow.protocol.document.vet import vet
from wirevow.protocol.document.writing import text_of
from wirevow.protocol.report import differences

BARS = {"compare_100_changes_vs_vet": ("at most", 3.0)}
"""Reading and vetting Tarn's document takes 0.45 s on the machine that the bar of 2 s is for."""

ROUNDS = 5
PLACES = 100
TURNED = (
    ("timed", "every"),
    ("timed", "after"),
    ("timed", "settle"),
    ("turned", "saved"),
    ("nudged", "high"),
)
"""Operators, and the keys that they are used on."""


def changed(text: str) -> str:
    """The document with an entry changed in so many places."""
    data = load_document(text).source.data
    found = [
        (site, other)
        for operator, key in TURNED
        for site in sites(data)
        if site.key == key and site.value is not MISSING and "provoke" not in site.path
        for other in islice(OPERATORS[operator](site, data), 1)
    ]
    for site, other in found[:PLACES]:
        data = replaced(data, site.path, other)
    return text_of(data)


def seconds(work: Callable[[int], object]) -> float:
    took = []
    for turn in range(ROUNDS):
        begun = time.perf_counter()
        work(turn)
        took.append(time.perf_counter() - begun)
    return statistics.median(took)


def measure() -> dict[str, float]:
    path = "spec/tarn.yaml"
    with open(path, encoding="utf-8") as file:
        old = file.read()
    new = changed(path)

    def read(text: str, turn: int, name: str):  # type: ignore[no-untyped-def]
        # What was read last is kept: another last line is another text.
        loaded = read_yaml_model(f"{text}\n# {name} {turn}\n", Document, name)
        vet(loaded)
        return loaded

    def whole(turn: int) -> None:
        comparison = compare(read(old, turn, "old"), read(new, turn, "new"))
        differences.page(comparison, {})

    assert sum(1 for _ in changes(read(old, -1, "old").document, read(new, -1, "new").document)) >= PLACES
    return {"compare_100_changes_vs_vet": seconds(whole) / seconds(lambda turn: read(old, turn, "one"))}
