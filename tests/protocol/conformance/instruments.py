"""Instruments to check in these tests, in process or behind a pseudo-terminal."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from wirevow.emu.direct import BUDGET, direct_tester
from wirevow.emu.faults import build_instrument
from wirevow.emu.instrument import Instrument
from wirevow.emu.ports.rigport import RigPort
from wirevow.emu.ports.server import Server, open_endpoint
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.casefile import Case
from wirevow.protocol.conformance.purposes import purposes_for
from wirevow.protocol.conformance.tester import Tester
from wirevow.protocol.document.load import load_document
from wirevow.protocol.document.requirements import requirements
from wirevow.protocol.vow import Vow, compile_vow

SPEC = Path(__file__).parents[3] / "spec"


@cache
def vow_of(name: str) -> Vow:
    return compile_vow(load_document(SPEC / f"{name}.yaml").document)


def hands_on(name: str = "tarn", fault: str | None = None, seed: int = 0, budget: int = BUDGET) -> Tester:
    """A tester with its hands on a new instrument in this process."""
    vow = vow_of(name)
    return direct_tester(vow, build_instrument(vow, seed=seed, fault=fault), seed=seed, budget=budget)


def try_purpose(hands: Tester, name: str, about: str) -> None:
    """Work the purpose of this name for this requirement, from home, with an instrument that is known."""
    (requirement,) = (each for each in requirements(hands.vow.document) if each.id == about)
    (purpose,) = (each for each in purposes_for(requirement) if each.work.__name__ == name)
    hands.home()
    hands.trying = about
    purpose.work(hands, requirement)
    hands.quiet()


@cache
def first_case(fault: str, name: str = "tarn") -> Case:
    """The case of the first failure that a check of an instrument with this fault finds."""
    source = str(SPEC / f"{name}.yaml")
    report = campaign.run(hands_on(name, fault), source=source, until_failure=True)
    assert report.failures, f"{fault} is not detected"
    return report.failures[0].case


@contextlib.contextmanager
def served(instrument: Instrument, pace: int | None = None) -> Iterator[tuple[str, str]]:
    """The instrument behind a pseudo-terminal: the address of the port, and of the rig. `pace`: baud rate."""
    endpoint = open_endpoint("pty", None)
    server = Server(instrument, endpoint, pace)
    server.rig = desk = RigPort("tcp:127.0.0.1:0", server.line, server.clock, instrument.vow.identity[0])
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield endpoint.address, desk.address
    finally:
        server.stop()
        thread.join(5)
        assert not thread.is_alive(), "the server did not end"
