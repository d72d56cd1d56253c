"""Which answer belongs to which request, and a stand-in that answers as the recording does."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.journal.exchanges import asked, exchanges, lines
from wirevow.protocol.journal.layout import Kind, Record
from wirevow.protocol.journal.stand_in import StandIn
from wirevow.protocol.message import Reply, Request

H, D = Kind.HOST, Kind.DEVICE


def told(*said: tuple[Kind, bytes]) -> list[Record]:
    return [Record(kind, 1000 * number, data) for number, (kind, data) in enumerate(said)]


def answers(*said: tuple[Kind, bytes]) -> dict[bytes, bytes | None]:
    _, found = exchanges(told(*said))
    return {each.line.data: None if each.line.reply is None else each.line.reply.data for each in found}


def test_answers_come_in_the_order_of_the_requests() -> None:
    said = (H, b"ask a\nask b\n\nask c\n"), (D, b"ok 1\nnote 1 boot power\no"), (D, b"k 2\r\nok 3\n")
    assert answers(*said) == {b"ask a": b"ok 1", b"ask b": b"ok 2", b"ask c": b"ok 3"}


@pytest.mark.parametrize(
    ("device", "found"),
    [
        # An answer that was lost, or came too late, is nobody else's.
        (b"@2 ok 2\n", [None, b"@2 ok 2", None]),
        (b"@1 ok 1\n@1 ok 1\n@3 ok 3\n", [b"@1 ok 1", None, b"@3 ok 3"]),
        (b"@7 ok 7\n", [None, None, None]),
        (b"ok 7\n", [None, None, None]),
        # These two have no tag, whoever they answer.
        (b"refuse check\n@2 ok 2\n", [b"refuse check", b"@2 ok 2", None]),
        (b"@1 ok 1\nrefuse length 96\n", [b"@1 ok 1", b"refuse length 96", None]),
        (b"refuse syntax\n", [None, None, None]),
    ],
)
def test_an_answer_has_its_requests_tag(device: bytes, found: list[bytes | None]) -> None:
    said = answers((H, b"@1 ask a\n@2 ask b\n@3 ask c\n"), (D, device))
    assert list(said.values()) == found


def test_what_is_no_request_is_answered_too() -> None:
    assert answers((H, b"hello\n@5 hello\n"), (D, b"refuse syntax\n@5 refuse syntax\n")) == {
        b"hello": b"refuse syntax", b"@5 hello": b"@5 refuse syntax",
    }  # fmt: skip


def test_what_the_host_had_begun_when_it_left_is_no_part_of_the_next_ones_line() -> None:
    found = list(lines(told((H, b"act sink.st"), (Kind.CLOSED, b""), (Kind.OPENED, b""), (H, b"ask a\n"))))
    assert [(each.data, each.whole) for each in found] == [(b"act sink.st", False), (b"ask a", True)]


def test_names_are_told_once_in_their_order() -> None:
    said = told(
        (H, b"ask b\n@1 ask a\nask b\nhello\n"), (D, b"note 1 trip overheat 80 Cel\n"), (H, b"act c\nask d")
    )
    assert asked(said) == ["b", "a", "c"]


@given(st.lists(st.tuples(st.sampled_from([H, D]), st.binary(max_size=40)), max_size=30))
def test_any_bytes_are_lines_and_none_is_lost(said: list[tuple[Kind, bytes]]) -> None:
    found = list(lines(told(*said)))
    for kind in (H, D):
        given_ = b"".join(data for side, data in said if side is kind)
        kept = [each.data for each in found if each.kind is kind]
        whole = [line.removesuffix(b"\r") for line in given_.split(b"\n")]
        assert kept == [line for line in whole if line] or given_.endswith(b"\r")
    for each in found:
        if each.reply is not None:
            assert each.reply.request is each


names = st.sampled_from(["a", "b.c", "sink.level"])
requests = st.builds(
    Request,
    st.none() | st.sampled_from(["@1", "@2f"]),
    st.sampled_from(["ask", "put", "act"]),
    names,
    st.lists(st.sampled_from(["1", "2.500", "A"]), max_size=2).map(tuple),
    st.booleans(),
)


@st.composite
def conversations(draw: st.DrawFn) -> list[Record]:
    records = []
    ns = 0
    for number in range(draw(st.integers(1, 12))):
        request = draw(requests)
        ns += draw(st.integers(1, 10**9))
        records.append(Record(H, ns, request.line() + b"\n"))
        ns += draw(st.integers(1, 10**6))
        reply = Reply(request.tag, True, (str(number),), request.checked).line()
        records.append(Record(D, ns, reply + b"\n"))
        if draw(st.booleans()):
            ns += draw(st.integers(1, 10**6))
            records.append(Record(D, ns, b"note %d trip overheat\n" % (number + 1)))
    return records


@given(conversations())
def test_a_host_that_says_the_same_again_hears_the_same_at_the_same_times(records: list[Record]) -> None:
    stand_in = StandIn(*exchanges(records), strange=lambda line: pytest.fail(line))
    stand_in.opened(0)
    heard = []
    for record in [*records, Record(H, records[-1].ns + 1, b"")]:
        while (due_ns := stand_in.next_event_ns()) is not None and due_ns <= record.ns:
            stand_in.advance(due_ns)
            heard.append(Record(D, due_ns, stand_in.take()))
        if record.kind is H:
            stand_in.receive(record.data, record.ns)
    assert heard == [record for record in records if record.kind is D]
