"""Rough treatment shows what gives way, and leaves a good instrument alone; a save is whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Late
from wirevow.protocol.conformance.purposes import PURPOSES, robustness, saving
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.device import Device
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.framing import Overlong
from wirevow.protocol.serialport import open_port

PATIENT = 5

Work = Callable[[Hands, Requirement], None]
ROUGH: dict[str, tuple[Work, str]] = {
    each.work.__name__: (each.work, f"{each.section}.{each.aspect}")
    for each in PURPOSES
    if each.work.__module__ == robustness.__name__
}


def requirement(hands: Hands, name: str) -> Requirement:
    return next(each for each in requirements(hands.vow.document) if each.id == name)


def home(hands: Hands) -> Hands:
    hands.acquaint()
    hands.home()
    hands.mark()
    return hands


def treat(hands: Hands, name: str) -> None:
    work, about = ROUGH[name]
    work(hands, requirement(hands, about))
    hands.quiet()


def patiently(hands: Hands, name: str) -> None:
    """On a clock that runs: again, as a check does it, where this machine was too busy to tell."""
    for _ in range(PATIENT):
        hands.lenient = True
        try:
            home(hands)
            treat(hands, name)
            return
        except Late:
            continue
    pytest.fail("this machine is too busy")


@pytest.mark.parametrize("document", ["tarn", "brae"])
@pytest.mark.parametrize("name", sorted(set(ROUGH) - {"line_faults", "flood_unread"}))
@pytest.mark.parametrize("seed", [0, 1])
def test_a_good_instrument_bears_it(document: str, name: str, seed: int) -> None:
    hands = home(hands_on(document, seed=seed))
    treat(hands, name)
    assert hands.state == hands.vow.initial


@pytest.fixture(scope="module")
def running() -> Iterator[Hands]:
    """Behind a pseudo-terminal, on the real clock, without a rig."""
    vow = vow_of("brae")
    with served(Instrument(vow)) as (address, _):
        port = open_port(address, vow.document.wire.baud, vow.document.wire.opening)
        yield home(Hands(vow, Session(port, vow.document.wire.line_limit)))
        port.close()


@pytest.mark.parametrize("name", sorted(set(ROUGH) - {"line_faults"}))
def test_a_good_instrument_bears_it_on_a_clock_that_runs(running: Hands, name: str) -> None:
    patiently(running, name)


def test_breaks_need_a_real_port(running: Hands) -> None:
    running.home()
    with pytest.raises(NotSelected, match="pseudo-terminal"):
        treat(running, "line_faults")
    with pytest.raises(NotSelected, match="real serial port"):
        treat(home(hands_on("brae")), "line_faults")


class BootsAtNul(Device):
    """A byte that ends a string ends the firmware."""

    def receive(self, data: bytes, now_ns: int) -> None:
        super().receive(data, now_ns)
        if data.startswith(b"\x00" * 200):
            self.store.boots += 1


class LosesASetting(Device):
    """A line that is far too long runs over what lies behind the buffer."""

    def line(self, line: bytes | Overlong, now_ns: int) -> None:
        super().line(line, now_ns)
        if isinstance(line, Overlong):
            self.settings |= {entry.name: entry.number.high for entry in self.vow.settings if entry.scale}


class DropsInAFlood(Device):
    """Of too many requests at once it loses the ends, and waits for one for ever."""

    deaf = False

    def receive(self, data: bytes, now_ns: int) -> None:
        self.deaf = self.deaf or data.count(b"\n") > 2 * self.vow.document.wire.pipeline
        if not self.deaf:
            super().receive(data, now_ns)


@pytest.mark.parametrize(
    ("device", "name"),
    [(BootsAtNul, "hostile_bytes"), (LosesASetting, "endless_lines"), (DropsInAFlood, "flood")],
)
def test_what_gives_way_is_seen(device: type[Device], name: str) -> None:
    vow = vow_of("brae")
    hands = home(direct_tester(vow, Instrument(vow, device_class=device)))
    with pytest.raises(Broken):
        treat(hands, name)


class BootsWhenUnread(Instrument):
    """Answers that nobody takes pile up until the memory is full; then the watchdog boots it."""

    def take(self) -> bytes:
        data = super().take()
        if len(data) > 500:
            self.reset(self.now_ns)
        return data


def test_a_flood_whose_answers_nobody_reads_is_for_a_port_that_fills_up(running: Hands) -> None:
    with pytest.raises(NotSelected, match="fills up"):
        treat(home(hands_on("brae")), "flood_unread")
    vow = vow_of("tarn")
    with served(BootsWhenUnread(vow)) as (address, _):
        port = open_port(address, vow.document.wire.baud, vow.document.wire.opening)
        hands = Hands(vow, Session(port, vow.document.wire.line_limit))
        with pytest.raises(Broken):
            patiently(hands, "flood_unread")
        port.close()


def test_a_flood_leaves_the_oracle_in_step() -> None:
    hands = home(hands_on("tarn"))
    treat(hands, "flood")
    hands.panel("panel.control", "local")
    hands.panel("panel.control", "remote")
    hands.ask("link.silence")
    hands.ask("self.boots")


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_whole_save_is_not_accused_and_the_defaults_are_saved_again(seed: int) -> None:
    hands = home(hands_on("tarn", seed=seed))
    saving.saves_are_whole(hands, requirement(hands, "promise.saves_are_whole"))
    hands.power_cycle()
    for entry in hands.vow.settings:
        assert hands.ask(entry.name).words == entry.words(entry.default)


def test_a_torn_save_is_named_with_what_was_torn() -> None:
    hands = home(hands_on("tarn", "save-torn"))
    with pytest.raises(Broken) as broken:
        saving.saves_are_whole(hands, requirement(hands, "promise.saves_are_whole"))
    assert broken.value.judgement.requirement == "promise.saves_are_whole"
    assert "as before" in broken.value.seen
    assert "as saved" in broken.value.seen


class LosesASave(Device):
    """The store is written some time after the answer."""

    def _save(self) -> None:
        before = dict(self.store.settings)
        super()._save()
        if self.store.saves % 2 == 0:
            self.store.settings = before


def test_a_save_that_came_too_late_is_whole_all_the_same() -> None:
    vow = vow_of("tarn")
    hands = home(direct_tester(vow, Instrument(vow, device_class=LosesASave)))
    saving.saves_are_whole(hands, requirement(hands, "promise.saves_are_whole"))


def test_without_a_rig_that_cuts_the_supply_it_is_not_selected(running: Hands) -> None:
    with pytest.raises(NotSelected, match="power"):
        saving.saves_are_whole(running, requirement(hands_on("tarn"), "promise.saves_are_whole"))
