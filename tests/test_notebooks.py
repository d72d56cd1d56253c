"""Every notebook runs from top to bottom, in a fresh interpreter."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

import wirevow

NOTEBOOKS = sorted((Path(__file__).parent.parent / "spec" / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda file: file.stem)
def test_it_runs_from_top_to_bottom(notebook, tmp_path):
    pytest.importorskip("matplotlib", reason="pip install 'wirevow[pictures]'")
    cells = json.loads(notebook.read_text("utf-8"))["cells"]
    code = "\n\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")
    assert code
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert not any(cell.get("outputs") for cell in cells), "kept without outputs"


def test_a_port_that_may_be_real_wants_the_persons_word():
    with pytest.raises(wirevow.WirevowError, match="cautions_read"):
        wirevow.discharge("tarn", "/dev/ttyUSB0", chemistry="lithium-ion", cells=3, amps=1.0)
