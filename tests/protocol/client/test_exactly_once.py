"""Nothing is done twice, and nothing is believed done that was not, whatever the line does."""

import pytest

from tests.protocol.client.lossy import trial


@pytest.mark.parametrize("seed", range(3))
def test_on_a_line_that_loses_doubles_and_is_unplugged_everything_is_done_at_most_once(seed: int) -> None:
    seen = trial(150, seed)
    assert seen["done"] > 20
    assert seen["unsure"]
    assert seen["refused"]
