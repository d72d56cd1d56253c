"""The server as a process: it sleeps when nothing happens and ends when told."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import serial

from tests.emu.serving import serving, until
from wirevow.emu.ports import waiter
from wirevow.protocol.conformance.rig import open_rig

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")

ROOT = Path(__file__).parents[2]


class Counting(waiter.SelectWaiter):
    """Counts how often a server wakes up."""

    woken = 0

    def wait(self, timeout_s: float | None) -> list[tuple[int, int]]:
        Counting.woken += 1
        return super().wait(timeout_s)


class TestSleep:
    """Timeouts are not tested here, only that nothing keeps waking the server up."""

    @pytest.fixture(autouse=True, params=["select", "epoll"])
    def _counting(self, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
        if request.param == "select":
            monkeypatch.setattr("wirevow.emu.ports.server.make_waiter", lambda punctual: Counting())
        else:
            wait = waiter.EpollWaiter.wait

            def counted(self: waiter.EpollWaiter, timeout_s: float | None) -> list[tuple[int, int]]:
                Counting.woken += 1
                return wait(self, timeout_s)

            monkeypatch.setattr(waiter.EpollWaiter, "wait", counted)

    def asleep(self) -> bool:
        time.sleep(0.05)  # what is under way may end
        before = Counting.woken
        time.sleep(0.2)
        return Counting.woken - before <= 2

    def test_before_a_host_comes(self) -> None:
        with serving():
            assert self.asleep()

    def test_while_a_host_is_silent(self) -> None:
        with serving() as (_, address, _), serial.Serial(address, timeout=30) as port:
            port.write(b"ping x\n")
            port.readline()
            assert self.asleep()

    def test_while_nothing_is_due_for_years(self) -> None:
        with serving() as (_, address, _), serial.Serial(address, timeout=30) as port:
            port.write(b"later 1e9 tick\n")
            assert port.readline() == b"ok\n"
            assert self.asleep()

    def test_after_the_host_has_gone(self) -> None:
        with serving() as (fake, address, _):
            serial.Serial(address).close()
            until(lambda: len(fake.seen) == 2)
            assert self.asleep()

    @pytest.mark.parametrize("pace", [None, 921600])
    def test_while_a_host_does_not_read(self, pace: int | None) -> None:
        with serving(pace=pace) as (_, address, _), serial.Serial(address, write_timeout=0.5) as port:
            with pytest.raises(serial.SerialTimeoutException):
                port.write(b"long 60000\n" * 10_000)
            if pace is not None:
                time.sleep(0.5)  # until the wire has filled every buffer
            assert self.asleep()

    def test_while_the_clock_is_held(self) -> None:
        with serving(rig=True) as (_, address, endpoint), serial.Serial(address, timeout=30) as port:
            rig = open_rig(endpoint)
            rig.hold()
            port.write(b"later 0.001 tick\n")
            port.readline()
            assert self.asleep()
            rig.close()

    def test_after_a_refused_host_that_does_not_hang_up(self) -> None:
        with serving("tcp:127.0.0.1:0") as (_, address, _), serial.serial_for_url(address) as first:
            with serial.serial_for_url(address):
                assert self.asleep()
            assert first.is_open


class TestEnd:
    @pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
    def test_a_signal_ends_it_at_once_and_nothing_is_left(self, number: int, tmp_path: Path) -> None:
        link = tmp_path / "tarn"
        command = [
            sys.executable,
            "-c",
            "from wirevow.emu.command import main; main()",
            "emulate",
            "spec/tarn.yaml",
        ]
        with subprocess.Popen(
            [*command, "--link", str(link), "--rig", "tcp:127.0.0.1:0"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == f"port {link}\n"
            assert process.stdout.readline().startswith("rig tcp:127.0.0.1:")
            with serial.Serial(str(link), timeout=30) as port:
                port.write(b"\nask self.vow\n")
                assert b"ok tarn " in port.read_until(b"tarn ")
                process.send_signal(number)
                _, errors = process.communicate(timeout=60)
        assert process.returncode == 128 + number
        assert errors.strip() == ""  # click ends the line of the ^C
        assert not os.path.lexists(link)


@pytest.mark.parametrize("pace", [None, 9600])
def test_with_time_that_jumps_a_host_that_waits_gets_what_comes_hours_later(pace: int | None) -> None:
    with (
        serving("tcp:127.0.0.1:0", pace=pace, speed=None) as (fake, address, _),
        serial.serial_for_url(address, timeout=30) as port,
    ):
        for _ in range(2):
            before_ns = fake.now_ns
            port.write(b"later 36000 tick\n")
            assert [port.readline() for _ in range(2)] == [b"ok\n", b"note tick\n"]
            assert fake.now_ns - before_ns == pytest.approx(36000 * 10**9, rel=1e-5)
        port.write(b"ping a\n")
        assert port.readline() == b"ok a\n"


def test_with_time_that_jumps_a_rig_holds_the_clock_all_the_same() -> None:
    with (
        serving("tcp:127.0.0.1:0", rig=True, speed=None) as (_, address, endpoint),
        serial.serial_for_url(address, timeout=0.5) as port,
    ):
        rig = open_rig(endpoint)
        rig.hold()
        port.write(b"later 60 tick\n")
        assert port.readline() == b"ok\n"
        assert port.readline() == b""
        rig.advance(59 * 10**9, 14)
        assert port.readline() == b""
        rig.advance(10**9, 14)
        assert port.readline() == b"note tick\n"
        rig.close()
