"""A port that was unplugged and is there again."""

import asyncio
import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

import wirevow
from tests.protocol.client.serving import COMMAND

TARN = wirevow.load("tarn")


@contextlib.contextmanager
def plugged(link: Path) -> Iterator[subprocess.Popen[str]]:
    command = [*COMMAND, "tarn", "--link", str(link)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        try:
            yield process
        finally:
            process.terminate()


async def sync_host(link: Path) -> None:
    with plugged(link) as before:
        client = wirevow.connect(str(link), TARN)
        assert client.input.voltage.read() == pytest.approx(12, abs=0.1)
        before.terminate()
    with plugged(link), client:
        assert client.input.voltage.read() == pytest.approx(12, abs=0.1)
        said = [str(event) for event in client.notices(timeout=0)]
    assert any(each.startswith("reconnected off") for each in said), said


async def async_host(link: Path) -> None:
    with plugged(link) as before:
        client = wirevow.connect_async(str(link), TARN)
        await client.open()
        assert await client.input.voltage.read() == pytest.approx(12, abs=0.1)
        before.terminate()
    with plugged(link):
        assert await client.input.voltage.read() == pytest.approx(12, abs=0.1)
        said = [str(event) async for event in client.notices(timeout=0)]
        await client.close()
    assert any(each.startswith("reconnected off") for each in said), said


@pytest.mark.parametrize("host", [sync_host, async_host])
def test_a_client_reads_on_after_a_replug_and_says_what_happened(host, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    asyncio.run(host(tmp_path / "port"))
