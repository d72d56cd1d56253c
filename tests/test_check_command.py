"""`wirevow check` as a person runs it: verdicts, files, and every port that is not as it should be."""

import io
import json
import os
import re
import shutil
from importlib.resources import files

import pytest
import serial

from tests.stand_in import Device, HangUp, Tarn, plugged_in, read_once
from wirevow.emu import command
from wirevow.protocol.conformance.casefile import read_case
from wirevow.protocol.document import load
from wirevow.protocol.document.requirements import requirements

TARN = str(files("wirevow.spec").joinpath("tarn.yaml"))
BRAE = str(files("wirevow.spec").joinpath("brae.yaml"))
FAULT = "bound-high-one-over"


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    """Case files go to the current folder."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def _impatient(monkeypatch):
    """Devices that will never answer are not asked as often as a person would want it."""
    monkeypatch.setattr("wirevow.protocol.conformance.plain.SYNC_TRIES", 4)


@pytest.fixture(autouse=True, scope="module")
def _read_once():
    with read_once():
        yield


def check(*arguments):
    return command.run(["check", *map(str, arguments)])


def one_line(capfd):
    """What was said on stderr, which is one line, with nothing on stdout."""
    shown = capfd.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert shown.err.startswith("wirevow: ")
    return shown.err.removeprefix("wirevow: ").removesuffix("\n")


# ------------------------------------------------------------------------------------------------ verdicts


def test_a_long_check_tells_a_pipe_how_far_it_is_and_what_is_left(monkeypatch, capfd):
    monkeypatch.setattr("wirevow.emu.commands.jobs._SELDOM_S", 0.0)
    assert check(BRAE, "emu://brae", "--only", "point.*.bounds") == 0
    lines = capfd.readouterr().err.splitlines()
    assert len(lines) > 3
    assert re.fullmatch(r"0 of \d+ tried, now point\.\S+", lines[0])
    assert all(re.fullmatch(r"\d+ of \d+ tried, about \d+ s left, now \S+", line) for line in lines[1:-1])
    done = [int(line.split()[0]) for line in lines]
    assert done == sorted(done)


def test_a_check_that_its_budget_cuts_short_has_not_passed(tmp_path, capfd):
    report = tmp_path / "report.json"
    assert check(TARN, "emu://tarn", "--budget", 700, "--seed", 5, "--json", report) == 3
    shown = capfd.readouterr()
    assert shown.err == ""  # no progress where nobody watches
    assert "full: the rig says that the instrument is simulated" in shown.out
    assert "\ninconclusive: tarn " in shown.out
    data = json.loads(report.read_text())
    assert data["verdict"] == "inconclusive"
    assert data["lines"] <= 700
    assert data["seed"] == 5
    assert data["note"] == "the budget of 700 lines is used up"
    verdicts = {row["verdict"] for row in data["requirements"]}
    assert verdicts == {"inconclusive", "not selected"}  # shown in part, and not at all
    assert all(row["reason"] for row in data["requirements"] if row["verdict"] == "inconclusive")


def test_only_what_is_asked_for_is_looked_at(tmp_path):
    report = tmp_path / "report.json"
    asked = ("--only", "trip.overcurrent.[fdrn]*", "--only", "wire.tag")
    assert check(TARN, "emu://tarn", *asked, "--json", report) == 0
    data = json.loads(report.read_text())
    looked_at = {row["id"] for row in data["requirements"] if row["verdict"] != "not selected"}
    assert looked_at == {
        row["id"]
        for row in data["requirements"]
        if re.match(r"trip\.overcurrent\.[fdrn]|wire\.tag$", row["id"])
    }
    rest = {row["reason"] for row in data["requirements"] if row["verdict"] == "not selected"}
    assert rest == {"not asked for: the check was told which requirements to look at"}


def test_what_was_not_asked_for_fails_all_the_same(tmp_path):
    report = tmp_path / "report.json"
    port = "emu://tarn?fault=ticket-used-is-good-again"
    assert check(TARN, port, "--only", "wire.ticket", "--json", report) == 1
    failures = json.loads(report.read_text())["failures"]
    assert {failure["requirement"] for failure in failures} == {"action.sink.start.ticket"}


def test_a_name_that_no_requirement_has_is_an_error_with_those_near_it(capfd):
    assert check(TARN, "emu://tarn", "--only", "wire.*", "--only", "wire.tags") == 2
    said = one_line(capfd)
    assert said.startswith(
        "no requirement is named wire.tags: write an id, or a part and *; near it are wire.tag"
    )


def test_the_same_seed_sends_the_same_lines(tmp_path):
    counts = []
    for number, seed in enumerate((1, 1, 2)):
        report = tmp_path / f"{number}.json"
        assert check(TARN, "emu://tarn", "--budget", 1500, "--seed", seed, "--json", report) == 3
        data = json.loads(report.read_text())
        counts.append([(row["id"], row["answers"]) for row in data["requirements"]])
    assert counts[0] == counts[1]
    assert counts[0] != counts[2]


def test_a_broken_promise_is_shown_and_written_as_a_case(tmp_path, capfd):
    report = tmp_path / "out" / "report.json"
    report.parent.mkdir()
    assert check(TARN, f"emu://tarn?fault={FAULT}", "--json", report, "--budget", 900) == 1
    data = json.loads(report.read_text())
    assert data["verdict"] == "fail"
    shown = capfd.readouterr().out
    for failure in data["failures"]:
        case = read_case(failure["case"])
        assert case.requirement == failure["requirement"]
        assert os.path.dirname(failure["case"]) == str(tmp_path / "out" / "cases")
    first = data["failures"][0]
    for words in (first["requirement"], first["place"], first["seen"], "expected", "Failure 1 of"):
        assert words in shown


def test_a_check_that_could_try_nothing_is_inconclusive():
    assert check(TARN, "emu://tarn", "--budget", 1) == 3


def test_a_board_that_resets_when_its_port_opens_is_waited_for(capfd):
    assert check(BRAE, "emu://brae", "--budget", 200) == 3
    assert "\ninconclusive: brae " in capfd.readouterr().out


def test_whoever_watches_sees_how_far_it_is(monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    screen = Screen()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stderr", screen)
    assert check(TARN, f"emu://tarn?fault={FAULT}", "--budget", 400) == 1
    shown = screen.getvalue()
    # Which numbers it shows is a matter of when it looks.
    assert re.search(r"\d failed", shown)
    assert any(each.id in shown for each in requirements(load.load_document(TARN).document))
    assert re.search(r"\d+/\d{3}", shown)


def test_the_document_may_go_by_its_name():
    assert check("tarn", "emu://tarn", "--budget", 100) == 3


# -------------------------------------------------------------------------------------------- the dry profile


RESTORING = (b"recall", b"defaults", b"save")
"""What puts settings back."""


def test_without_a_rig_nothing_is_energised(tmp_path, capfd):
    device, report = Tarn(), tmp_path / "report.json"
    with plugged_in(device, tmp_path) as port:
        assert check(TARN, port, "--yes", "--budget", 250, "--json", report) == 3
    data = json.loads(report.read_text())
    assert data["profile"]["name"] == "dry"
    assert data["rig"] is None
    assert "there is no rig" in data["profile"]["reason"]
    assert "dry: there is no rig to say that the instrument is simulated" in capfd.readouterr().out
    energising = (b"sink.start", b"capacity.start")
    assert not [line for line in device.lines if any(name in line for name in energising)]
    safe = [index for index, line in enumerate(device.lines) if b"act sink.stop" in line and b"~" in line]
    assert len(safe) == 1  # the check is over; what comes after it puts the settings back
    after = {line.split()[2] for line in device.lines[safe[0] + 1 :] if b" act " in line}
    assert after <= {b"trim.begin", b"trim.end", *(b"settings." + what for what in RESTORING)}
    assert device.instrument.device.state == "off"


def test_a_rig_of_another_instrument_is_refused(capfd):
    from tests.emu.serving import serving

    with serving("tcp:127.0.0.1:0", rig=True) as (_, port, rig):
        assert check(TARN, port, "--rig", rig) == 2
    assert "this rig has its hands on 'fake', the document is 'tarn'" in one_line(capfd)


# ---------------------------------------------------------------------------------------------------- ports


def test_an_unknown_port(capfd):
    assert check(TARN, "/dev/no-such-port") == 2
    assert one_line(capfd).startswith("/dev/no-such-port: there is no such port")


def test_a_port_in_use(tmp_path, capfd):
    with plugged_in(Tarn(), tmp_path) as port, serial.Serial(port, exclusive=True):
        assert check(TARN, port) == 2
    assert "another program has it" in one_line(capfd)


def test_a_port_that_may_not_be_opened(monkeypatch, capfd):
    open_file = os.open

    def refuse(path, *rest, **more):
        if path == "/dev/ttyS9":
            raise PermissionError(13, "Permission denied", path)
        return open_file(path, *rest, **more)

    monkeypatch.setattr("os.open", refuse)
    assert check(TARN, "/dev/ttyS9") == 2
    assert "you may not open it" in one_line(capfd)


@pytest.mark.usefixtures("_impatient")
def test_a_device_that_says_nothing(tmp_path, capfd):
    device, report = Device(), tmp_path / "report.json"
    with plugged_in(device, tmp_path) as port:
        assert check(TARN, port, "--json", report) == 2
    assert "no answer to `ask self.vow`" in one_line(capfd)
    assert json.loads(report.read_text())["verdict"] == "error"
    # Whoever it is, it was told nothing but asked its name.
    assert all(line == b"" or line.endswith(b" ask self.vow") for line in device.lines)


@pytest.mark.usefixtures("_impatient")
@pytest.mark.parametrize("garbage", [b"\xff\x00?7\n", b"\x1b[2Jgarbage", b"note 1 boot power\n"])
def test_a_device_that_says_garbage_for_ever(garbage, tmp_path, capfd):
    class Babbler(Device):
        def idle(self):
            return garbage * 40

    with plugged_in(Babbler(), tmp_path) as port:
        assert check(TARN, port) == 2
    said = one_line(capfd)
    assert "what comes is not this wire" in said
    assert said.isprintable()


def test_the_instrument_of_another_document(capfd):
    assert check(TARN, "emu://brae") == 2
    assert "the instrument is 'brae " in one_line(capfd)


@pytest.mark.usefixtures("_impatient")
def test_a_device_that_answers_a_line_late(tmp_path, capfd):
    class Late(Tarn):
        owed = b""

        def answer(self, line):
            if not line:
                return b""
            said, self.owed = self.owed, super().answer(line)
            return said

    with plugged_in(Late(), tmp_path) as port:
        assert check(TARN, port) == 2
    assert "answers come too late" in one_line(capfd)


def test_answers_of_an_earlier_session_are_not_taken_for_ours(tmp_path):
    stale = b"2.500 A\nok off\n@1000 ok tarn 9.9.9 ffffffff\nnote 7 boot power\n@2000 refuse busy\nok 12.6"

    def leftovers(tarn, line):
        return stale if len(tarn.lines) == 1 else None

    with plugged_in(Tarn(leftovers), tmp_path) as port:
        assert check(TARN, port, "--yes", "--budget", 100) == 3


def test_a_board_that_does_not_listen_at_once(tmp_path):
    def booting(tarn, line):
        return b"" if len(tarn.lines) < 6 else None

    with plugged_in(Tarn(booting), tmp_path) as port:
        assert check(TARN, port, "--yes", "--budget", 100) == 3


def test_a_port_lost_half_way(tmp_path, capfd):
    def pull(tarn, line):
        if len(tarn.lines) > 120:
            raise HangUp

    outputs = [tmp_path / name for name in ("r.json", "r.xml", "r.html")]
    with plugged_in(Tarn(pull), tmp_path) as port:
        options = zip(("--json", "--junit", "--html"), outputs, strict=True)
        assert check(TARN, port, "--yes", *(word for option in options for word in option)) == 2
    shown = capfd.readouterr()
    loud, found, lost = shown.err.splitlines()
    assert "nothing that was changed could be put back" in found
    assert "sink.stop could not be confirmed" in loud
    assert "disconnect the source by hand" in loud
    assert "the port was lost" in lost
    assert "\nerror: tarn " in shown.out
    data = json.loads(outputs[0].read_text())
    assert data["verdict"] == "error"
    assert "the port was lost" in data["note"]
    assert any(row["answers"] for row in data["requirements"])
    assert all(output.stat().st_size for output in outputs)


@pytest.mark.usefixtures("_impatient")
def test_a_device_that_falls_silent_half_way_has_failed(tmp_path, capfd):
    def die(tarn, line):
        return b"" if len(tarn.lines) > 120 else None

    with plugged_in(Tarn(die), tmp_path) as port:
        assert check(TARN, port, "--yes") == 1
    shown = capfd.readouterr()
    assert "sink.stop could not be confirmed: no answer" in shown.err
    assert "ended early" in shown.out


# -------------------------------------------------------------------------------------------------- files


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--json", "nowhere/report.json"], "--json nowhere/report.json: it cannot be written"),
        (["--html", "."], "--html .: it cannot be written"),
        (["--json", "a", "--junit", "./a"], "--junit a: that is the file of --json already"),
        (["--junit", TARN], f"--junit {TARN}: that is the document already"),
        (["--budget", "0"], "Invalid value for '--budget'"),
        (["--rig", "nonsense"], "nonsense: not a rig"),
        (["--rig", "tcp:127.0.0.1:1"], "tcp:127.0.0.1:1: nothing listens there"),
    ],
)
def test_what_cannot_be_used_is_said_before_the_port_is_opened(arguments, said, capfd):
    assert check(TARN, "/dev/no-such-port", *arguments) == 2
    assert one_line(capfd).startswith(said)
    assert not os.path.exists("a")


def test_a_full_disk_is_noticed_before_the_check(monkeypatch, capfd):
    usage = shutil.disk_usage(".")
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage._replace(free=10_000))
    assert check(TARN, "/dev/no-such-port", "--json", "report.json") == 2
    assert "10 kB are free there" in one_line(capfd)
    assert not os.path.exists("report.json")


def test_a_disk_that_fills_up_during_the_check_is_an_error(capfd):
    assert check(TARN, "emu://tarn", "--budget", 100, "--json", "/dev/full", "--junit", "r.xml") == 2
    shown = capfd.readouterr()
    assert shown.err == (
        "wirevow: --json /dev/full: it cannot be written (No space left on device); name another file\n"
    )
    assert "\ninconclusive: tarn " in shown.out  # what was found is shown all the same
    assert os.path.getsize("r.xml")


def test_an_earlier_report_is_kept_if_the_check_cannot_begin(tmp_path):
    report = tmp_path / "report.json"
    report.write_text("earlier")
    assert check(TARN, "/dev/no-such-port", "--json", report) == 2
    assert report.read_text() == "earlier"


def test_a_document_that_contradicts_itself_is_not_checked_against(tmp_path, capfd):
    draft = tmp_path / "draft.yaml"
    draft.write_text(
        files("wirevow.spec").joinpath("tarn.yaml").read_text().replace("to: tripped", "to: tript", 1)
    )
    assert check(draft, "emu://tarn") == 2
    said = one_line(capfd)
    assert said.startswith(f"{draft}:")
    assert "tript" in said
    assert f"`wirevow vet {draft}` shows all" in said
