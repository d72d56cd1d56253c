"""A check from end to end, in process."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.protocol.conformance.instruments import hands_on, vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign, purposes
from wirevow.protocol.conformance.campaign import Report
from wirevow.protocol.conformance.outcome import NoInstrument
from wirevow.protocol.conformance.tester import Tester as Hands
from wirevow.protocol.conformance.verdict import Verdict
from wirevow.protocol.device import Answer, Device
from wirevow.protocol.document.requirements import Requirement, requirement_ids
from wirevow.protocol.message import Request


def facts(report: Report) -> object:
    """What has to be the same in two checks of one seed."""
    return (
        report.lines,
        [(f.requirement.id, f.verdict, f.reason, f.purposes, f.answers) for f in report.findings.values()],
        [replace(failure, case=replace(failure.case, steps=())) for failure in report.failures],
        report.visited,
    )


@pytest.mark.parametrize("seed", [1, 1001])
def test_a_good_instrument_passes(seed: int) -> None:
    """Tarn, too, in tests/emu/test_audit.py."""
    report = campaign.run(hands_on("brae", seed=seed), seed=seed)
    assert not report.failures, report.failures[0].case.text()
    assert report.verdict is Verdict.PASS
    assert report.note == ""


def test_every_requirement_has_a_finding_and_one_not_tried_its_reason() -> None:
    report = campaign.run(hands_on("brae"))
    assert set(report.findings) == set(requirement_ids(vow_of("brae").document))
    for finding in report.findings.values():
        assert finding.verdict is not Verdict.NONE or finding.reason
        assert finding.verdict is not Verdict.PASS or finding.purposes or finding.answers


@pytest.mark.parametrize("fault", [None, "unit-in-any-case"])
def test_the_same_seed_gives_the_same_check(fault: str | None) -> None:
    first, second = (campaign.run(hands_on("brae", fault, seed=5), seed=5) for _ in range(2))
    assert facts(first) == facts(second)


def test_another_seed_gives_another_order() -> None:
    first, second = (campaign.run(hands_on("brae", seed=seed), seed=seed) for seed in (5, 6))
    assert facts(first) != facts(second)


def test_a_failure_is_one_promise_with_the_way_to_it_and_the_check_goes_on() -> None:
    report = campaign.run(hands_on("brae", "unit-in-any-case"), source="brae.yaml")
    assert report.verdict is Verdict.FAIL
    assert report.findings["wire.unit"].verdict is Verdict.FAIL
    failure = next(each for each in report.failures if each.requirement == "wire.unit")
    assert failure.case.requirement == "wire.unit"
    assert failure.case.written.startswith("brae.yaml")
    assert (failure.case.expected, failure.case.seen) == (failure.expected, failure.seen)
    assert failure.case.steps[-1].kind == "<"
    assert failure.case.steps[-1].text == failure.seen
    passed = sum(finding.verdict is Verdict.PASS for finding in report.findings.values())
    assert passed > len(report.findings) // 2


def test_the_first_failure_can_end_it() -> None:
    report = campaign.run(hands_on("brae", "unit-in-any-case"), until_failure=True)
    assert len(report.failures) == 1
    assert report.note == "stopped at the first failure"
    assert report.lines >= report.failures[0].lines


@pytest.mark.parametrize("budget", [30, 100, 300, 500])
@pytest.mark.parametrize("fault", [None, "unit-in-any-case", "default-second-choice"])
def test_the_budget_ends_it_wherever_it_is(budget: int, fault: str | None) -> None:
    report = campaign.run(hands_on("tarn", fault, budget=budget))
    assert "budget" in report.note
    # Getting acquainted is not cut short.
    assert report.lines <= budget + 200


def test_an_instrument_that_is_broken_altogether_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = campaign.run(hands_on("brae", "case-ignored"), reduce=False)
    assert len(whole.failures) > 1
    monkeypatch.setattr(campaign, "MOST_FAILURES", 1)
    report = campaign.run(hands_on("brae", "case-ignored"), reduce=False)
    assert report.verdict is Verdict.FAIL
    assert report.failures == whole.failures[:1]
    assert report.note == "too many failures"


def test_what_fails_again_and_again_is_one_failure_and_the_check_goes_on() -> None:
    good = campaign.run(hands_on("brae"))
    report = campaign.run(hands_on("brae", "unit-missing-after-put"), reduce=False)
    assert [each.requirement for each in report.failures] == ["wire.unit"]
    assert report.findings["wire.unit"].failures > 10 * campaign.CASES
    assert report.note == ""
    assert report.lines < 1.5 * good.lines
    passed = sum(finding.verdict is Verdict.PASS for finding in report.findings.values())
    assert passed > len(report.findings) // 2


def test_an_instrument_with_which_every_purpose_ends_in_a_failure_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(campaign, "MOST_CUT_SHORT", 5)
    report = campaign.run(hands_on("brae", "unit-missing-after-put"), reduce=False)
    assert report.findings["wire.unit"].failures == 5
    assert report.note == "too many failures"


def test_another_instrument_is_no_failure_but_an_error() -> None:
    with pytest.raises(NoInstrument):
        campaign.run(hands_on("tarn", "identity-of-older-document"))


def test_progress_is_told_and_ends_at_the_whole() -> None:
    told: list[tuple[int, int]] = []
    campaign.run(hands_on("brae"), progress=lambda done, whole, finding: told.append((done, whole)))
    assert [done for done, _ in told] == list(range(len(told)))
    assert told[-1][0] == told[-1][1]


# -------------------------------------------------------------------------------- failures that come and go


@pytest.mark.parametrize("period", [10**6, 97])
def test_a_failure_that_does_not_come_every_time_is_called_intermittent(period: int) -> None:
    asked = 0

    class Moody(Device):
        """Answers the question about its count of boots wrongly, now and then, or once in its life."""

        def _ask(self, request: Request, now_ns: int) -> Answer:
            nonlocal asked
            if request.name == "self.boots":
                asked += 1
                if asked == 4 or asked % period == 0:
                    return False, ("unknown",)
            return super()._ask(request, now_ns)

    vow = vow_of("brae")
    report = campaign.run(direct_tester(vow, Instrument(vow, device_class=Moody)), until_failure=True)
    again = report.failures[0].again
    assert again is not None
    assert again.intermittent


def test_a_failure_that_comes_every_time_is_not() -> None:
    report = campaign.run(hands_on("brae", "unit-in-any-case"), until_failure=True)
    again = report.failures[0].again
    assert again is not None
    assert not again.intermittent


def test_a_slip_of_the_checker_is_inconclusive_and_the_check_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def slips(t: Hands, r: Requirement) -> None:
        t.ask("self.state")
        raise ValueError("empty range")

    index, broken = next(
        (index, each)
        for index, each in enumerate(purposes.PURPOSES)
        if (each.section, each.aspect) == ("wire", "unit") and each.rank
    )
    others = purposes.PURPOSES[:index] + purposes.PURPOSES[index + 1 :]
    monkeypatch.setattr(purposes, "PURPOSES", [*others, replace(broken, work=slips)])
    report = campaign.run(hands_on("brae"))
    finding = report.findings[f"wire.{broken.aspect}"]
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert "a defect of Wirevow" in finding.reason
    assert "empty range" in finding.reason
    assert report.verdict is Verdict.INCONCLUSIVE
    assert sum(each.verdict is Verdict.PASS for each in report.findings.values()) > 90
