"""How a host cuts its bytes into writes makes no difference to an instrument."""

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import load_document
from wirevow.protocol.vow import compile_vow

VOW = compile_vow(load_document(Path(__file__).parents[2] / "spec" / "tarn.yaml").document)
PIECES = [
    b"ask self.boots\n",
    b"@7 ask self.boot_cause\r\n",
    b"put sink.level 1.000 A\n",
    b"ask sink.level\n",
    b"act self.reboot\n",
    b"act sink.arm\n",
    b"ask se",
    b"\n",
    b"\xff\n",
    b"x" * 100,
]


def answers(writes: list[bytes]) -> bytes:
    instrument = Instrument(VOW)
    instrument.opened(0)
    said = b""
    for data in writes:
        instrument.receive(data, 1_000_000_000)
        said += instrument.take()
    return said


@given(st.lists(st.sampled_from(PIECES), max_size=8), st.data())
def test_the_cuts_do_not_matter(pieces: list[bytes], choice: st.DataObject) -> None:
    data = b"".join(pieces)
    cuts = choice.draw(st.lists(st.integers(0, len(data)), max_size=8).map(sorted))
    assert answers([data[begin:end] for begin, end in pairwise([0, *cuts, len(data)])]) == answers([data])


@pytest.mark.parametrize("after", [b"ask sink.level\n", b"ask sink.le", b"x" * 200])
def test_what_follows_a_request_to_boot_is_for_the_time_after(after: bytes) -> None:
    whole = answers([b"put sink.level 1.000 A\nact self.reboot\n" + after, b"\nask self.boots\n"])
    assert whole == answers([b"put sink.level 1.000 A\n", b"act self.reboot\n", after, b"\nask self.boots\n"])
    assert b"note 1 boot request\n" in whole
    assert whole.endswith(b"ok 2\n")
