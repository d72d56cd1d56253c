"""`wirevow journal`: print, filter, export."""

import csv
import json
from pathlib import Path

import pytest

from wirevow.emu.command import run
from wirevow.protocol.journal.layout import Head, Kind, head_bytes, record_bytes

SAID = [
    (Kind.OPENED, 0, b""),
    (Kind.HOST, 1_000_000_000, b"ask input.voltage\n"),
    (Kind.DEVICE, 1_001_000_000, b"ok 12.003 V\n"),
    (Kind.HOST, 2_000_000_000, b"@1 put sink.level 2.500 A\n@2 ask self.state\n"),
    (Kind.DEVICE, 2_001_000_000, b"note 2 state off\n@1 ok 2.500 A\n@2 o"),
    (Kind.DEVICE, 2_002_000_000, b"k off\n"),
    (Kind.HOST, 3_000_000_000, b"\x1b[2J\xff\\\n"),
    (Kind.DEVICE, 3_001_000_000, b"refuse syntax\n"),
    (Kind.HOST, 4_000_000_000, b"ask inp"),
    (Kind.CLOSED, 5_000_000_000, b""),
    (Kind.END, 5_000_000_000, b"a signal ended it"),
]


@pytest.fixture
def journal(tmp_path: Path) -> str:
    path = tmp_path / "bench.journal"
    head = Head(1_700_000_000_000_000_000, "/dev/ttyUSB0", "tarn", "1.0.0", "cf80a728" + "0" * 56)
    path.write_bytes(head_bytes(head) + b"".join(record_bytes(*each) for each in SAID))
    return str(path)


def shown(capfd: pytest.CaptureFixture[str], *words: str) -> list[str]:
    assert run(["journal", *words]) == 0
    return capfd.readouterr().out.splitlines()


def test_it_is_printed_with_times_and_directions(journal: str, capfd: pytest.CaptureFixture[str]) -> None:
    assert shown(capfd, journal) == [
        "/dev/ttyUSB0, tarn 1.0.0 cf80a728",
        "22:13:21.000000Z     1.000000 > ask input.voltage",
        "22:13:21.001000Z     1.001000 < ok 12.003 V",
        "22:13:22.000000Z     2.000000 > @1 put sink.level 2.500 A",
        "22:13:22.000000Z     2.000000 > @2 ask self.state",
        "22:13:22.001000Z     2.001000 < note 2 state off",
        "22:13:22.001000Z     2.001000 < @1 ok 2.500 A",
        "22:13:22.002000Z     2.002000 < @2 ok off",
        r"22:13:23.000000Z     3.000000 > \x1b[2J\xff\x5c",
        "22:13:23.001000Z     3.001000 < refuse syntax",
        "22:13:24.000000Z     4.000000 > ask inp",
    ]


@pytest.mark.parametrize(
    ("options", "texts"),
    [
        (["--name", "sink.*"], ["@1 put sink.level 2.500 A", "@1 ok 2.500 A"]),
        (["--name", "*.state", "--from", "device"], ["@2 ok off"]),
        (["--name", "state"], ["note 2 state off"]),
        (["--from", "device", "--before", "1500 ms"], ["ok 12.003 V"]),
        (["--after", "3 s"], [r"\x1b[2J\xff\x5c", "refuse syntax", "ask inp"]),
        (
            ["--pieces", "--after", "2001 ms", "--before", "2002 ms"],
            [r"note 2 state off\x0a@1 ok 2.500 A\x0a@2 o", r"k off\x0a"],
        ),
    ],
)
def test_what_is_wanted_of_it(
    journal: str, options: list[str], texts: list[str], capfd: pytest.CaptureFixture[str]
) -> None:
    assert [json.loads(line)["text"] for line in shown(capfd, journal, "--json", *options)] == texts


def test_the_exports_hold_the_same_rows(
    journal: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    pyarrow = pytest.importorskip("pyarrow.parquet", reason="install pyarrow")
    rows = [json.loads(line) for line in shown(capfd, journal, "--json")]
    assert rows[1] == {
        "seconds": 1.001, "utc": "2023-11-14T22:13:21.001000Z", "side": "device", "what": "reply",
        "name": "input.voltage", "text": "ok 12.003 V",
    }  # fmt: skip
    for suffix in ("csv", "jsonl", "parquet"):
        out = str(tmp_path / f"bench.{suffix}")
        assert shown(capfd, journal, "--out", out) == [f"{out}: 10 rows"]
    text = (tmp_path / "bench.jsonl").read_text()
    assert [json.loads(line) for line in text.splitlines()] == rows
    with open(tmp_path / "bench.csv", newline="") as file:
        assert [{**row, "seconds": float(row["seconds"])} for row in csv.DictReader(file)] == rows
    table = pyarrow.read_table(tmp_path / "bench.parquet")
    assert table.to_pylist() == rows
    assert json.loads(table.schema.metadata[b"wirevow"])["document"] == "tarn"


def test_every_byte_can_be_had_again(journal: str, capfd: pytest.CaptureFixture[str]) -> None:
    rows = [json.loads(line) for line in shown(capfd, journal, "--json", "--pieces", "--from", "host")]
    texts = "".join(row["text"] for row in rows).encode()
    assert texts.decode("unicode_escape").encode("latin-1") == b"".join(
        data for kind, _, data in SAID if kind is Kind.HOST
    )


def test_what_cannot_be_done(journal: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other"
    other.write_text("no journal")
    for words, error in (
        ([str(other)], "this is not a journal"),
        ([journal, "--out", "a.xls"], "a.xls: the name has to end in .csv, .jsonl, .parquet"),
        ([journal, "--out", str(tmp_path / "no" / "a.csv")], "it cannot be written (No such file"),
        ([journal, "--after", "soon"], "--after: a duration is a number, a space and one of"),
    ):
        assert run(["journal", *words]) == 2
        said = capfd.readouterr().err
        assert error in said
        assert said.count("\n") == 1


def test_a_cut_journal_is_printed_up_to_there_and_that_is_told(
    journal: str, capfd: pytest.CaptureFixture[str]
) -> None:
    content = Path(journal).read_bytes()
    Path(journal).write_bytes(content[:-3])
    assert run(["journal", journal]) == 0
    said = capfd.readouterr()
    assert len(said.out.splitlines()) == 11
    assert "the last record is cut" in said.err
