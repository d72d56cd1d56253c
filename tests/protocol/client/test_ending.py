"""Whatever ends a host program, it leaves the instrument safe: at a real port, in real time."""

import json
import subprocess
import sys

import pytest

from tests.protocol.client.hosts import WAYS
from tests.protocol.client.serving import serving

STATUS = {"SIGTERM": 143, "SIGHUP": 129, "SIGINT": -2, "asyncio SIGTERM": 143, "asyncio SIGHUP": 129}
"""How a process ends that a signal ended, as its parent sees it."""


@pytest.fixture(scope="module")
def ended() -> dict[str, dict[str, object]]:
    with serving() as url:
        command = [sys.executable, "-m", "tests.protocol.client.hosts", url]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(rows) == len(WAYS), done.stderr
    return {row["way"]: row for row in rows}


@pytest.mark.parametrize("way", WAYS)
def test_the_instrument_is_off_when_the_host_has_ended(ended: dict[str, dict[str, object]], way: str) -> None:
    # Without a trip: the host did it, not the link watchdog.
    assert (ended[way]["state"], ended[way]["trip"]) == ("off", "none")
    assert ended[way]["status"] == STATUS.get(way, ended[way]["status"])
