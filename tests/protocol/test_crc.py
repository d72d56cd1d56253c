"""The check against the catalogue and against a reference library."""

from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from wirevow.protocol.message import Notice, Reply, Request, check_of, parse_answer, parse_request


def test_the_catalogue_check_value() -> None:
    """CRC-16/IBM-3740 over "123456789" is 0x29B1 (catalogue of parametrised CRC algorithms)."""
    assert check_of(b"123456789") == "29B1"


@given(st.binary(max_size=200))
def test_agrees_with_crccheck(body: bytes) -> None:
    assert check_of(body) == f"{Crc16Ibm3740.calc(body):04X}"


def test_covers_all_bytes_before_its_space() -> None:
    for message in (
        Request("@1f", "put", "sink.level", ("2.500", "A"), True),
        Reply("@1f", False, ("range", "0.000", "6.000", "A"), True),
        Notice(17, "trip", ("overheat", "86.2", "Cel"), True),
    ):
        body, _, check = message.line().rpartition(b" ~")
        assert body == message._replace(checked=False).line()
        assert int(check, 16) == Crc16Ibm3740.calc(body)


def test_a_check_from_the_reference_library_is_accepted() -> None:
    body = b"@7 act sink.start 3fa1"
    line = body + f" ~{Crc16Ibm3740.calc(body):04X}".encode()
    assert parse_request(line) == Request("@7", "act", "sink.start", ("3fa1",), True)
    answer = b"ok 1.000 A"
    assert parse_answer(answer + f" ~{Crc16Ibm3740.calc(answer):04X}".encode()) == Reply(
        None, True, ("1.000", "A"), True
    )


def test_leading_zeros_of_the_check_are_written() -> None:
    body = next(
        line for line in (b"ask a%d" % number for number in range(1000)) if Crc16Ibm3740.calc(line) < 0x1000
    )
    request = parse_request(body + f" ~{Crc16Ibm3740.calc(body):04X}".encode())
    assert isinstance(request, Request)
    assert request.line()[-6:-3] == b" ~0"
