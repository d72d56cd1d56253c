"""A good instrument passes wherever it is connected: a part of the matrix; the whole is in the campaign."""

import os
import subprocess
import sys

import pytest

from tests.matrix import Cell, cells, looked_at

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
"""pyserial's RFC 2217 client still calls them."""
QUICK = ("wire.tag", "wire.length", "wire.check", "point.sink.level.bounds", "trip.overcurrent.*")
"""Each shows at once when bytes, hands or times are not told apart as they should be."""
REAL = ("wire.tag", "wire.length", "wire.deadline")
PACED = ("wire.deadline", "wire.check")


@pytest.mark.parametrize(
    ("cell", "only"),
    [
        *((Cell(port, "held", "full"), QUICK) for port in ("emu", "pty", "tcp", "rfc2217")),
        (Cell("pty", "held", "dry"), QUICK),
        (Cell("emu", "held", "envelope"), QUICK),
        *((Cell(port, "real", "dry"), REAL) for port in ("pty", "tcp", "rfc2217")),
        (Cell("tcp", "real", "full"), REAL),
        (Cell("pty", "115200", "dry"), REAL),
        (Cell("tcp", "9600", "dry"), PACED),
        (Cell("pty", "load", "dry"), REAL),
    ],
    ids=str,
)
def test_nothing_of_a_good_instrument_fails_here(cell: Cell, only: tuple[str, ...]) -> None:
    assert cell in cells()
    verdict, troubles, _ = looked_at(cell, only)
    # Only where others keep the machine busy, or an envelope bars the way, may something not be judged.
    sure = cell.clock == "held" and cell.profile != "envelope"
    assert verdict in (("pass",) if sure else ("pass", "inconclusive")), troubles


def test_where_time_is_virtual_the_bytes_are_the_same_at_every_port() -> None:
    digests = {
        cell.port: looked_at(cell, (), budget=400)[2]
        for cell in cells()
        if cell.clock == "held" and cell.profile == "full"
    }
    assert len(digests) == 5
    assert len(set(digests.values())) == 1, digests


def test_the_bytes_are_the_same_whatever_the_interpreter_makes_of_a_set() -> None:
    program = (
        "from tests.matrix import Cell, looked_at\n"
        "print(looked_at(Cell('in process', 'held', 'full'), (), budget=4000)[2])"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1
