"""The README's pictures are of what stands now."""

import os
import re

import pytest

from tests import browser
from tests.pictures import FOLDER, PICTURES, ROOT, stale

pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")
pytest.importorskip("playwright", reason="pip install playwright")


@pytest.mark.skipif(browser.path() is None and not os.environ.get("CI"), reason=browser.MISSING)
@pytest.mark.parametrize("name", PICTURES)
def test_no_picture_is_stale(name):
    assert not stale(name), "`make pictures` makes it anew; look at it"


def test_the_readme_shows_them_all_and_says_what_is_in_them():
    shown = re.findall(r"!\[(.+)\]\(spec/pictures/(\w+)\.png\)", (ROOT / "README.md").read_text())
    assert {name for _, name in shown} == set(PICTURES) == {file.stem for file in FOLDER.glob("*.png")}
    assert all(len(text) > 20 for text, _ in shown)
