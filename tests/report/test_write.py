import json

import pytest

from stripwise.report.figures import curves_figure
from stripwise.report.write import write


def tree(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_a_run_writes_everything(six, tmp_path):
    paths = write(six, tmp_path / "deep" / "out")
    names = [p.relative_to(tmp_path / "deep" / "out").as_posix() for p in paths]
    assert set(names) == {
        "curves.csv",
        "strategies.csv",
        "sensitivity.csv",
        "inputs.csv",
        "report.html",
        "run.json",
        *(f"figures/{n}.svg" for n in ("answer", "curves", "drivers", "choices", "map")),
    }
    assert names[-1] == "run.json"
    assert json.loads(paths[-1].read_text())["files"] == names
    assert all(path.stat().st_size for path in paths)
    assert [p.name for p in tmp_path.iterdir()] == ["deep"]
    assert [p.name for p in (tmp_path / "deep").iterdir()] == ["out"]


def test_two_runs_write_the_same_bytes(six, tmp_path):
    write(six, tmp_path / "a")
    write(six, tmp_path / "b")
    assert tree(tmp_path / "a") == tree(tmp_path / "b")


@pytest.mark.usefixtures("no_figures")
def test_a_second_run_replaces_its_files_removes_stale_ones_and_spares_others(
    example, six, tmp_path
):
    write(six, tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "figures" / "photo.png").write_bytes(b"mine")
    write(example.make_assessment(choices=False), tmp_path)
    after = tree(tmp_path)
    assert after["notes.txt"] == b"mine"
    assert after["figures/photo.png"] == b"mine"
    assert "figures/map.svg" not in after
    assert "figures/curves.svg" in after


def test_a_failure_while_drawing_touches_nothing(six, tmp_path, monkeypatch):
    def broken(assessment):
        raise KeyboardInterrupt

    monkeypatch.setattr(curves_figure, "draw_run_figures", broken)
    with pytest.raises(KeyboardInterrupt):
        write(six, tmp_path / "o")
    assert not list(tmp_path.iterdir())
