"""`wirevow rerun`: the host's side at another instrument, the device's side for another host."""

import contextlib
import io
import json
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import serial

import wirevow
from tests.emu.recorded import COMMAND, emulated, recording
from tests.emu.serving import until
from wirevow.emu.command import run
from wirevow.emu.ports.server import Server, open_endpoint
from wirevow.protocol.document.canonical import wire_digest
from wirevow.protocol.journal.exchanges import exchanges
from wirevow.protocol.journal.layout import Head, Kind, head_bytes, record_bytes
from wirevow.protocol.journal.reading import Journal
from wirevow.protocol.journal.stand_in import StandIn
from wirevow.protocol.message import Reply, Request

VOW = wirevow.load("tarn")
HEAD = Head(1_700_000_000_000_000_000, "emu://tarn", *VOW.identity[:2], wire_digest(VOW.document))
LINES = (
    "", "@7a1 ask self.vow", "ask self.uptime", "ask input.voltage", "put sink.level 2.5 A",
    "put sink.level 2.500 A", "act sink.arm", "act sink.start {ticket}", "wait 1", "ask input.current",
    "ask sink.level", "put link.patience 2.0 s", "wait 3", "ask self.state", "@1 ask trip.last",
    "act trip.clear", "ask self.state", "nonsense",
)  # fmt: skip
"""A host that starts, and is then silent for longer than it said it would be: the link watchdog acts."""


def converse(url: str, path: Path, lines: Sequence[str] = LINES) -> bytes:
    """Say these lines to an instrument in process and keep a journal; what it said."""
    ticket = ""
    heard = b""
    with serial.serial_for_url(url, timeout=0.1) as port, path.open("wb") as file:
        began_ns = port.rig.now_ns()

        def keep(kind: Kind, data: bytes) -> None:
            if data:
                file.write(record_bytes(kind, port.rig.now_ns() - began_ns, data))

        file.write(head_bytes(HEAD))
        for line in lines:
            if line.startswith("wait"):
                port.timeout = float(line.split()[1])
                said = port.read(4096)
                port.timeout = 0.1
            else:
                data = line.replace("{ticket}", ticket).encode() + b"\n"
                keep(Kind.HOST, data)
                port.write(data)
                said = port.read_until(b"\n")
                said += port.read(4096)
                if line == "act sink.arm":
                    ticket = said.split()[-1].decode()
            keep(Kind.DEVICE, said)
            heard += said
        file.write(record_bytes(Kind.END, port.rig.now_ns() - began_ns, b"done"))
    return heard


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rerun") / "bench.journal"
    heard = converse("emu://tarn?seed=3", path)
    assert b"note 2 trip link_silent 2.0 s\n" in heard
    assert b"refuse type digits 3" in heard
    return path


def rerun(capfd: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = run(["rerun", *words, "--json"])
    said = capfd.readouterr()
    assert said.err == ""
    return status, json.loads(said.out)


@pytest.mark.parametrize("seed", [3, 4])
def test_the_same_firmware_means_the_same(
    seed: int, journal: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    # Another seed is other noise and other tickets.
    status, outcome = rerun(capfd, str(journal), f"emu://tarn?seed={seed}")
    assert outcome["differences"] == []
    assert (status, outcome["stopped"]) == (0, "")
    assert (outcome["lines"], outcome["sent"], outcome["same"], outcome["open"]) == (15, 15, 14, 1)


@pytest.mark.parametrize(
    ("fault", "line", "recorded", "now", "how"),
    [
        (
            "reading-low", "ask input.current", "ok 2.504 A", "ok 2.378 A",
            "0.126 A apart, its accuracy explains 0.0269 A",
        ),
        (
            "digits-missing-accepted", "put sink.level 2.5 A", "refuse type digits 3", "ok 2.500 A",
            "one is done, the other refused",
        ),
        ("trip-unnoticed", "", "note 2 trip link_silent 2.0 s", "nothing", "it does not come"),
    ],
)  # fmt: skip
def test_a_fault_is_told(
    fault: str,
    line: str,
    recorded: str,
    now: str,
    how: str,
    journal: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    status, outcome = rerun(capfd, str(journal), f"emu://tarn?seed=3&fault={fault}")
    (difference,) = outcome["differences"]
    seconds = difference.pop("seconds")
    assert difference == {"line": line, "recorded": recorded, "now": now, "how": how}
    assert 0.2 < seconds < 6
    assert (status, outcome["stopped"]) == (1, "")


CAPTURE = (
    "put sink.level 0.500 A", "act sink.arm", "act sink.start {ticket}", "wait 0.5", "act capture.start",
    "wait 0.5", *(f"ask capture.part {part}" for part in range(9)),
    "ask settings.part 0", "ask settings.part 1",
)  # fmt: skip


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("seed=3", []),
        ("seed=4", []),  # other noise in every sample
        ("seed=3&fault=record-wrong-end-first", ["level 0.500 A, now 62.465 A: another value"]),
        ("seed=3&fault=record-last-byte-missing", ["cells 1, now 0: another value"]),
    ],
)
def test_records_are_compared_by_what_their_fields_mean(
    query: str, told: list[str], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bench.journal"
    converse("emu://tarn?seed=3", path, CAPTURE)
    _, outcome = rerun(capfd, str(path), f"emu://tarn?{query}")
    assert [each["how"] for each in outcome["differences"]] == told
    assert outcome["sent"] == 15


def test_differences_are_told_to_people(journal: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["rerun", str(journal), "emu://tarn?seed=3&fault=reading-low"]) == 1
    assert capfd.readouterr().out.splitlines()[1:] == [
        "  recorded   < ok 2.504 A",
        "  now        < ok 2.378 A",
        "  0.126 A apart, its accuracy explains 0.0269 A",
        "",
        "15 lines sent: 13 answers mean the same, 1 about the box's own past, 1 difference",
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_on_a_port_that_may_be_real_nothing_is_energised(
    journal: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with emulated() as (port,):
        with serial.serial_for_url(port, timeout=30) as before:
            assert answer(before, "put sink.level 0.700 A") == "ok 0.700 A"
        for allowed, sent, stopped in (
            ([], 5, "`act sink.arm` was not sent: sink.arm switches its outputs; that needs --allow switch"),
            (["--allow", "switch"], 6, "energises; that needs a simulated instrument or an envelope"),
        ):
            assert run(["rerun", str(journal), port, "--json", "--yes", *allowed]) == 3
            said = capfd.readouterr()
            outcome = json.loads(said.out)
            assert outcome["sent"] == sent
            assert outcome["differences"] == []
            assert stopped in outcome["stopped"]
            assert "done to it: " in said.err
        with serial.serial_for_url(port, timeout=30) as left:
            left.write(b"@1 ask self.state\n@2 ask sink.level\n")
            assert left.read_until(b" A\n").endswith(b"@1 ok off\n@2 ok 0.700 A\n")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_on_a_port_that_may_be_real_nothing_is_changed_before_somebody_agrees(
    journal: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    with emulated() as (port,):
        assert run(["rerun", str(journal), port]) == 2
        said = capfd.readouterr().err
        with serial.serial_for_url(port, timeout=30) as after:
            assert answer(after, "ask self.state") == "ok off"
    assert "What will be done to the instrument:" in said
    assert said.splitlines()[-1].startswith("wirevow: nobody is there to agree to this")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_within_an_envelope_it_is_energised_and_no_further(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bench.journal"
    start = ("put sink.level 0.500 A", "act sink.arm", "act sink.start {ticket}", "ask input.current")
    ends = ("ask input.current", "ask limit.current", "put sink.level 2.500 A")
    converse("emu://tarn?seed=3", path, (*start, "wait 0.6", *ends))
    envelope = "spec/envelopes/tarn-supply.yaml"
    with emulated() as (port,):
        assert run(["rerun", str(path), port, "--json", "--envelope", envelope, "--yes"]) == 1
        said = capfd.readouterr()
        outcome = json.loads(said.out)
        with serial.serial_for_url(port, timeout=30) as after:
            assert answer(after, "ask self.state") == "ok off"
    # Its ceiling is another one: that the envelope's own is put before is told.
    assert (outcome["sent"], outcome["same"]) == (6, 5)
    assert [each["line"] for each in outcome["differences"]] == ["ask limit.current"]
    assert (
        "`put sink.level 2.500 A` was not sent: sink.level 2.500 A is beyond the envelope"
        in outcome["stopped"]
    )
    assert "done to it: " in said.err


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_with_its_rig_a_simulated_instrument_at_a_port_is_sent_all_of_it(
    journal: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with emulated("--rig", "tcp:127.0.0.1:0") as (port, rig):
        status, outcome = rerun(capfd, str(journal), port, "--rig", rig)
    assert (status, outcome["sent"], outcome["differences"], outcome["stopped"]) == (0, 15, [], "")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_what_was_recorded_at_a_port_is_sent_to_another_firmware(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bench.journal"
    with emulated() as (device,), recording(device, path, "--document", "tarn") as recorder:
        with serial.serial_for_url(recorder.port, timeout=30) as port:
            for line in ("ask self.vow", "@1 ask input.voltage", "put sink.level 1.234 A", "ask sink.level"):
                answer(port, line)
        until(lambda: Kind.CLOSED in [record.kind for record in Journal(path).records()])
        recorder.end()
    status, outcome = rerun(capfd, str(path), "emu://tarn?seed=5")
    assert (status, outcome["sent"], outcome["same"], outcome["differences"]) == (0, 4, 4, [])


@contextlib.contextmanager
def standing_in(path: Path, strange: list[str]) -> Iterator[serial.Serial]:
    """A host's port at the stand-in that a journal makes."""
    server = Server(StandIn(*exchanges(Journal(path).records()), strange.append), open_endpoint("pty"))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        with serial.serial_for_url(server.endpoint.address, timeout=30) as port:
            yield port
    finally:
        server.stop()
        thread.join(5)


def answer(port: serial.Serial, line: str) -> str:
    port.write(line.encode() + b"\n")
    return str(port.readline().decode().removesuffix("\n"))


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_a_stand_in_answers_a_host_as_the_device_did(journal: Path) -> None:
    strange: list[str] = []
    with standing_in(journal, strange) as port:
        assert answer(port, "@5 ask self.vow") == "@5 ok tarn 1.0.0 cf80a728"
        checked = Request("@6", "ask", "self.vow", (), True), Reply("@6", True, VOW.identity, True)
        assert answer(port, checked[0].line().decode()) == checked[1].line().decode()
        assert [answer(port, "@6 ask input.voltage") for _ in range(3)] == ["@6 ok 12.005 V"] * 3
        assert answer(port, "put sink.level 2.500 A") == "ok 2.500 A"
        ticket = answer(port, "act sink.arm").split()[1]
        assert answer(port, f"@7 act sink.start {ticket}") == "@7 ok"
        assert answer(port, "ask input.current") == "ok 2.504 A"
        port.write(b"ask fan.speed\n")
        assert answer(port, "put link.patience 2.0 s") == "ok 2.0 s"
        # The recorded host waited for three seconds here: what came meanwhile comes first.
        assert answer(port, "ask self.state") == "note 2 trip link_silent 2.0 s"
        assert port.readline() == b"ok off\n"
        assert answer(port, "nonsense") == "refuse syntax"
    assert strange == ["ask fan.speed"]


def test_the_command_stands_in_and_tells_what_it_does_not_know(journal: Path) -> None:
    command = [*COMMAND, "rerun", str(journal), "--listen", "tcp:127.0.0.1:0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            with serial.serial_for_url(process.stdout.readline().split()[1], timeout=30) as port:
                port.write(b"ask fan.speed\nask fan.speed\n")
                assert answer(port, "ask input.voltage") == "ok 12.005 V"
            process.terminate()
            _, told = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode == 143
    assert told.strip() == "wirevow: not in the recording, and not answered: ask fan.speed"


def test_what_cannot_be_rerun(tmp_path: Path, journal: Path, capfd: pytest.CaptureFixture[str]) -> None:
    nameless = tmp_path / "nameless.journal"
    nameless.write_bytes(head_bytes(Head(0, "")))
    older = tmp_path / "older.journal"
    older.write_bytes(head_bytes(Head(0, "", "tarn", "0.9.0", "12345678" * 8)))
    for words, error in (
        ([str(journal)], "Name a PORT to send the host's side to, or --listen"),
        ([str(journal), "emu://tarn", "--listen", "pty"], "Name a PORT"),
        ([str(journal), "--listen", "pty", "--json"], "--listen goes with --link and --public only"),
        ([str(journal), "emu://tarn", "--public"], "--link and --public go with --listen"),
        ([str(tmp_path / "none"), "emu://tarn"], "there is no such file"),
        ([str(nameless), "emu://tarn"], "it does not name a document; name it with --document DOC"),
        ([str(older), "emu://tarn"], "it is of tarn 0.9.0 12345678, and the ready document is tarn 1.0.0"),
        ([str(journal), "emu://brae"], "the instrument is 'brae"),
        ([str(journal), "--listen", "tcp:0.0.0.0:0"], "other machines reach 0.0.0.0"),
    ):
        assert run(["rerun", *words]) == 2
        said = capfd.readouterr().err
        assert error in said
        assert said.count("\n") == 1
