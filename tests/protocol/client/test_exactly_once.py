"""Nothing is done twice, and nothing is believed done that was not, whatever the line does."""

from collections import Counter
from collections.abc import Callable

import pytest

from tests.protocol.client.lossy import async_trial, trial


@pytest.mark.parametrize(
    ("work", "seed"), [(trial, 0), (trial, 1), (trial, 2), (async_trial, 3), (async_trial, 4)]
)
def test_on_a_line_that_loses_doubles_and_is_unplugged_everything_is_done_at_most_once(
    work: Callable[[int, int], Counter[str]], seed: int
) -> None:
    seen = work(150, seed)
    assert seen["done"] > 20
    assert seen["unsure"]
    assert seen["refused"]
