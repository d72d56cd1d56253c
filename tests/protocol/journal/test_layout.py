"""The journal's layout (`spec/journal.md`): both ways of writing it, and what is cut, damaged or foreign."""

from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.errors import WirevowError
from wirevow.protocol.journal.layout import (
    MOST_BYTES,
    Head,
    Kind,
    Record,
    declared_record,
    head_bytes,
    record_at,
    record_bytes,
)
from wirevow.protocol.journal.reading import Journal

HEAD = Head(1_700_000_000_000_000_000, "/dev/ttyUSB0", "tarn", "1.0.0", "ab" * 32)
RECORDS = [
    Record(Kind.OPENED, 0),
    Record(Kind.HOST, 5, b"ask self.vow\n"),
    Record(Kind.DEVICE, 1_000_000, b"ok tarn"),
    Record(Kind.DEVICE, 1_000_000, b"\n\x00\xff"),
    Record(Kind.CLOSED, 2**40),
    Record(Kind.END, 2**40, b"a signal ended it"),
]
BYTES = head_bytes(HEAD) + b"".join(record_bytes(each.kind, each.ns, each.data) for each in RECORDS)

records = st.builds(
    Record,
    st.sampled_from(Kind),
    st.integers(0, 2**64 - 1),
    st.binary(max_size=300) | st.just(b"x" * MOST_BYTES),
)


def journal_of(content: bytes, folder: Path) -> Journal:
    path = folder / "a.journal"
    path.write_bytes(content)
    return Journal(path)


@given(records)
def test_the_fast_way_writes_what_is_declared(record: Record) -> None:
    written = record_bytes(record.kind, record.ns, record.data)
    value = {"kind": record.kind, "ns": record.ns, "data": record.data}
    assert written == declared_record().build({"body": {"value": value}})
    parsed = declared_record().parse(written).body.value
    assert Record(Kind(parsed.kind), parsed.ns, parsed.data) == record
    assert record_at(b"before" + written + b"after", 6) == (record, 6 + len(written))


def test_the_check_is_the_one_that_the_page_names() -> None:
    # CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms, by a library that knows it by name.
    crc = pytest.importorskip("crccheck.crc", reason="install crccheck")
    written = record_bytes(Kind.HOST, 5, b"ask self.vow\n")
    assert crc.Crc32IsoHdlc.calc(written[:-4]) == int.from_bytes(written[-4:], "big")
    head = head_bytes(HEAD)
    assert crc.Crc32IsoHdlc.calc(head[:-4]) == int.from_bytes(head[-4:], "big")


def test_the_example_of_the_page_is_read(tmp_path: Path) -> None:
    page = files("wirevow.spec").joinpath("journal.md").read_text()
    dump = page.split("```hex\n")[1].split("```")[0]
    content = bytes.fromhex("".join(line.partition(";")[0] for line in dump.splitlines()))
    journal = journal_of(content, tmp_path)
    assert journal.head == Head(1_700_000_000_000_000_000, "/dev/ttyUSB0", "tarn", "1.0.0", "")
    assert list(journal.records()) == [
        Record(Kind.HOST, 1_500_000_000, b"ask input.voltage\n"),
        Record(Kind.END, 2_000_000_000, b"a signal ended it"),
    ]


def test_what_was_written_is_read(tmp_path: Path) -> None:
    journal = journal_of(BYTES, tmp_path)
    assert journal.head == HEAD
    assert list(journal.records()) == RECORDS
    assert journal.told == []
    assert journal.ended == "a signal ended it"


def test_wherever_it_is_cut_every_whole_record_is_read_and_the_rest_told(tmp_path: Path) -> None:
    begin = len(head_bytes(HEAD))
    ends = [begin]
    for record in RECORDS:
        ends.append(ends[-1] + len(record_bytes(record.kind, record.ns, record.data)))
    for cut in range(begin, len(BYTES)):
        journal = journal_of(BYTES[:cut], tmp_path)
        whole = sum(end <= cut for end in ends) - 1
        assert list(journal.records()) == RECORDS[:whole]
        assert len(journal.told) == 1
        assert ("is cut" in journal.told[0]) == (cut not in ends)


def test_what_a_power_failure_left_empty_counts_as_cut(tmp_path: Path) -> None:
    journal = journal_of(BYTES + bytes(4096), tmp_path)
    assert list(journal.records()) == RECORDS
    assert "the last record is cut; its 4096 bytes were left out" in journal.told[0]


def test_what_is_damaged_is_told_with_its_place_and_nothing_wrong_is_read(tmp_path: Path) -> None:
    begin = len(head_bytes(HEAD))
    for at in range(begin, len(BYTES)):
        journal = journal_of(BYTES[:at] + bytes([BYTES[at] ^ 0x10]) + BYTES[at + 1 :], tmp_path)
        read = list(journal.records())
        assert read == RECORDS[: len(read)]
        assert len(read) < len(RECORDS)
        assert (
            f"byte {begin + sum(len(record_bytes(r.kind, r.ns, r.data)) for r in read)} on" in journal.told[0]
        )


@pytest.mark.parametrize(
    ("content", "error"),
    [
        (b"", "this is not a journal"),
        (b"seconds,volts\n1,2\n", "this is not a journal; name a file that `wirevow record` has written"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "this is not a journal"),
        (BYTES[:5], "cut before its head ends"),
        (BYTES[:40], "cut before its head ends"),
        (BYTES[:8] + b"\0\2" + BYTES[10:], "layout 2, this Wirevow reads layout 1"),
        (BYTES[:20] + b"?" + BYTES[21:], "head"),
        (BYTES[:30] + b"\xff" + BYTES[31:], "the journal's head is damaged"),
        (BYTES.replace(b"\r\n", b"\n"), "this is not a journal"),
    ],
)
def test_what_is_no_journal_is_one_clear_error(content: bytes, error: str, tmp_path: Path) -> None:
    with pytest.raises(WirevowError, match=r"a\.journal: ") as caught:
        journal_of(content, tmp_path)
    assert error in caught.value.message


@given(st.binary(max_size=400))
def test_any_bytes_are_records_or_told(tail: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        journal = journal_of(BYTES + tail, Path(folder))
        read = list(journal.records())
        assert read[: len(RECORDS)] == RECORDS
        assert bool(tail) == bool(journal.told) or len(read) > len(RECORDS)


def test_a_directory_and_a_device(tmp_path: Path) -> None:
    for path in (tmp_path, Path("/dev/zero")):
        with pytest.raises(WirevowError, match="not a regular file"):
            Journal(path)
    with pytest.raises(WirevowError, match="no such file"):
        Journal(tmp_path / "none")
