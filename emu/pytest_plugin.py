"""Tests of host programs against an instrument: simulated in this process, or at a port.

    @pytest.mark.wirevow(doc="tarn", bench="lithium-pack", seed=7)
    def test_stops_when_hot(wirevow_instrument):
        wirevow_instrument.client.sink.level.put(2.0)
        with wirevow_instrument.assert_refused("range"):
            wirevow_instrument.client.sink.level.put(99.0)

Pytest imports this module in every run of every project where Wirevow is installed, so it imports nothing
that costs; the instrument's modules come with the first test that uses the fixture.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from wirevow.emu.emulation import Emulation
    from wirevow.protocol.client.sync import Client

KNOWN = ("doc", "bench", "fault", "seed", "clock")
CLOCKS = ("any", "virtual")
MARKER = (
    "wirevow(doc, bench=None, fault=None, seed=0, clock='any'): the instrument of the test. bench, fault and "
    "seed are of the simulated one; clock='virtual' skips the test at a port, where hours are hours."
)
CAUTIONS = (
    "--wirevow-port: tests may energise a real instrument. Connect only a source you know, within its "
    "maker's limits, with a fuse and a switch within reach, and stay with it; then add --wirevow-yes"
)


class Instrument:
    """What the fixture gives. `client` is a `wirevow.Client`; `url` opens the port for a program of yours."""

    def __init__(self, client: Client, run: Emulation | None) -> None:
        self.client = client
        self.url = client.url
        self.run = run
        """The emulation; None at a port."""

    def advance(self, seconds: float = 0.0, *, minutes: float = 0.0, hours: float = 0.0) -> None:
        """Let time pass with the link kept alive: virtual time in process, real time at a port."""
        self.client.sleep(seconds + 60 * minutes + 3600 * hours)

    def bench(self, event: str, value: float | str | None = None) -> None:
        """Make a bench event happen, its value in SI units. At a port the test is skipped."""
        if self.run is None:
            pytest.skip("a bench event needs the simulated bench, and this is a port")
        self.run.bench(event, value)

    def assert_state(self, state: str, *, within: float = 0.0) -> None:
        """It is in `state`, or gets there within so many seconds of its clock."""
        __tracebackhide__ = True
        self._assert("state", state, within)

    def assert_trips(self, trip: str, *, within: float = 0.0) -> None:
        """Its last trip is `trip`, or becomes so within so many seconds of its clock.

        An instrument at a port may remember a trip of before the test.
        """
        __tracebackhide__ = True
        if trip not in self.client.vow.document.trips:
            pytest.fail(
                f"the document has no trip {trip}; it has {', '.join(self.client.vow.document.trips)}"
            )
        self._assert("last_trip", trip, within)

    @contextmanager
    def assert_refused(self, reason: str) -> Iterator[None]:
        """What the block asks for is refused for `reason`, a word of the wire's table (`range`, `state`)."""
        __tracebackhide__ = True
        from wirevow.protocol.client.failures import Refused

        try:
            yield
        except Refused as error:
            if error.reason != reason:
                pytest.fail(f"refused for {error.reason}, not for {reason}: {error}")
        else:
            pytest.fail(f"nothing was refused; expected a refusal for {reason}")

    def _assert(self, system: str, wanted: str, within_s: float) -> None:
        __tracebackhide__ = True
        name = self.client.vow.system_name(system)
        if name is None:
            pytest.fail(f"the document has no point with system: {system}")
        # The last trip's words are its name and what its notice reported.
        point = self.client[name]
        if not self.client.wait_for(lambda: str(point.read()).split()[0] == wanted, timeout=within_s):
            pytest.fail(f"{name} is {point.read()}, not {wanted}, after {within_s:g} s")


INSTRUMENT = pytest.StashKey[Instrument]()


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("wirevow")
    group.addoption(
        "--wirevow-port", metavar="PORT", help="test the instrument at this port, not a simulation"
    )
    group.addoption("--wirevow-yes", action="store_true", help="you have read the cautions for a real port")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", MARKER)
    port = config.getoption("--wirevow-port")
    if port and not port.lower().startswith("emu://") and not config.getoption("--wirevow-yes"):
        raise pytest.UsageError(CAUTIONS)


def _marked(request: pytest.FixtureRequest) -> dict[str, object]:
    """What the markers say, the nearest to the test first."""
    found: dict[str, object] = {}
    for marker in request.node.iter_markers("wirevow"):
        given = dict(zip(("doc",), marker.args, strict=False)) | marker.kwargs
        wrong = set(given) - set(KNOWN)
        if wrong or len(marker.args) > 1:
            pytest.fail(f"mark wirevow takes doc first, and {', '.join(KNOWN)} by name", pytrace=False)
        found = given | found
    if "doc" not in found:
        pytest.fail('mark the test with its document: @pytest.mark.wirevow("tarn")', pytrace=False)
    if found.get("clock", "any") not in CLOCKS:
        pytest.fail(f"mark wirevow: clock is one of {', '.join(CLOCKS)}", pytrace=False)
    return found


@pytest.fixture
def wirevow_instrument(request: pytest.FixtureRequest) -> Iterator[Instrument]:
    """A running instrument of the marked document; made safe after the test."""
    given = _marked(request)
    clock = given.pop("clock", "any")
    port = request.config.getoption("--wirevow-port")
    import wirevow

    if port:
        if given.get("fault") is not None:
            pytest.skip("a fault needs the simulated instrument, and this is a port")
        if clock == "virtual":
            pytest.skip("the test needs the virtual clock, and this is a port")
        with wirevow.connect(port, given["doc"]) as client:  # type: ignore[arg-type]
            request.node.stash[INSTRUMENT] = instrument = Instrument(client, None)
            yield instrument
        return
    with wirevow.emulate(**given) as run:  # type: ignore[arg-type]
        request.node.stash[INSTRUMENT] = instrument = Instrument(run.client, run)
        yield instrument


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A failure shows what was said on the wire last."""
    report = yield
    instrument = item.stash.get(INSTRUMENT, None)
    if instrument is not None and report.failed:
        report.sections.append(("last exchange on the wire", instrument.client.last_exchange()))
    return report
