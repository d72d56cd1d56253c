"""Good instruments that differ from the demo's in what a document may say: none is accused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.protocol.conformance.instruments import SPEC, try_purpose
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.document.load import read_document
from wirevow.protocol.vow import Vow, compile_vow

TARN = (SPEC / "tarn.yaml").read_text(encoding="utf-8")
BRAE = (SPEC / "brae.yaml").read_text(encoding="utf-8")


def vow_with(text: str, *changes: tuple[str, str]) -> Vow:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return compile_vow(read_document(text).document)


def test_a_duty_in_whole_percent_is_left_where_its_hysteresis_says() -> None:
    vow = vow_with(
        TARN, ('{unit: "%", step: 0.1, low: 0.0, high: 100.0}', '{unit: "%", step: 1, low: 0, high: 100}')
    )
    hands = direct_tester(vow, Instrument(vow, seed=1), seed=1)
    hands.acquaint()
    try_purpose(hands, "fan_hysteresis", "fan.hysteresis")
    try_purpose(hands, "least_drive", "fan.curve")


@pytest.mark.parametrize("purpose", ["begun_over_boot", "forgotten_by_every_boot"])
def test_a_box_that_boots_faster_than_it_has_to_is_good(purpose: str) -> None:
    promised = vow_with(BRAE)
    faster = vow_with(BRAE, ("    settle: 1500 ms\n", "    settle: 0 ms\n"))
    hands = direct_tester(promised, Instrument(replace(faster, identity=promised.identity), seed=1), seed=1)
    hands.acquaint()
    try_purpose(hands, purpose, "wire.boot")


class BootsLate(Instrument):
    """Its watchdog boots it in 15 ms; until then it neither hears nor says anything."""

    ready_ns = 0

    def _restart(self, cause: str, now_ns: int) -> None:
        super()._restart(cause, now_ns)
        self.ready_ns = now_ns + 15_000_000

    def receive(self, data: bytes, now_ns: int) -> None:
        if now_ns >= self.ready_ns:
            super().receive(data, now_ns)

    def take(self) -> bytes:
        return super().take() if self.now_ns >= self.ready_ns else b""

    def next_event_ns(self) -> int | None:
        due_ns = super().next_event_ns()
        waiting = self.now_ns < self.ready_ns
        return min(due_ns or self.ready_ns, self.ready_ns) if waiting else due_ns


def test_a_box_that_takes_a_moment_to_boot_is_good() -> None:
    vow = vow_with(BRAE, ("    resets: true\n", ""), ("    settle: 1500 ms\n", ""))
    hands = direct_tester(vow, BootsLate(vow, seed=1), seed=1)
    hands.acquaint()
    try_purpose(hands, "forgotten_by_every_boot", "wire.boot")
