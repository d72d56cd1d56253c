"""The golden vectors, played on the reference firmware."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from wirevow.emu.firmware.board import FirmwareInstrument
from wirevow.emu.firmware.build import build_library, demo_vow
from wirevow.protocol.vectors import Bench, Case, Expect, Power, Reset, Send, Stored, Wait, read_vectors
from wirevow.protocol.vow import Vow

SPEC = Path(__file__).parents[2] / "spec"
LONGEST_NS = 2_500_000_000
CASES = [
    case
    for case in read_vectors(SPEC / "vectors")
    if sum(step.ns for step in case.steps if isinstance(step, Wait)) <= LONGEST_NS
]
"""Those that wait little: a second of the firmware takes a tenth of one here, and more under load."""

pytestmark = pytest.mark.skipif(
    shutil.which("gcc") is None, reason="gcc is not installed: apt-get install gcc"
)


@pytest.fixture(scope="module")
def tarn() -> Vow:
    return demo_vow()


@pytest.fixture(scope="module")
def library(tarn: Vow, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_library(
        tarn,
        tmp_path_factory.mktemp("firmware"),
        ["-O1", "-fsanitize=undefined", "-fno-sanitize-recover=all"],
    )


def play(case: Case, box: FirmwareInstrument) -> None:
    now_ns = 0
    lines: list[bytes] = []
    begun = b""
    bound: dict[str, bytes] = {}

    def collect() -> None:
        nonlocal begun
        *whole, begun = (begun + box.take()).split(b"\n")
        lines.extend(whole)

    box.advance(0)
    collect()
    assert lines.pop() == b"note 1 boot power"
    for step in case.steps:
        match step:
            case Send():
                box.receive(step.text.fill(bound), now_ns)
            case Expect():
                assert lines, f"{step.place}: nothing came, expected '{step.text}'"
                line = lines.pop(0)
                binds = step.text.match(line, bound)
                assert binds is not None, f"{step.place}: {line!r} came, expected '{step.text}'"
                bound |= binds
            case Wait():
                assert not (step.quiet and lines), f"{step.place}: {lines} came before the silence"
                now_ns += step.ns
                box.advance(now_ns)
                collect()
                assert not (step.quiet and lines), f"{step.place}: {lines} came in the silence"
            case Bench():
                box.bench(step.event, step.value, now_ns)
            case Power():
                box.power(step.on, now_ns)
            case Reset():
                box.reset(now_ns)
            case Stored():
                box.keep(step.image)
        collect()
    assert not lines, f"{case.place}: {lines} is left over"


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.place))
def test_the_firmware_keeps_the_vector(tarn: Vow, library: Path, case: Case) -> None:
    play(case, FirmwareInstrument(tarn, library))
