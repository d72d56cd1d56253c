"""What each room of the checker costs, and what it finds: a table.

    python -m tests.campaign.rooms [DOC] [--faults N] [--on ADDRESS]

Cost is of one check of the good instrument: lines and seconds of its purposes, without the ways to where they
begin. Yield is of a sample of the catalogue's faults, one in so many of each kind: where each is found first.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from wirevow.emu.audit import vow_at
from wirevow.emu.direct import direct_tester
from wirevow.emu.executor import results
from wirevow.emu.faults import build_instrument, faults_for
from wirevow.emu.ports.address import find
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.campaign import Spent
from wirevow.protocol.conformance.outcome import NoInstrument

FAULTS = 60
DOOR, NOWHERE = "(getting acquainted)", "(not found)"


@dataclass(frozen=True, slots=True)
class First:
    """Where a fault was found first, and after how many lines of the whole check."""

    room: str
    lines: int


def cost(document: str) -> dict[str, Spent]:
    """Of a check of the good instrument."""
    vow = vow_at(document)
    return campaign.run(direct_tester(vow, build_instrument(vow))).rooms


def first(task: tuple[str, str]) -> First:
    """Where a fault is found first in an instrument of a document."""
    document, fault = task
    vow = vow_at(document)
    try:
        tester = direct_tester(vow, build_instrument(vow, fault=fault))
        report = campaign.run(tester, until_failure=True, reduce=False)
    except NoInstrument:
        return First(DOOR, 0)
    if not report.failures:
        return First(NOWHERE, report.lines)
    room = next((name for name, spent in report.rooms.items() if spent.failures), DOOR)
    return First(room, report.failures[0].lines)


def told(rooms: dict[str, Spent], found: Iterable[First]) -> Iterator[str]:
    """The table, in the order in which the check comes to the rooms."""
    where: dict[str, list[int]] = defaultdict(list)
    for each in found:
        where[each.room].append(each.lines)
    whole = sum(spent.lines for spent in rooms.values()) or 1
    count = sum(map(len, where.values())) or 1
    heads = f"{'lines':>8}{'share':>8}{'seconds':>9}{'found first':>13}{'share':>8}{'median line':>13}"
    yield f"{'room':28}{heads}"
    for name in [*rooms, *(each for each in (DOOR, NOWHERE) if where[each])]:
        spent, lines = rooms.get(name, Spent()), where[name]
        median = f"{statistics.median(lines):g}" if lines else "-"
        yield (
            f"{name:28}{spent.lines:>8}{spent.lines / whole:>8.1%}{spent.seconds:>9.2f}"
            f"{len(lines):>13}{len(lines) / count:>8.1%}{median:>13}"
        )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("document", nargs="?", default="tarn")
    parser.add_argument("--faults", type=int, default=FAULTS, metavar="N", help=f"About so many ({FAULTS}).")
    parser.add_argument("--on", metavar="ADDRESS", help="Of a Dask scheduler.")
    given = parser.parse_args()
    document = str(find(given.document).resolve())
    known = [fault.name for fault in faults_for(vow_at(document))]
    chosen = list(islice(known, 0, None, max(1, len(known) // given.faults)))
    found = [each for _, each in results(first, [(document, name) for name in chosen], on=given.on)]
    print(*told(cost(document), found), sep="\n")
    return 0


if __name__ == "__main__":
    from tests.campaign import rooms  # as other processes import it

    sys.exit(rooms.main())
