"""What the README shows is what its commands write."""

import pytest

from tests.readme import PAGES, stale


@pytest.mark.parametrize("page", PAGES)
def test_every_output_is_that_of_its_command(page: str) -> None:
    differences = stale(page)
    assert not differences, f"`python -m tests.readme` renews this:\n{differences}"
