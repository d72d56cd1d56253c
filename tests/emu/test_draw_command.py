"""`wirevow draw` shows what a document says and what was recorded; a mistake on the way is told in words."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.protocol.test_report import outcome
from wirevow.emu.commands.draw import command
from wirevow.emu.pictures import cooling, plane
from wirevow.protocol.document.load import load_document
from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.layout import Head, Kind, head_bytes, record_bytes
from wirevow.protocol.journal.pictures import readings
from wirevow.protocol.journal.reading import Journal
from wirevow.protocol.report import document
from wirevow.protocol.report.past import Past, past_of
from wirevow.protocol.report.pictures import reply_times
from wirevow.protocol.vow import compile_vow

pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")

SPEC = Path(__file__).parents[2] / "spec"
TARN = compile_vow(load_document(SPEC / "tarn.yaml").document)
S = 1_000_000_000


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Six readings of a falling voltage, a start and a trip."""
    said = [
        (0, Kind.HOST, b"act sink.start\n"),
        (0, Kind.DEVICE, b"ok\nnote 1 state sinking\n"),
    ]
    for index in range(6):
        said += [
            (index * S, Kind.HOST, b"@1 ask input.voltage\nask input.current\nask self.state\n"),
            (index * S, Kind.DEVICE, f"@1 ok {12 - index}.000 V\nok 2.500 A\nok sinking\n".encode()),
        ]
    said.append((6 * S, Kind.DEVICE, b"note 2 trip overheat 91.0 Cel\n"))
    file = tmp_path / "bench.journal"
    file.write_bytes(
        head_bytes(Head(0, "/dev/ttyUSB0", "tarn"))
        + b"".join(record_bytes(kind, ns, data) for ns, kind, data in said)
    )
    return file


def draw(*words: str | Path) -> str:
    done = CliRunner().invoke(command, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0
    return done.output


@pytest.mark.parametrize("words", [["limits"], ["cooling"], ["states", "--doc", "brae"]])
def test_what_a_document_says_is_drawn(words: list[str], tmp_path: Path) -> None:
    name, *options = words
    file = tmp_path / f"{name}.svg"
    assert draw(name, file, *options) == f"wrote {file}\n"
    assert "<svg" in file.read_text()


def test_fan_and_derating_are_the_documents() -> None:
    fan, derating = cooling(TARN).axes
    levels = TARN.document.fan
    assert levels is not None
    assert set(fan.lines[0].get_ydata()) == {0.0, *(100 * float(level.duty) for level in levels.levels)}
    assert max(derating.lines[0].get_ydata()) == 100.0


def test_the_limits_are_named_in_the_plane() -> None:
    made = plane(TARN)
    assert made is not None
    (axis,) = made.axes
    names = {text.get_text() for text in axis.get_legend().get_texts()}
    assert {"limit current", "limit power", "trip overvoltage"} <= names


def test_a_recording_is_drawn_with_what_the_host_was_told(journal: Path, tmp_path: Path) -> None:
    volts, amperes = readings(Journal(journal), "input.*").axes
    times, values = volts.lines[0].get_data()
    assert list(times) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert list(values) == [12.0, 11.0, 10.0, 9.0, 8.0, 7.0]
    assert [text.get_text() for text in volts.texts] == ["sinking", "overheat"]
    assert set(amperes.lines[0].get_ydata()) == {2.5}
    assert draw("recording", tmp_path / "bench.png", journal, "--name", "input.voltage").startswith("wrote")


def test_reply_times_are_shares_of_all_against_the_deadline() -> None:
    past = past_of(document.text(outcome()), "a report")
    (panel,) = reply_times([("then", past), ("now", slower(past, 2))]).axes
    first, second, deadline = panel.lines
    for line in (first, second):
        shares = list(line.get_ydata())
        assert shares[0] == 0.0
        assert shares[-1] == 100.0
        assert all(before <= after for before, after in itertools.pairwise(shares))
    assert deadline.get_xdata()[0] == pytest.approx(1e3 * past.reply_deadline_seconds)


def test_a_held_clock_has_no_reply_times_to_draw() -> None:
    past = past_of(document.text(outcome(held=True)), "a report")
    with pytest.raises(WirevowError, match="then: it has no reply times, since the clock was held"):
        reply_times([("then", past)])


def slower(past: Past, factor: int) -> Past:
    bins = tuple(
        each.model_copy(update={"to_seconds": factor * each.to_seconds}) for each in past.reply_times.bins
    )
    return past.model_copy(update={"reply_times": past.reply_times.model_copy(update={"bins": bins})})


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["states", "s.png"], "write a name that ends in .svg"),
        (["limits", "l.png", "--doc", "brae"], "holds no voltage and current"),
        (["cooling", "l.doc"], ".png, .svg or .pdf"),
        (["cooling", "l.png", "--doc", "tran"], "tran"),
        (["recording", "r.png", "none.journal"], "there is no such file"),
        (["times", "t.png", "none.json"], "none.json"),
        (["times", "t.png", *["a.json"] * 5], "4 at most"),
    ],
)
def test_mistakes_are_told(tmp_path, monkeypatch, words: list[str], said: str) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(command, words)
    assert isinstance(done.exception, WirevowError)
    assert said in str(done.exception)


def test_what_a_recording_lacks_is_told(journal: Path) -> None:
    with pytest.raises(WirevowError, match=r"no point heat\.\* with a number"):
        readings(Journal(journal), "heat.*")
