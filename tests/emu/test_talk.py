"""`wirevow talk`: lines in a pipe, and a person at a terminal."""

import importlib
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest
import serial

import wirevow
from tests.emu.terminal import at_terminal
from tests.test_command_emulate import TARN, answer, emulating
from wirevow.emu.talk.lines import Talk
from wirevow.emu.talk.offers import offers

COMMAND = [sys.executable, "-c", "from wirevow.emu.command import main; main()", "talk"]


def piped(lines, *arguments):
    return subprocess.run(
        [*COMMAND, *arguments], input="\n".join(lines), capture_output=True, text=True, timeout=60
    )


@contextmanager
def emulated(*options):
    """The addresses of a running instrument by kind, and what it says when the console has gone."""
    with emulating("--listen", "tcp:127.0.0.1:0", "--rig", "tcp:127.0.0.1:0", *options) as (_, addresses):
        yield addresses


@contextmanager
def emulating_at(link):
    """The process of an instrument at a pseudo-terminal of that name."""
    with subprocess.Popen(
        [*COMMAND[:-1], "emulate", TARN, "--link", str(link)], stdout=subprocess.PIPE
    ) as served:
        try:
            assert served.stdout.readline()
            yield served
        finally:
            served.terminate()


def state_of(address):
    with serial.serial_for_url(address, timeout=20) as port:
        port.write(b"\n")
        return answer(port, b"ask self.state").strip()


@pytest.fixture(scope="module")
def talk():
    with wirevow.emulate("tarn") as run:
        yield Talk(run.client, run.rig)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("sink.levle", "there is no sink.levle; did you mean sink.level"),
        ("put sink.level 2 mA", "sink.level is in A, not mA"),
        ("put sink.level much", "sink.level: a number"),
        ("put sink.mode loud", "sink.mode is one of"),
        ("put input.voltage 3", "input.voltage is a reading"),
        ("act sink.begin", "there is no sink.begin"),
        ("nonsense.* 3", "nonsense.*: write ask, put, act"),
        ("put sink.level", "write put NAME VALUE [UNIT]"),
        (":wait", "write :wait NUMBER [UNIT]"),
        (":wait 2 weeks", "a time in s, ms, min, h"),
        (":wait 1e9", "at most 9600 h"),
        (":bench source.volts 3", "there is no source.volts; did you mean source.voltage"),
        (":bench source.voltage 3 mV", "source.voltage is in V, not mV"),
    ],
)
def test_a_line_that_is_none_says_what_to_write(talk, line, says):
    with pytest.raises(wirevow.WirevowError) as error:
        talk.do(line)
    assert says in error.value.message
    assert "\n" not in error.value.message


def test_every_name_of_the_document_is_offered_and_explained(talk):
    offered = {each.word: each.means for each in offers(talk, ":help ")}
    assert set(offered) == {*talk.vow.points, *talk.vow.actions, *talk.events}
    assert all(offered.values())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("as", ["ask"]),
        ("put sink.m", ["sink.mode"]),
        ("put input.", []),  # readings cannot be put
        ("put sink.mode ", ["current", "power", "resistance", "voltage"]),
        ("put sink.level 2.5 ", ["A"]),
        (":wait 3 m", ["ms", "min"]),
        (":bench source.po", ["source.polarity"]),
        (":bench source.polarity r", ["reversed"]),
        ("act sink.st", ["sink.start", "sink.stop"]),
        ("act sink.start ", []),
    ],
)
def test_what_may_follow_is_offered(talk, text, words):
    assert [each.word for each in offers(talk, text)] == words


class TestPiped:
    def test_each_line_has_one_answer_with_its_unit(self):
        done = piped(
            ["# a comment", "sink.level", "put sink.level 2.5 A", "", "act sink.start", ":wait 10 s",
             "self.state", "ask sink.*", ":bench source.voltage 14 V", ":wait 1", "input.voltage"],
            "emu://tarn",
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, "")
        level, put, act, waited, state, several, bench, _, voltage = done.stdout.splitlines()
        assert (level, put, act, waited, state, bench) == ("0.000 A", "2.500 A", "ok", "ok", "sinking", "ok")
        assert "sink.mode current; sink.level 2.500 A" in several
        assert voltage.startswith("13.9")
        assert voltage.endswith(" V")

    def test_a_refusal_ends_it_before_anything_that_follows(self):
        done = piped(["put sink.level 99", "act sink.start"], "emu://tarn")
        assert done.returncode == 1
        assert done.stdout == "refuse range 0.000 6.000 A\n"
        assert done.stderr.startswith("wirevow: line 1: `put sink.level 99.000 A` was refused")

    def test_a_line_that_is_none_is_told_and_ends_it(self):
        done = piped(["sink.level", "sink.levle", "self.state"], "emu://tarn")
        assert (done.returncode, done.stdout) == (2, "0.000 A\n")
        assert done.stderr == (
            "wirevow: line 2: there is no sink.levle; did you mean sink.level or sink.slew or sink.voltage?"
            " :help tells the names\n"
        )

    def test_a_line_without_end_is_given_up(self):
        done = piped(["x" * 5000], "emu://tarn")
        assert (done.returncode, done.stdout) == (2, "")
        assert "a line has at most 4096 bytes" in done.stderr

    def test_json_has_numbers_and_units(self):
        done = piped(["input.voltage", "act sink.arm", "put sink.level 99"], "emu://tarn", "--json")
        first, second, third = map(json.loads, done.stdout.splitlines())
        assert first["asked"] == "input.voltage"
        assert first["answer"]["input.voltage"] == {"value": pytest.approx(12, abs=0.1), "unit": "V"}
        assert len(second["answer"]["sink.arm"]) == 4
        assert third == {"line": 3, "asked": "put sink.level 99",
                         "answer": {"refuse": ["range", "0.000", "6.000", "A"]}}  # fmt: skip

    def test_notices_go_beside_the_answers(self):
        done = piped(
            ["act sink.start", ":bench source.polarity reversed", ":wait 1", "self.state"], "emu://tarn"
        )
        assert done.stdout.splitlines() == ["ok", "ok", "ok", "tripped"]
        assert "note trip reversed_input -" in done.stderr

    def test_a_record_is_shown_by_its_fields(self):
        done = piped(["capture.part", ":help capture.part"], "emu://tarn")
        assert done.returncode == 0, done.stderr
        assert "(32 in all)" in done.stdout

    def test_at_a_port_nothing_is_energised_before_the_cautions_are_agreed_to(self):
        with emulating("--listen", "tcp:127.0.0.1:0") as (_, addresses):
            lines = ["put sink.level 1", "act sink.start", "self.state"]
            done = piped(lines, addresses["port"], "--doc", TARN)
            assert done.returncode == 2
            assert done.stdout == "1.000 A\n"
            assert "fuse" in done.stderr
            assert "line 2: nobody is there to agree" in done.stderr
            assert state_of(addresses["port"]) == b"ok off"
            done = piped(lines, addresses["port"], "--doc", TARN, "--yes")
            assert (done.returncode, done.stdout) == (0, "1.000 A\nok\nsinking\n"), done.stderr
            assert state_of(addresses["port"]) == b"ok off", "made safe at the end"

    def test_a_rig_that_says_it_is_simulated_needs_no_consent_and_turns_the_bench(self):
        with emulated() as addresses:
            done = piped(
                ["act sink.start", ":bench source.voltage 9 V", ":wait 200 ms", "input.voltage"],
                addresses["port"], "--doc", TARN, "--rig", addresses["rig"],
            )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert done.stdout.splitlines()[-1].startswith(("8.9", "9.0"))

    def test_it_keeps_the_link_alive_while_no_line_comes(self):
        with emulated("--speed", "20") as addresses, subprocess.Popen(
            [*COMMAND, addresses["port"], "--doc", TARN, "--rig", addresses["rig"]],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        ) as process:  # fmt: skip
            process.stdin.write("put link.patience 30 s\nact sink.start\n")
            process.stdin.flush()
            assert [process.stdout.readline() for _ in range(2)] == ["30.0 s\n", "ok\n"]
            time.sleep(2.5)  # fifty seconds of the instrument
            process.stdin.write("self.state\n")
            process.stdin.flush()
            assert process.stdout.readline() == "sinking\n"

    def test_a_signal_makes_it_safe(self):
        with emulated() as addresses:
            with subprocess.Popen(
                [*COMMAND, addresses["port"], "--doc", TARN, "--rig", addresses["rig"]],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            ) as process:  # fmt: skip
                process.stdin.write("act sink.start\n:wait 1 h\n")
                process.stdin.flush()
                assert process.stdout.readline() == "ok\n"
                process.send_signal(signal.SIGTERM)
                assert process.wait(30) == 143
            assert state_of(addresses["port"]) == b"ok off"

    def test_an_instrument_that_is_lost_while_it_may_draw_is_told_loudly(self, tmp_path):
        link = tmp_path / "tarn"
        with emulating_at(link) as served:
            command = [*COMMAND, str(link), "--doc", TARN, "--yes"]
            with subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
            ) as process:
                process.stdin.write("act sink.start\n")
                process.stdin.flush()
                assert process.stdout.readline() == "ok\n"
                link.unlink()  # the system may give its number to another terminal at once
                served.kill()
                process.stdin.close()
                told = process.stderr.read()
        assert process.returncode == 2
        assert "THE INSTRUMENT MAY STILL BE HANDLING POWER: disconnect the source by hand" in told

    @pytest.mark.parametrize(
        ("arguments", "says"),
        [
            (["/dev/nowhere"], "name the instrument's document, with --doc DOC"),
            (["/dev/nowhere", "--doc", "tarn"], "/dev/nowhere: there is no such port"),
            (["emu://tarn", "--doc", "tarn"], "leave --doc and --rig out"),
            (["emu://nowhere"], "there is no ready document"),
        ],
    )
    def test_what_cannot_be_used_is_told(self, arguments, says):
        done = piped([], *arguments)
        assert done.returncode == 2
        assert says in done.stderr


def test_a_terminal_needs_a_library_and_says_which(monkeypatch):
    monkeypatch.setitem(sys.modules, "prompt_toolkit", None)
    monkeypatch.delitem(sys.modules, "wirevow.emu.talk.terminal", raising=False)
    with pytest.raises(wirevow.WirevowError, match=r"pip install 'wirevow\[console\]'"):
        importlib.import_module("wirevow.emu.talk.terminal")


@contextmanager
def at_terminal_of(link, folder):
    """The console at a pseudo-terminal whose instrument goes once the first prompt is there."""
    with (
        emulating_at(link) as served,
        at_terminal(["talk", str(link), "--doc", TARN], XDG_STATE_HOME=str(folder)) as terminal,
    ):
        terminal.shows("tarn off>")
        served.terminate()
        served.wait()
        yield terminal


class TestTerminal:
    def test_a_reading_is_plotted_over_time_until_it_is_told_no_more(self, tmp_path):
        with at_terminal(["talk", "emu://tarn"], XDG_STATE_HOME=str(tmp_path)) as terminal:
            terminal.shows("tarn off>")
            terminal.type(":plot sink.levle\r")
            terminal.shows("did you mean sink.level")
            terminal.asks("tarn off>")
            terminal.type(":plot self.uptime\r")
            terminal.shows("ok")
            terminal.asks("tarn off>")
            terminal.type(":wait 3 min\r")
            terminal.until(lambda lines: any("┌───" in line for line in lines))
            terminal.shows("3 min")  # the end of its axis
            terminal.type(":plot\r")
            terminal.until(lambda lines: not any("└───" in line for line in lines))
            terminal.type(":quit\r")
            assert terminal.ended() == 0

    def test_names_are_completed_and_the_document_helps(self, tmp_path):
        with at_terminal(["talk", "emu://tarn"], XDG_STATE_HOME=str(tmp_path)) as terminal:
            terminal.shows("tarn off>")
            terminal.type("put sink.le")
            terminal.shows("sink.level")
            terminal.type("\t")
            terminal.shows("> put sink.level")
            terminal.shows("sink.level: 0.000 to 6.000 A")  # the line of help
            terminal.type(" 2.5 ")
            terminal.until(lambda lines: any(line.strip() == "A" for line in lines))
            terminal.type("\t")
            terminal.shows("> put sink.level 2.5 A")
            terminal.type("\r")
            terminal.shows("2.500 A")
            terminal.type("act sink.start\r")
            terminal.shows("tarn sinking>")
            terminal.type(":quit\r")
            assert terminal.ended() == 0

    def test_lines_are_remembered_until_the_next_time(self, tmp_path):
        for key in ("\x04", "\x03"):
            with at_terminal(["talk", "emu://tarn"], XDG_STATE_HOME=str(tmp_path)) as terminal:
                terminal.shows("tarn off>")
                if key == "\x04":
                    terminal.type("ask sink.level\r")
                    terminal.shows("0.000 A")
                    terminal.asks("tarn off>")
                else:
                    terminal.type("\x1b[A")
                    terminal.shows("> ask sink.level")
                terminal.type(key)
                assert terminal.ended() == (0 if key == "\x04" else 130)
        history = tmp_path / "wirevow" / "talk-history"
        assert history.read_text() == "ask sink.level\n"
        assert history.stat().st_mode & 0o777 == 0o600

    def test_the_history_is_bounded_and_steers_nothing(self, tmp_path):
        history = tmp_path / "wirevow" / "talk-history"
        history.parent.mkdir()
        history.write_bytes(b"".join(b"ask %d\n" % number for number in range(5000)) + b"\x1b[2Jlast\n")
        with at_terminal(["talk", "emu://tarn"], XDG_STATE_HOME=str(tmp_path)) as terminal:
            terminal.shows("tarn off>")
            terminal.type("\x1b[A")
            terminal.shows(r"> \x1b[2Jlast")
            terminal.type("\x03")
            terminal.ended()
        assert len(history.read_bytes().splitlines()) == 1000

    def test_a_notice_does_not_tear_the_line_that_is_typed(self, tmp_path):
        with (
            emulated() as addresses,
            at_terminal(
                ["talk", addresses["port"], "--doc", TARN, "--rig", addresses["rig"]],
                XDG_STATE_HOME=str(tmp_path),
            ) as terminal,
        ):
            terminal.shows("tarn off>")
            terminal.type("act sink.start\r")
            terminal.shows("tarn sinking>")
            terminal.type(":bench source.polarity reversed\r")
            terminal.until(lambda lines: any(line == "ok" for line in lines))
            terminal.type("ask input.volt")
            lines = terminal.until(lambda lines: any(line.endswith("> ask input.volt") for line in lines)
                                   and any("note trip reversed_input" in line for line in lines))  # fmt: skip
            notice = next(line for line in lines if "note trip" in line)
            assert notice.startswith("note trip reversed_input -")
            terminal.shows("tarn tripped> ask input.volt")
            terminal.type("age\r")
            terminal.until(lambda lines: any(line.startswith("-1") and line.endswith(" V") for line in lines))
            terminal.asks("tarn tripped>")
            terminal.type("\x04")
            assert terminal.ended() == 0

    def test_a_port_that_comes_back_is_told_above_the_line(self, tmp_path):
        link = tmp_path / "tarn"
        with at_terminal_of(link, tmp_path) as terminal:
            terminal.shows("tarn off>")
            terminal.type("ask input.vo")
            terminal.shows("> ask input.vo")
            with emulating_at(link):
                terminal.shows("the port was lost and is open again; the instrument: off, not booted")
                terminal.type("ltage\r")
                terminal.until(lambda lines: any(line.startswith("12.0") for line in lines))
                terminal.asks("tarn off>")
                terminal.type("\x04")
                assert terminal.ended() == 0

    def test_time_passes_in_a_wait_and_its_notices_come(self, tmp_path):
        with at_terminal(["talk", "emu://tarn?bench=lithium-pack"], XDG_STATE_HOME=str(tmp_path)) as terminal:
            terminal.shows("its time passes in requests and in :wait only")
            for line in ("put sink.level 5", "act capacity.start", ":wait 2 h"):
                terminal.type(f"{line}\r")
            terminal.shows("note state finished")
            terminal.shows("tarn finished>")
            terminal.asks("tarn finished>")
            terminal.type("\x04")
            assert terminal.ended() == 0

    @pytest.mark.parametrize(
        ("during", "way"),
        [("typing", "\x03"), ("typing", signal.SIGTERM), ("waiting", "\x03"), ("waiting", signal.SIGHUP)],
        ids=ascii,
    )
    def test_however_it_is_ended_the_instrument_is_off(self, tmp_path, way, during):
        with emulated() as addresses:
            with at_terminal(
                ["talk", addresses["port"], "--doc", TARN, "--rig", addresses["rig"]],
                XDG_STATE_HOME=str(tmp_path),
            ) as terminal:
                terminal.shows("tarn off>")
                terminal.type("act sink.start\r")
                terminal.shows("tarn sinking>")
                if during == "waiting":
                    terminal.type(":wait 1 h\r")
                    terminal.shows(" of 60 min")
                else:
                    terminal.type("put sink.l")
                    terminal.shows("> put sink.l")
                if isinstance(way, str):
                    terminal.type(way)
                else:
                    os.kill(terminal.process.pid, way)
                assert terminal.ended() == 128 + (way if isinstance(way, signal.Signals) else signal.SIGINT)
            assert state_of(addresses["port"]) == b"ok off"

    def test_what_is_pasted_steers_no_terminal(self, tmp_path):
        with at_terminal(["talk", "emu://tarn"], XDG_STATE_HOME=str(tmp_path)) as terminal:
            terminal.shows("tarn off>")
            terminal.type("\x1b[200~ask x\x1b[31mred\x1b[201~\r")  # pasted
            terminal.shows(r"there is no x\x1b[31mred")
            terminal.asks("tarn off>")
            terminal.type("\x04")
            terminal.ended()
        assert b"\x1b[31m" not in terminal.raw
