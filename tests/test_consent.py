"""Before anything of a real instrument is changed a person reads what will be done, and agrees to it."""

import io
import re

import pytest

from tests.stand_in import Tarn, plugged_in, read_once
from wirevow.emu import command
from wirevow.emu.commands.jobs import consent
from wirevow.emu.ports.address import find
from wirevow.protocol.conformance.casefile import Case, Step, write_case
from wirevow.protocol.conformance.cautions import DRY_CHECK
from wirevow.protocol.conformance.envelope import load_envelope
from wirevow.protocol.conformance.plan import NotAgreed, plan_of
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

VOW = compile_vow(load_document(find("tarn")).document)
ASKS = re.compile(rb"((@[0-9a-f]{1,4} )?ask .*)?")
QUESTION = "Is that all right, and will you stay with it?"


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


@pytest.fixture(autouse=True, scope="module")
def _read_once():
    with read_once():
        yield


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def only_asked(device):
    return bool(device.lines) and all(ASKS.fullmatch(line) for line in device.lines)


def words_for(what):
    """What is typed, but for the port."""
    if what == "replay":
        steps = (Step(">", "ask self.uptime", 0.0),)
        write_case(Case(" ".join(VOW.identity), "wire.tag", "", "", "wire.tag", 0, steps, "", ""), "one.case")
        return ["replay", "one.case"]
    return [what, "tarn"]


@pytest.mark.parametrize("what", ["check", "replay", "learn"])
def test_where_nobody_can_be_asked_it_is_an_error_and_nothing_is_changed(what, tmp_path, capfd):
    device = Tarn()
    with plugged_in(device, tmp_path) as port:
        assert command.run([*words_for(what), port]) == 2
    assert only_asked(device)
    shown = capfd.readouterr()
    assert shown.out == ""
    said = " ".join(shown.err.split())
    for words in (*DRY_CHECK, "What will be done to the instrument:", "energised: never", "(an estimate)"):
        assert words in said
    assert shown.err.splitlines()[-1].startswith("wirevow: nobody is there to agree to this")
    assert "--yes" in shown.err.splitlines()[-1]


def test_a_board_that_boots_when_its_port_opens_is_not_opened_before(capfd):
    words = ["check", "brae", "/dev/no-such-port", "--allow", "boot"]
    assert command.run(words) == 2
    said = capfd.readouterr().err
    assert "boots it, at most 200 times, the first time when its port is opened" in " ".join(said.split())
    assert "nobody is there to agree to this" in said
    assert command.run([*words, "--yes"]) == 2
    assert "no such port" in capfd.readouterr().err


@pytest.mark.parametrize("what", ["replay", "learn"])
def test_afterwards_it_is_told_what_was_done(what, tmp_path, capfd):
    with plugged_in(Tarn(), tmp_path) as port:
        assert command.run([*words_for(what), port, "--yes"]) == 0
    told = capfd.readouterr().err.splitlines()[-1]
    assert re.match(r"wirevow: done to it: settings put \d+, saves 0, ", told)
    assert "energised never" in told


@pytest.mark.parametrize(("answer", "status"), [("n\n", 2), ("\n", 2), ("", 2), ("y\n", 3)])
def test_what_is_answered_decides(answer, status, tmp_path, monkeypatch, capfd):
    device = Tarn()
    monkeypatch.setattr("sys.stdin", Terminal(answer))
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port, "--budget", "60", "--json", "r.json"]) == status
    assert only_asked(device) is (status == 2)
    assert capfd.readouterr().err.count(QUESTION) == 1  # once, however much is changed


def test_an_interrupt_at_the_question_leaves_the_instrument_alone(tmp_path, monkeypatch, capfd):
    class Hasty(Terminal):
        def readline(self, *_):
            raise KeyboardInterrupt

    device = Tarn()
    monkeypatch.setattr("sys.stdin", Hasty())
    with plugged_in(device, tmp_path) as port:
        assert command.run(["check", "tarn", port]) == 130
    assert only_asked(device)


def test_the_question_is_not_overwritten_by_the_progress(tmp_path, monkeypatch):
    class Screen(io.StringIO):
        def isatty(self):
            return True

    screen = Screen()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setattr("sys.stdin", Terminal("n\n"))
    with plugged_in(Tarn(), tmp_path) as port:
        assert command.run(["check", "tarn", port]) == 2
    asked = screen.getvalue().partition("What will be done")[2].partition(QUESTION)
    assert asked[1]
    assert "\x1b" not in asked[0]


def test_the_plan_says_how_often_at_most():
    plan = dict(plan_of(VOW, ceilings={"store": 20, "boot": 5}).rows)
    assert "at most 20 times" in plan["store"]
    assert "at most 5 times" in plan["boots"]
    assert plan["outputs"] == "never"
    assert "at most 7 times" in dict(plan_of(VOW, ceilings={"switch": 7}).rows)["outputs"]
    assert "capacity.charge" in plan["counters"]


def test_the_plan_says_how_long_about():
    whole = plan_of(VOW, ceilings={})
    assert plan_of(VOW, ceilings={}, budget=100).lines == 100
    assert plan_of(VOW, ceilings={}, budget=100).seconds < whole.seconds / 10
    assert plan_of(VOW, ceilings={}, requirements=5).lines < whole.lines / 50
    envelope = load_envelope(find("tarn").parent / "envelopes" / "tarn-supply.yaml", VOW)
    energised = plan_of(VOW, envelope=envelope, ceilings={})
    assert energised.seconds >= whole.seconds + float(envelope.most.seconds)
    assert f"within {envelope.text()}" in dict(energised.rows)["energised"]


def test_a_job_does_not_say_that_the_watchdog_is_tried_for_it(capsys):
    with pytest.raises(NotAgreed):
        consent("/dev/ttyNONE", "A pack of 3 cells.", False)
    shown = " ".join(capsys.readouterr().err.split())
    assert "only the instrument's own link watchdog stops it" in shown
    assert "it is not tried here" in shown
    assert "tried before anything else" not in shown
