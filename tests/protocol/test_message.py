"""Lines to messages and back (`wire.framing`, `wire.syntax`, `wire.tag`, `wire.check`)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.message import (
    Malformed,
    Notice,
    Reply,
    Request,
    check_of,
    parse_answer,
    parse_request,
)

words = st.from_regex(r"[a-z][a-z0-9_]{0,7}", fullmatch=True)
names = st.lists(words, min_size=1, max_size=3).map(".".join)
tags = st.none() | st.from_regex(r"@[0-9a-f]{1,4}", fullmatch=True)
arguments = st.from_regex(r"[!-}][!-~]{0,7}", fullmatch=True)
values = st.lists(arguments, max_size=4).map(tuple)
requests = st.builds(Request, tags, st.sampled_from(["ask", "put", "act"]), names, values, st.booleans())
replies = st.one_of(
    st.builds(Reply, tags, st.just(True), values, st.booleans()),
    st.builds(Reply, tags, st.just(False), st.tuples(words), st.booleans()),
    st.builds(Reply, tags, st.just(False), st.tuples(words, arguments), st.booleans()),
)
notices = st.builds(Notice, st.integers(1, 65535), words, values, st.booleans())


@given(requests)
def test_requests_come_back(request: Request) -> None:
    assert parse_request(request.line()) == request


@given(replies)
def test_replies_come_back(reply: Reply) -> None:
    parsed = parse_answer(reply.line())
    assert parsed == reply
    assert type(parsed) is Reply


@given(notices)
def test_notices_come_back(notice: Notice) -> None:
    parsed = parse_answer(notice.line())
    assert parsed == notice
    assert type(parsed) is Notice


@given(st.one_of(st.binary(), requests.map(Request.line).flatmap(
    lambda line: st.tuples(st.integers(0, len(line)), st.binary(max_size=3)).map(
        lambda edit: line[: edit[0]] + edit[1] + line[edit[0] + 1 :]
    )
)))  # fmt: skip
def test_whatever_comes_is_a_message_that_writes_the_same_line_or_is_malformed(line: bytes) -> None:
    for parse in (parse_request, parse_answer):
        message = parse(line)
        if isinstance(message, Malformed):
            assert message.reason in ("syntax", "check")
        else:
            assert message.line() == line


@given(requests, st.data())
def test_a_wrong_check_is_a_wrong_check_and_carries_no_tag(request: Request, data: st.DataObject) -> None:
    line = request._replace(checked=False).line()
    right = check_of(line)
    wrong = data.draw(st.from_regex(r"[0-9A-F]{4}", fullmatch=True).filter(lambda check: check != right))
    assert parse_request(line + b" ~" + wrong.encode()) == Malformed("check")


def test_examples_of_the_page() -> None:
    assert parse_request(b"ask input.voltage") == Request(None, "ask", "input.voltage")
    assert parse_request(b"@1f put sink.level 2.500 A") == Request("@1f", "put", "sink.level", ("2.500", "A"))
    assert parse_answer(b"refuse range 0.000 6.000 A") == Reply(None, False, ("range", "0.000", "6.000", "A"))
    assert parse_answer(b"note 17 trip overheat 86.2 Cel") == Notice(17, "trip", ("overheat", "86.2", "Cel"))


@pytest.mark.parametrize(
    ("line", "tag"),
    [
        (b"", None),
        (b" ask a", None),
        (b"ask a ", None),
        (b"ask  a", None),
        (b"ask\ta", None),
        (b"ASK a", None),
        (b"ask A", None),
        (b"ask a.", None),
        (b"ask .a", None),
        (b"ask a..b", None),
        (b"ask 1a", None),
        (b"ask a.1", None),
        (b"ask _a", None),
        (b"ask", None),
        (b"get a", None),
        (b"@1f ask", "@1f"),
        (b"@1f  ask a", "@1f"),
        (b"@1f ", "@1f"),
        (b"@1f", None),
        (b"@1F ask a", None),
        (b"@ ask a", None),
        (b"@12345 ask a", None),
        (b"@1f @2 ask a", "@1f"),
        (b"@1f ask a\xe9", "@1f"),
        (b"ask a \x7f", None),
        (b"ask a\x00", None),
        (b"ask a\r", None),
        (b"ask a\n", None),
        (b"put a ~b 1", None),
        (b"ask a ~", None),
        (b"ask a ~12G4", None),
        (b"ask a ~abcd", None),
        (b"ask a ~123", None),
        (b"ask a ~12345", None),
        (b"ask a ~1234 b", None),
        (b"ask ~1234", None),
        (b"@1f ~1234", "@1f"),
    ],
)
def test_lines_outside_the_grammar_are_syntax_with_the_tag_they_begin_with(
    line: bytes, tag: str | None
) -> None:
    assert parse_request(line) == Malformed("syntax", tag)


@pytest.mark.parametrize(
    "line",
    [b"", b"ok ", b" ok", b"okay", b"refuse", b"refuse Range", b"note 0 boot power", b"note 65536 boot power",
     b"note 01 boot", b"note 1", b"@1f note 1 boot power", b"note x boot", b"ok ~abcd", b"ok \xff",
     b"ok 1\xff", b"ok\xa01", b"note 1 boot\x85", b"ok\t1", b"ok 1\n"],
)  # fmt: skip
def test_answers_outside_the_grammar_are_syntax(line: bytes) -> None:
    message = parse_answer(line)
    assert isinstance(message, Malformed)
    assert message.reason == "syntax"


def test_the_last_notice_number_is_a_number() -> None:
    assert parse_answer(b"note 65535 boot power") == Notice(65535, "boot", ("power",))


def test_a_tilde_inside_or_after_the_first_character_is_an_argument() -> None:
    assert parse_request(b"put a b~1234") == Request(None, "put", "a", ("b~1234",))


def test_a_line_that_is_both_is_syntax() -> None:
    assert parse_request(b"ask A ~0000") == Malformed("syntax")
    assert parse_answer(b"ok  1 ~0000") == Malformed("syntax")
