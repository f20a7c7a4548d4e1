import errno
import json
import os
from pathlib import Path

import pytest

from stripwise.errors import OutputError
from stripwise.report import file_swap
from stripwise.report.file_swap import check_writable, commit

NAMES = ("report.html", "run.json")


def tree(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def small(folder, **contents):
    return commit(folder, {k.replace("_", "."): v for k, v in contents.items()}, record={"n": 1})


def test_an_empty_folder_of_stale_files_goes_too(tmp_path):
    commit(tmp_path / "o", {"figures/a.svg": b"1"}, record={})
    commit(tmp_path / "o", {"b.csv": b"2"}, record={})
    assert sorted(p.name for p in (tmp_path / "o").iterdir()) == ["b.csv", "run.json"]


def test_a_file_of_someone_else_is_refused_by_name_and_nothing_is_touched(tmp_path):
    (tmp_path / "a.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"a\.csv: exists and was not written by an earlier run"):
        small(tmp_path, b_csv=b"x", a_csv=b"y")
    assert tree(tmp_path) == {"a.csv": b"mine"}


@pytest.mark.parametrize(
    "text",
    [
        "not json",
        "[]",
        '{"files": ["a.csv", "run.json"]}',
        '{"program": "stripwise"}',
        '{"program": "stripwise", "files": "a.csv"}',
    ],
)
def test_a_run_json_that_is_not_ours_is_refused(tmp_path, text):
    (tmp_path / "run.json").write_text(text)
    with pytest.raises(OutputError, match=r"run\.json: exists and was not written"):
        small(tmp_path, a_csv=b"x")
    assert tree(tmp_path) == {"run.json": text.encode()}


@pytest.mark.parametrize("name", ["../victim", "/etc/victim", "link/victim", "./x", "a\\..\\b", ""])
def test_a_forged_list_reaches_no_file_outside(tmp_path, name):
    out, other = tmp_path / "out", tmp_path / "other"
    out.mkdir()
    other.mkdir()
    (tmp_path / "victim").write_text("mine")
    (other / "victim").write_text("mine")
    (out / "link").symlink_to(other)
    record = {"program": "stripwise", "files": ["run.json", name]}
    (out / "run.json").write_text(json.dumps(record))
    small(out, a_csv=b"x")
    assert (tmp_path / "victim").read_text() == "mine"
    assert (other / "victim").read_text() == "mine"


def test_a_symlinked_figures_folder_is_refused(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "figures").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="figures: is in the way"):
        commit(tmp_path / "out", {"figures/a.svg": b"x"}, record={})
    assert not list((tmp_path / "elsewhere").iterdir())


@pytest.mark.parametrize("problem", [KeyboardInterrupt(), RuntimeError("boom")])
@pytest.mark.parametrize("fails_at", range(5))
@pytest.mark.parametrize("exists", [True, False])
def test_a_failure_in_the_middle_leaves_the_folder_as_it_was(
    tmp_path, monkeypatch, problem, fails_at, exists
):
    out = tmp_path / "new" / "out"
    if exists:
        commit(out, {"a.csv": b"1", "old.csv": b"2", "figures/c.svg": b"3"}, record={"n": 1})
        (out / "mine.txt").write_text("mine")
    before = tree(tmp_path)
    real, calls = file_swap._swap, []

    def broken(*args, **more):
        if len(calls) == fails_at:
            raise problem
        calls.append(args)
        real(*args, **more)

    contents = {"a.csv": b"x", "b.csv": b"y", "figures/d.svg": b"z"}
    monkeypatch.setattr(file_swap, "_swap", broken)
    if not exists and fails_at > 3:
        commit(out, contents, record={})  # four files only: nothing fails
        return
    with pytest.raises(type(problem)):
        commit(out, contents, record={})
    assert tree(tmp_path) == before
    assert exists or not (tmp_path / "new").exists()
    assert not list(tmp_path.rglob(".stripwise-*"))


def test_a_failure_right_after_a_swap_is_undone_too(tmp_path, monkeypatch):
    commit(tmp_path / "o", {"a.csv": b"1"}, record={})
    before = tree(tmp_path)
    real = os.replace

    def interrupted(source, target):
        real(source, target)
        if Path(target).name == "a.csv" and "new" in Path(source).parts:
            raise KeyboardInterrupt

    monkeypatch.setattr(file_swap.os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        commit(tmp_path / "o", {"a.csv": b"2"}, record={})
    assert tree(tmp_path) == before


def test_a_full_disk_is_a_clear_error(tmp_path, monkeypatch):
    def full(path, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(file_swap, "_write_bytes", full)
    with pytest.raises(OutputError, match=r"writing failed .*No space left"):
        small(tmp_path / "o", a_csv=b"x")
    assert not list(tmp_path.iterdir())


def test_check_writable_accepts_and_leaves_no_trace(tmp_path):
    check_writable(tmp_path, NAMES)
    check_writable(tmp_path / "a" / "b", NAMES)
    assert not list(tmp_path.iterdir())


def test_check_writable_in_the_working_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    check_writable(Path(), NAMES)
    check_writable(Path("new"), NAMES)
    small(Path("new"), a_csv=b"1")
    assert tree(tmp_path)["new/a.csv"] == b"1"


def test_check_writable_refuses_a_file(tmp_path):
    (tmp_path / "f").write_text("")
    with pytest.raises(OutputError, match="f: is not a folder; give a folder for --out"):
        check_writable(tmp_path / "f", NAMES)
    with pytest.raises(OutputError, match=r"cannot be made, since .*f is not a folder"):
        check_writable(tmp_path / "f" / "out", NAMES)


def test_check_writable_refuses_a_dangling_link(tmp_path):
    (tmp_path / "l").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="is not a folder"):
        check_writable(tmp_path / "l", NAMES)


def test_check_writable_refuses_a_file_in_the_way(tmp_path):
    (tmp_path / "report.html").write_text("mine")
    with pytest.raises(OutputError, match=r"report\.html: exists"):
        check_writable(tmp_path, NAMES)


def test_check_writable_says_why_it_cannot_write(tmp_path, monkeypatch):
    def denied(**_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(file_swap.tempfile, "mkdtemp", denied)
    with pytest.raises(OutputError, match=r"cannot write there .Permission denied"):
        check_writable(tmp_path / "out", NAMES)


def test_a_name_that_no_file_system_takes(tmp_path):
    with pytest.raises(OutputError, match="cannot be used"):
        check_writable(tmp_path / ("a" * 300), NAMES)


def test_a_file_that_cannot_be_put_back_keeps_its_old_copy_and_the_others_are(
    tmp_path, monkeypatch
):
    out = tmp_path / "o"
    commit(out, {"a.csv": b"1", "b.csv": b"2", "c.csv": b"3"}, record={})
    real = os.replace

    def stuck(source, target):
        name, again = Path(target).name, "old" in Path(source).parts
        if name == "c.csv" or (name == "b.csv" and again):
            raise PermissionError(errno.EPERM, "Operation not permitted")
        real(source, target)

    monkeypatch.setattr(file_swap.os, "replace", stuck)
    with pytest.raises(OutputError, match=r"those of before lie in .*\.stripwise-") as caught:
        commit(out, {"a.csv": b"x", "b.csv": b"y", "c.csv": b"z"}, record={})
    assert [(out / f"{n}.csv").read_bytes() for n in "abc"] == [b"1", b"y", b"3"]
    saved = Path(str(caught.value).rsplit(" lie in ", 1)[1])
    assert (saved / "b.csv").read_bytes() == b"2"


def test_a_file_that_cannot_be_replaced_leaves_everything_as_it_was(tmp_path, monkeypatch):
    out = tmp_path / "o"
    commit(out, {"a.csv": b"1", "b.csv": b"2"}, record={})
    before = tree(tmp_path)
    real = os.replace

    def stuck(source, target):
        if Path(target).name == "b.csv":
            raise PermissionError(errno.EPERM, "Operation not permitted")
        real(source, target)

    monkeypatch.setattr(file_swap.os, "replace", stuck)
    with pytest.raises(OutputError, match="writing failed"):
        commit(out, {"a.csv": b"x", "b.csv": b"y"}, record={})
    assert tree(tmp_path) == before


def test_the_results_of_another_command_are_not_taken_for_stale_ones(tmp_path):
    out = tmp_path / "o"
    commit(out, {"penalties.toml": b"1"}, record={}, command="fit (profiles)")
    before = tree(tmp_path)
    for name in ("run", "fit (cover)"):
        with pytest.raises(OutputError, match=r"holds the results of stripwise fit \(profiles\)"):
            commit(out, {"a.csv": b"x"}, record={}, command=name)
    assert tree(tmp_path) == before
    commit(out, {"penalties.toml": b"2"}, record={}, command="fit (profiles)")
