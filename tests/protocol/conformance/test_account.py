"""What was done to an instrument is counted as it was."""

import pytest

from tests.protocol.conformance.instruments import vow_of
from wirevow.emu.direct import direct_tester
from wirevow.emu.instrument import Instrument
from wirevow.protocol.conformance import campaign
from wirevow.protocol.conformance.account import Account
from wirevow.protocol.device import NS_PER_S, Device
from wirevow.protocol.vow import ActionEntry

TARN = vow_of("tarn")


class Diary(Device):
    """Writes down what it really does."""

    switchings = 0
    live_ns = 0
    since_ns: int | None = None
    driven: object = None
    saved = 0

    def boot(self, cause: str, now_ns: int) -> None:
        super().boot(cause, now_ns)
        self._note(now_ns)

    def _perform(self, action: ActionEntry, target: str, now_ns: int) -> tuple[str, ...]:
        # Its own counter does not do: hands put images of other firmware in its store.
        self.saved += ("save", "") in action.does
        return super()._perform(action, target, now_ns)

    def enter(self, state: str, now_ns: int) -> None:
        super().enter(state, now_ns)
        self._note(now_ns)

    def _note(self, now_ns: int) -> None:
        state, rest = self.vow.states[self.state], self.vow.states[self.vow.initial]
        if state.energised and self.since_ns is None:
            self.since_ns = now_ns
        elif not state.energised and self.since_ns is not None:
            self.live_ns += now_ns - self.since_ns
            self.since_ns = None
        if state.outputs != self.driven:
            self.switchings += self.driven is not None and state.outputs != rest.outputs
            self.driven = state.outputs


@pytest.mark.parametrize(("name", "budget"), [("tarn", 4000), ("brae", 2000)])
def test_a_check_tells_what_it_really_did(name: str, budget: int) -> None:
    vow = vow_of(name)
    instrument = Instrument(vow, seed=3, device_class=Diary)
    hands = direct_tester(vow, instrument, seed=3, budget=budget)
    campaign.run(hands, seed=3, reduce=False)
    done, diary, store = hands.account.done(hands.now_ns), instrument.device, instrument.device.store
    assert isinstance(diary, Diary)
    assert done.saves <= diary.saved <= done.saves + done.saves_unanswered
    assert done.saves
    assert done.boots == store.boots - 1  # without the first, when it was made
    assert done.boots_unasked == 0
    assert done.switchings == diary.switchings > 0
    running_ns = 0 if diary.since_ns is None else instrument.now_ns - diary.since_ns
    # On a held clock what happens in a wait is seen at its end: it may be more, and is never less.
    assert done.energised_s >= (diary.live_ns + running_ns) / NS_PER_S > 0


def done_after(talk: str, vow=TARN):
    """What an account says after lines like `> ask x`, `< ok`, one a second."""
    account = Account(vow)
    lines = [line.strip() for line in talk.strip().splitlines()]
    for when_s, line in enumerate(lines):
        way, _, text = line.partition(" ")
        if way == ">":
            account.sent([text.encode()], when_s * NS_PER_S)
        else:
            account.heard(text.encode(), when_s * NS_PER_S)
    return account.done(len(lines) * NS_PER_S)


def test_what_is_refused_or_only_said_again_was_not_done():
    done = done_after(
        """
        > @1 act settings.save
        < @1 refuse state armed
        > @2 act settings.save
        < @2 ok
        > @2 act settings.save
        < @2 ok
        > @3 put sink.level 1.000 A
        < @3 ok 1.000 A
        > put sink.level 9.000 A
        < refuse range 0.000 6.000 A
        """
    )
    assert (done.saves, done.saves_unanswered, done.puts) == (1, 0, 1)


def test_a_save_without_an_answer_is_told_until_its_counter_shows_it():
    asked = "> @1 ask settings.wear\n< @1 ok 7\n> @2 act settings.save\n"
    assert done_after(asked).saves_unanswered == 1
    shown = done_after(asked + "> @3 ask settings.wear\n< @3 ok 8")
    assert (shown.saves, shown.saves_unanswered) == (1, 0)
    none = done_after(asked + "> @3 ask settings.wear\n< @3 ok 7")
    assert (none.saves, none.saves_unanswered) == (0, 0)


def test_boots_that_nobody_asked_for_are_told_by_notice_and_by_counter():
    done = done_after(
        """
        > @1 ask self.boots
        < @1 ok 20
        > @2 act self.reboot
        < @2 ok
        < note 1 boot request
        < note 1 boot watchdog
        > @3 ask self.uptime
        < @3 ok 3 s
        > @4 ask self.boots
        < @4 ok 23
        """
    )
    assert (done.boots, done.boots_unasked) == (3, 2)


def test_time_energised_counts_from_the_request_until_something_shows_that_it_is_over():
    done = done_after(
        """
        > @1 act sink.start 1234
        < @1 ok
        > @2 ask input.current
        < @2 ok -2.500 A
        > @3 ask input.power
        < @3 ok 30.00 W
        < note 4 trip overcurrent 3.250 A
        """
    )
    assert (done.energised_s, done.energised) == (6.0, False)
    assert (done.amperes, done.watts) == (3.25, 30.0)
    going_on = done_after("> @1 act sink.start 1234\n< @1 ok")
    assert (going_on.energised_s, going_on.energised) == (2.0, True)
    assert "NOT KNOWN TO BE OVER" in going_on.text()


def test_what_it_was_found_with_was_not_switched():
    assert done_after("> @1 ask self.state\n< @1 ok armed").switchings == 0
    done = done_after("> @1 ask self.state\n< @1 ok off\n> @2 act sink.arm\n< @2 ok 12ab")
    assert done.switchings == 1
