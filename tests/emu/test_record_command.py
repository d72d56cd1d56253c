"""`wirevow record`: every byte with its time and direction, whatever happens."""

import contextlib
import random
import socket
import sys
import time
from pathlib import Path

import pytest
import serial

from tests.emu.recorded import emulated, kill_while_bytes_pass, recording, said
from tests.emu.serving import serving, until
from wirevow.emu.command import run
from wirevow.protocol.journal.layout import Kind
from wirevow.protocol.journal.reading import Journal
from wirevow.protocol.message import Reply, Request, parse_answer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def test_what_passes_is_in_the_journal_with_direction_and_time(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with serving() as (fake, device, _), recording(device, path, "--document", "tarn") as recorder:
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            port.write(b"ping one\n")
            assert port.readline() == b"ok one\n"
            port.write(b"later 0.05 two\n")
            assert [port.readline(), port.readline()] == [b"ok\n", b"note two\n"]
        until(lambda: Kind.CLOSED in [record.kind for record in Journal(path).records()])
        status, told = recorder.end()
    journal = Journal(path)
    records = list(journal.records())
    assert status == 143
    assert told.strip() == f"{path}: 24 bytes from the host, 19 from the device"
    assert journal.told == []
    events = [record.kind for record in records if record.kind > Kind.DEVICE]
    assert events == [Kind.OPENED, Kind.CLOSED, Kind.END]
    assert said(path, Kind.HOST) == fake.heard == b"ping one\nlater 0.05 two\n"
    assert said(path, Kind.DEVICE) == b"ok one\nok\nnote two\n"
    assert (journal.head.document, journal.head.port) == ("tarn", device)
    assert len(journal.head.digest) == 64
    assert abs(journal.head.began_ns - time.time_ns()) < 3600 * 10**9
    note = next(record for record in records if b"note" in record.data)
    later = next(record for record in records if b"later" in record.data)
    assert note.ns - later.ns >= 50_000_000


def test_a_great_deal_goes_through_unchanged_both_ways_however_slowly_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    noise = random.Random(3).randbytes(60_000).replace(b"\n", b" ")
    with serving() as (fake, device, _), recording(device, path) as recorder:
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            for begin in range(0, len(noise), 3000):
                piece = noise[begin : begin + 3000]
                port.write(piece + b"\n")
                assert port.read_until(b"\n") == piece + b"\n"
            port.write(b"long 200000\n")
            time.sleep(0.1)
            assert len(port.read(200_000)) == 200_000
        until(lambda: Kind.CLOSED in [record.kind for record in Journal(path).records()])
    assert said(path, Kind.HOST) == fake.heard
    assert len(said(path, Kind.DEVICE)) == len(noise) + len(noise) // 3000 + 200_000


def test_over_tcp(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with (
        serving("tcp:127.0.0.1:0") as (_, device, _),
        recording(device, path, "--listen", "tcp:127.0.0.1:0") as recorder,
    ):
        assert recorder.port.startswith("socket://127.0.0.1:")
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            port.write(b"ping one\n")
            assert port.readline() == b"ok one\n"
        host, number = recorder.port.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(number))) as page:
            page.sendall(b"POST / HTTP/1.1\r\n\r\nact sink.start 1234\n")
            with contextlib.suppress(ConnectionError):
                assert page.recv(100) == b""
        recorder.end()
    assert said(path, Kind.HOST) == b"ping one\n"


def test_a_port_without_a_descriptor(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with recording("loop://", path) as recorder:  # pyserial's own: what is sent comes back
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            # Whatever a device says, it is no web page.
            port.write(b"GET / HTTP/1.1\n")
            assert port.readline() == b"GET / HTTP/1.1\n"
        recorder.end()
    assert said(path, Kind.HOST) == said(path, Kind.DEVICE) == b"GET / HTTP/1.1\n"


@pytest.mark.parametrize("seed", range(10))
def test_kill_9_at_any_moment_loses_at_most_the_last_record(seed: int, tmp_path: Path) -> None:
    kill_while_bytes_pass(tmp_path, seed)


def test_a_full_disk_is_one_error_and_what_was_written_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with serving() as (fake, device, _), recording(device, path, most_bytes=2000) as recorder:
        heard = b""
        with serial.serial_for_url(recorder.port, timeout=0.2) as port:
            for number in range(100):
                with contextlib.suppress(OSError):
                    port.write(b"ping %d\n" % number)
                    heard += port.readline()
                if recorder.process.poll() is not None:
                    break
        _, told = recorder.process.communicate(timeout=60)
        assert recorder.process.returncode == 2
    error = told.splitlines()[-1]
    assert error.startswith(f"wirevow: {path}: the journal cannot be written any more (File too large)")
    journal = Journal(path)
    assert len(list(journal.records())) > 50
    assert journal.told == [f"{path}: the recording has not ended, or was ended abruptly"]
    # The piece that found no room was passed on all the same: it may be what makes a device safe.
    assert "were passed on and are not in it: b'" in error
    last = error.rpartition("b'")[2].rstrip("'").replace("\\n", "\n").encode()
    written = said(path, Kind.HOST), said(path, Kind.DEVICE)
    assert fake.heard in (written[0], written[0] + last)
    assert heard in (written[1], written[1] + last)


def test_a_device_that_is_always_full(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with serving() as (_, device, _):
        assert run(["record", device, "--out", "/dev/full"]) == 2
    assert capfd.readouterr().err == (
        "wirevow: /dev/full: the journal cannot be written any more (No space left on device); what is in"
        " it is whole. Make room, and record into another file\n"
    )


def test_a_device_that_vanishes_is_told_and_the_journal_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with contextlib.ExitStack() as stack:
        with serving() as (_, device, _):
            recorder = stack.enter_context(recording(device, path))
            with serial.serial_for_url(recorder.port, timeout=30) as port:
                port.write(b"ping one\n")
                assert port.readline() == b"ok one\n"
        _, told = recorder.process.communicate(timeout=60)
        assert recorder.process.returncode == 2
        assert f"wirevow: {device}: the port was lost; look at the plug" in told
    journal = Journal(path)
    assert said(path, Kind.DEVICE) == b"ok one\n"
    list(journal.records())
    assert journal.ended.startswith(f"{device}: the port was lost")
    assert journal.told == []


def started(port: serial.Serial, checked: bool) -> None:
    """Make the simulated instrument sink current, as a host that uses checks or one that does not."""

    def answer(verb: str, name: str, *arguments: str) -> tuple[str, ...]:
        port.write(Request("@1", verb, name, arguments, checked).line() + b"\n")
        reply = parse_answer(port.read_until(b"\n").strip())
        assert isinstance(reply, Reply)
        assert reply.ok
        return reply.words

    answer("put", "sink.level", "1.000", "A")
    answer("act", "sink.start", *answer("act", "sink.arm"))
    port.write(b"act sink.le")  # the next one is begun


@pytest.mark.parametrize("checked", [False, True])
def test_a_host_that_is_cut_off_leaves_the_device_safe(checked: bool, tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with emulated() as (device,), recording(device, path, "--document", "tarn") as recorder:
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            started(port, checked)
            status, told = recorder.end()
        with serial.serial_for_url(device, timeout=30) as port:
            port.write(b"ask self.state\nask link.guard\n")
            assert [port.readline(), port.readline()] == [b"ok off\n", b"ok off\n"]
    assert status == 143
    assert "THE DEVICE MAY" not in told
    assert b" act sink.stop ~" in said(path, Kind.OWN)
    assert said(path, Kind.HOST).endswith(b"act sink.le")


def test_a_full_disk_leaves_the_device_safe(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with (
        emulated() as (device,),
        recording(device, path, "--document", "tarn", most_bytes=1200) as recorder,
        serial.serial_for_url(recorder.port, timeout=0.5) as port,
    ):
        started(port, False)
        port.write(b"\n")
        with contextlib.suppress(OSError):  # the recorder has gone
            for _ in range(500):
                port.write(b"ask self.state\n")
                port.readline()
        assert recorder.process.wait(10) == 2
        with serial.serial_for_url(device, timeout=30) as after:
            after.write(b"\n@77 ask self.state\n")
            assert after.read_until(b"@77 ok off\n").endswith(b"@77 ok off\n")


def test_who_cuts_off_a_host_without_a_document_is_told_loudly(tmp_path: Path) -> None:
    with (
        serving() as (_, device, _),
        recording(device, tmp_path / "a.journal") as recorder,
        serial.serial_for_url(recorder.port, timeout=30) as port,
    ):
        port.write(b"ping one\n")
        assert port.readline() == b"ok one\n"
        _, told = recorder.end()
    assert "no document says how to make it safe. THE DEVICE MAY STILL BE HANDLING POWER" in told


def test_what_cannot_be_recorded(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    there = tmp_path / "there"
    there.write_text("hours of somebody's work")
    with serving() as (_, device, _):
        for words, error in (
            (["emu://tarn"], "emu://tarn: that instrument lives in one process with its host"),
            ([device, "--out", str(there)], f"{there}: there is such a file already"),
            ([device, "--out", str(tmp_path / "no" / "a")], "the journal cannot be made"),
            ([str(tmp_path / "no")], "there is no such port"),
            ([device, "--listen", "tcp:0.0.0.0:0"], "other machines reach 0.0.0.0"),
        ):
            assert run(["record", *words]) == 2
            said_ = capfd.readouterr().err
            assert error in said_
            assert said_.count("\n") == 1
    assert there.read_text() == "hours of somebody's work"
