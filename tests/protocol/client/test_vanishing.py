"""A port that vanishes: one clear error in every phase, and the box is made safe by its own watchdog."""

import asyncio
import subprocess
from typing import Any

import pytest

import wirevow
from tests.protocol.client.serving import COMMAND
from wirevow.protocol.client import aio, sync
from wirevow.protocol.client.operations import Came, Step
from wirevow.protocol.serialport import PortError

TARN = wirevow.load("tarn")
GONE = "the port was lost"


class Cable:
    """Falls out after so many turns, before or after what the host sends then."""

    def __init__(self, turns: int, sent: bool) -> None:
        self._left = turns
        self._sent = sent

    def pulled(self) -> bool:
        return self._left < 0

    def before(self, step: Step) -> None:
        self._left -= 1
        if self.pulled() and (self._left < -1 or not self._sent):
            raise PortError(GONE)

    def after(self) -> None:
        if self.pulled():
            raise PortError(GONE)


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> list[Cable]:
    """The cable that clients have, last in the list."""
    cables: list[Cable] = []
    for link, awaited in ((sync.Link, False), (aio.Link, True)):
        turn, reopen = link.turn, link.open

        def turned(self: Any, step: Step, turn: Any = turn) -> Came:
            cables[-1].before(step)
            came: Came = turn(self, step)
            cables[-1].after()
            return came

        async def turned_later(self: Any, step: Step, turn: Any = turn) -> Came:
            cables[-1].before(step)
            came: Came = await turn(self, step)
            cables[-1].after()
            return came

        def opened(self: Any, reopen: Any = reopen) -> Any:
            cables[-1].after()
            return reopen(self)

        monkeypatch.setattr(link, "turn", turned_later if awaited else turned)
        monkeypatch.setattr(link, "open", opened)
    return cables


def host(client: wirevow.Client) -> None:
    client.input.voltage.read()
    client.read("input.*")
    client.sink.level.put(0.5)
    client.sink.start()
    client.sleep(5)
    client.input.current.read()


async def async_host(client: wirevow.AsyncClient) -> None:
    await client.input.voltage.read()
    await client.read("input.*")
    await client.sink.level.put(0.5)
    await client.sink.start()
    await client.sleep(5)
    await client.input.current.read()


def one_clear_error(error: BaseException) -> bool:
    """Whether it says what a person needs; an alarm beside it, if the box may be energised, and no more."""
    assert isinstance(error, wirevow.WirevowError)
    assert GONE in error.message
    notes = getattr(error, "__notes__", [])
    assert len(notes) <= 1
    assert all("DISCONNECT" in note.upper() for note in notes)
    return bool(notes) or isinstance(error, wirevow.UnsafeEnd)


@pytest.mark.parametrize("sent", [False, True])
def test_in_every_phase(cut: list[Cable], sent: bool, capsys: pytest.CaptureFixture[str]) -> None:
    errors: set[str] = set()
    with wirevow.emulate("tarn", bench="lithium-pack") as run:
        for turns in range(200):
            cut.append(Cable(turns, sent))
            energised = alarmed = False
            try:
                with wirevow.connect(run.url, TARN, checks=True, reconnect=0) as client:
                    host(client)
            except wirevow.WirevowError as error:
                alarmed = one_clear_error(error)
                errors.add(type(error).__name__)
                energised = run._world.line.instrument.device.state != "off"  # type: ignore[attr-defined]
            else:
                break
            assert alarmed or not energised, f"nobody was told after {turns} turns"
            cut.append(Cable(10**9, False))
            run._world.advance(10 * 10**9)
            with wirevow.connect(run.url, TARN, checks=True) as client:
                assert client.self.state.read() == "off", f"the box went on after {turns} turns"
        else:
            pytest.fail("it never got through")
    assert turns > 15
    assert errors == {"PortError", "Unsure", "UnsafeEnd"}
    assert "THE INSTRUMENT MAY STILL BE HANDLING POWER" in capsys.readouterr().err


@pytest.mark.parametrize("sent", [False, True])
def test_in_every_phase_on_asyncio(cut: list[Cable], sent: bool) -> None:
    errors: set[str] = set()

    async def work() -> None:
        for turns in range(200):
            cut.append(Cable(turns, sent))
            client = wirevow.connect_async("emu://tarn", TARN, checks=True, reconnect=0)
            try:
                async with client:
                    await async_host(client)
            except wirevow.WirevowError as error:
                one_clear_error(error)
                errors.add(type(error).__name__)
            else:
                assert turns > 15
                return
        pytest.fail("it never got through")

    with asyncio.Runner(loop_factory=wirevow.VirtualLoop) as runner:
        runner.run(work())
    assert errors == {"PortError", "Unsure", "UnsafeEnd"}


@pytest.mark.parametrize("listen", ["pty", "tcp:127.0.0.1:0"])
def test_a_simulator_that_is_killed_under_its_host(listen: str) -> None:
    command = [*COMMAND, "tarn", "--listen", listen]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        url = process.stdout.readline().split()[1].replace("tcp:", "socket://")
        with pytest.raises(wirevow.WirevowError, match=GONE) as lost:
            kill_under(url, process)
    assert any("disconnect the source" in note for note in lost.value.__notes__)


def kill_under(url: str, process: subprocess.Popen[str]) -> None:
    with wirevow.connect(url, TARN, reconnect=0) as client:
        client.sink.start()
        process.kill()
        process.wait()
        client.sleep(5)
