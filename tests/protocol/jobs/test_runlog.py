"""The log of a discharge: read back as written, cut anywhere, gone on with, never written over."""

import pytest

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.jobs.runlog import Log, Row, read, write_parquet

ROWS = [
    Row(1, 0.0, "open", 0.0, 12.6, 0.0, None, 0.0, 0.0, None),
    Row(1, 1.5, "load", 1.0, 12.25, 1.001, 25.5, 0.0002, 0.0026, 0.0002, False),
    Row(2, 2.5, "load", 1.0, 12.125, 1.0, 25.5, 0.0005, 0.006, 0.0001),
]


@pytest.fixture
def log(tmp_path):
    file = tmp_path / "run.csv"
    with Log(file, {"cells": 3}) as log:
        for row in ROWS:
            log.add(row)
    return file


def test_rows_come_back(log):
    run = read(log)
    assert run.rows == ROWS
    assert run.about["cells"] == 3


def test_a_log_cut_anywhere_keeps_every_whole_row_and_goes_on(log, tmp_path):
    whole = log.read_bytes()
    head = whole.index(b"\n", whole.index(b"\n") + 1) + 1
    for length in range(head, len(whole) + 1):
        cut = tmp_path / f"{length}.csv"
        cut.write_bytes(whole[:length])
        kept = read(cut).rows
        assert kept == ROWS[: len(kept)]
        with Log(cut, None) as log:
            log.add(ROWS[-1])
        assert read(cut).rows == [*kept, ROWS[-1]]


def test_a_log_is_not_written_over(log):
    with pytest.raises(WirevowError, match="--resume"):
        Log(log, {})
    assert read(log).rows == ROWS


@pytest.mark.parametrize("text", ["", "volts,amperes\n1,2\n", '# {"layout": 99}\n', "# []\n", "\x00"])
def test_another_file_is_no_log(tmp_path, text):
    (tmp_path / "other.csv").write_text(text)
    with pytest.raises(WirevowError, match="no log of a discharge"):
        read(tmp_path / "other.csv")


def test_a_damaged_row_is_told_with_its_line(log):
    lines = log.read_text().splitlines(keepends=True)
    lines[3] = lines[3].replace("load", "load,load")
    log.write_text("".join(lines))
    with pytest.raises(WirevowError, match=r"run\.csv:4: the row is damaged"):
        read(log)


def test_a_full_disk_is_one_error_and_loses_no_row():
    from pathlib import Path

    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("needs Linux's /dev/full")
    log = Log.__new__(Log)
    log._file, log._rows, log._stream = full, 0, open(full, "wb", buffering=0)  # noqa: SIM115
    with log, pytest.raises(WirevowError, match=r"No space left.*those before it are kept"):
        log.add(ROWS[0])


def test_a_log_becomes_parquet(log, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="pip install pyarrow")
    write_parquet(read(log), tmp_path / "run.parquet")
    table = parquet.read_table(tmp_path / "run.parquet").to_pylist()
    assert [each["volts"] for each in table] == [12.6, 12.25, 12.125]
    assert table[0]["celsius"] is None
