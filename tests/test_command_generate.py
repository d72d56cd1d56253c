"""`wirevow generate c` as a person runs it."""

from importlib.resources import files

from wirevow.emu import command

TARN = files("wirevow.spec").joinpath("tarn.yaml")


def test_two_files_are_written_and_named(tmp_path, capfd):
    out = tmp_path / "core"
    assert command.run(["generate", "c", "tarn", "--out", str(out)]) == 0
    written = [out / "tarn_vow.h", out / "tarn_vow.c"]
    assert capfd.readouterr().out.splitlines() == [str(path) for path in written]
    first = [path.read_bytes() for path in written]
    assert command.run(["generate", "c", str(TARN), "--out", str(out)]) == 0
    assert [path.read_bytes() for path in written] == first


def test_an_unsound_document_is_refused_with_its_finding(tmp_path, capfd):
    broken = tmp_path / "broken.yaml"
    broken.write_text(TARN.read_text().replace("to: tripped", "to: tript", 1))
    assert command.run(["generate", "c", str(broken), "--out", str(tmp_path / "core")]) == 1
    assert "tript" in capfd.readouterr().err
    assert not (tmp_path / "core").exists()


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path, capfd):
    (tmp_path / "file").write_text("")
    assert command.run(["generate", "c", "tarn", "--out", str(tmp_path / "file")]) == 2
    assert len(capfd.readouterr().err.splitlines()) == 1
