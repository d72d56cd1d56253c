"""Levels over time: by turns, at their rate, settled in time; and no host is so late that it accuses."""

from __future__ import annotations

import re
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.protocol.conformance.instruments import hands_on, served, vow_of
from wirevow.emu.faults import build_instrument
from wirevow.emu.faults.change import with_document
from wirevow.protocol.conformance.gate import NotSelected
from wirevow.protocol.conformance.outcome import Broken, Late
from wirevow.protocol.conformance.purposes import alternation, laws, timed
from wirevow.protocol.conformance.purposes.alternation import Alternation, Between
from wirevow.protocol.conformance.session import Session
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.document.model import Law
from wirevow.protocol.document.requirements import Requirement, requirements
from wirevow.protocol.serialport import open_port
from wirevow.protocol.vow import Vow

MS = 1_000_000
PERIOD = "law.swing_alternates.period"


def requirement(hands: Hands, name: str) -> Requirement:
    return next(each for each in requirements(hands.vow.document) if each.id == name)


def ready(fault: str | None = None) -> Hands:
    hands = hands_on("tarn", fault)
    hands.acquaint()
    hands.home()
    return hands


def test_a_good_alternation_is_measured_with_its_uncertainty() -> None:
    hands = ready()
    alternation.alternation(hands, requirement(hands, PERIOD))
    words = r"(\d+\.\d{3}) s within (0\.0\d\d) s; (\d+\.\d+) s is set"
    measured = re.fullmatch(words, hands.measured[PERIOD])
    assert measured
    low, high = (hands.setting(f"swing.{each}_time") for each in ("low", "high"))
    assert isinstance(low, int)
    assert isinstance(high, int)
    # Steps of 100 us; one of the times is longer than 16 bits of them.
    assert float(measured[3]) == (low + high) / 10_000 > 6.5536
    assert abs(float(measured[1]) - float(measured[3])) <= float(measured[2])
    assert "at 0.2 for " in hands.measured["law.swing_alternates.width"]
    assert {f"law.swing_alternates.{each}" for each in ("period", "width", "levels")} <= hands.kept.keys()


@pytest.mark.parametrize("fault", ["alternation-slow", "alternation-one-time", "alternation-pulse-short"])
def test_an_alternation_of_other_times_is_seen(fault: str) -> None:
    hands = ready(fault)
    with pytest.raises(Broken) as broken:
        alternation.alternation(hands, requirement(hands, PERIOD))
    assert broken.value.judgement.requirement in (PERIOD, "law.swing_alternates.width")


def test_an_alternation_between_other_levels_is_seen() -> None:
    hands = ready("level-high")
    with pytest.raises(Broken) as broken:
        alternation.alternation(hands, requirement(hands, PERIOD))
    assert broken.value.judgement.requirement == "law.swing_alternates.levels"


def test_a_rate_that_is_kept_is_told_from_one_that_is_not() -> None:
    good = ready()
    timed.changes_no_faster(good, requirement(good, "law.current_slews.rate"))
    assert "slew at most 10/s " in good.measured["law.current_slews.rate"]
    bad = ready("rate-ignored")
    with pytest.raises(Broken) as broken:
        timed.changes_no_faster(bad, requirement(bad, "law.current_slews.rate"))
    assert broken.value.judgement.requirement == "law.current_slews.rate"


def test_what_settles_too_late_is_told_from_what_never_does() -> None:
    slow = ready("rest-late")
    with pytest.raises(Broken) as broken:
        laws.law(slow, requirement(slow, "law.off_draws_nothing"))
    assert broken.value.judgement.requirement == "law.off_draws_nothing.settling"
    wrong = ready("reading-low")
    with pytest.raises(Broken) as broken:
        laws.law(wrong, requirement(wrong, "law.current_follows_level"))
    assert broken.value.judgement.requirement == "law.current_follows_level"


def test_a_put_downwards_has_to_settle_too() -> None:
    hands = ready("level-falls-slowly")
    with pytest.raises(Broken) as broken:
        timed.settles(hands, requirement(hands, "law.current_follows_level.settling"))
    assert broken.value.judgement.requirement.startswith("law.current_follows_level")


def faster(vow: Vow) -> Vow:
    """The document with an alternation that a test has the time for."""
    law = vow.document.laws["swing_alternates"]
    assert law.provoke is not None
    put = law.provoke.put | {"swing.low_time": Decimal("0.3"), "swing.high_time": Decimal("0.4")}
    laws: dict[str, Law] = {
        **vow.document.laws,
        "swing_alternates": law.model_copy(update={"provoke": law.provoke.model_copy(update={"put": put})}),
    }
    return with_document(vow, laws=laws)


def test_on_a_clock_that_runs_a_good_one_is_not_accused() -> None:
    vow = faster(vow_of("tarn"))
    with served(build_instrument(vow)) as (address, _):
        port = open_port(address, vow.document.wire.baud, vow.document.wire.opening)
        hands = Hands(vow, Session(port, vow.document.wire.line_limit), energise=True)
        hands.acquaint()
        with suppress(Late):
            alternation.alternation(hands, requirement(hands, PERIOD))
        port.close()


# ------------------------------------------------------------------------------------- whatever the host does


def promised() -> Alternation:
    entry = vow_of("tarn").points["input.current"]
    levels = (Fraction(1, 5), Fraction(4, 5))
    spans = (1500 * MS, 2500 * MS)
    return Alternation("swing_alternates", entry, levels, spans, (16 * MS, 26 * MS), Fraction(1, 50), 5 * MS)


def judge(edges: list[Between]) -> Any:
    """What is said of these edges on a clock that runs."""
    t: Any = SimpleNamespace(session=SimpleNamespace(held=False), measured={}, keep=lambda name: None)
    alternation._judge(t, promised(), edges)
    return t.measured


def edges_of(low_ns: int, high_ns: int, before: list[int], after: list[int]) -> list[Between]:
    true = [0]
    for index in range(alternation.EDGES):
        true.append(true[-1] + (low_ns, high_ns)[index % 2])
    return [Between(at - early, at + late) for at, early, late in zip(true, before, after, strict=True)]


DELAYS = st.lists(st.integers(0, 3_000 * MS), min_size=6, max_size=6)


@given(before=DELAYS, after=DELAYS, parts=st.integers(-9_000, 9_000))
def test_no_delay_of_the_host_makes_right_times_wrong(
    before: list[int], after: list[int], parts: int
) -> None:
    scale = 1_000_000 + parts  # within the tolerance of 1 %
    edges = edges_of(1500 * scale, 2500 * scale, before, after)
    with suppress(Late):
        assert PERIOD in judge(edges)


@given(delays=st.lists(st.integers(0, 12 * MS), min_size=6, max_size=6), longer=st.booleans())
def test_times_that_are_off_by_three_percent_are_wrong_to_a_punctual_host(
    delays: list[int], longer: bool
) -> None:
    scale = 1_030_000 if longer else 970_000
    with pytest.raises(Broken):
        judge(edges_of(1500 * scale, 2500 * scale, delays, delays))


def test_what_is_not_to_be_told_apart_is_not_selected() -> None:
    hands = ready()
    law = hands.vow.document.laws["swing_alternates"]
    assert law.provoke is not None
    short = law.provoke.model_copy(update={"put": {"swing.high_time": Decimal("0.1")}})
    laws = {**hands.vow.document.laws, "swing_alternates": law.model_copy(update={"provoke": short})}
    hands.vow = with_document(hands.vow, laws=laws)
    with pytest.raises(NotSelected, match="too close"):
        alternation.alternation(hands, requirement(hands, PERIOD))
