import errno
import hashlib
import json
import os
from pathlib import Path

import pytest

from stripwise.errors import OutputError
from stripwise.report import file_swap, folder_lock
from stripwise.report.file_swap import check_writable, commit
from stripwise.report.folder_lock import WORK_FOLDER, locked_folder
from stripwise.report.synced_write import write_new

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
    assert not list(tmp_path.rglob(WORK_FOLDER))


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

    monkeypatch.setattr(file_swap, "write_bytes", full)
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
    def denied(path, *_, **__):
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr(Path, "mkdir", denied)
    with pytest.raises(OutputError, match=r"cannot write there .Permission denied: .*out"):
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


def test_a_file_that_someone_changed_is_replaced_only_if_asked(tmp_path):
    out = tmp_path / "o"
    commit(out, {"a.csv": b"1", "b.csv": b"2", "times.json": b"3", "page.pdf": b"4"}, record={})
    for name in ("times.json", "page.pdf"):  # which differ from run to run
        (out / name).write_bytes(b"other")
    check_writable(out, NAMES)
    (out / "b.csv").write_bytes(b"mine")
    before = tree(tmp_path)
    told = r"b\.csv: was changed since stripwise wrote it.* --overwrite"
    with pytest.raises(OutputError, match=told):
        check_writable(out, ("a.csv",))
    for contents in ({"b.csv": b"new"}, {"a.csv": b"new"}):  # to be replaced, to be removed
        with pytest.raises(OutputError, match=told):
            commit(out, contents, record={})
    assert tree(tmp_path) == before
    check_writable(out, ("a.csv",), overwrite=True)
    commit(out, {"a.csv": b"new"}, record={}, overwrite=True)
    assert sorted(tree(out)) == ["a.csv", "run.json"]


def test_a_removed_file_is_no_changed_one(tmp_path):
    small(tmp_path / "o", a_csv=b"1", b_csv=b"2")
    (tmp_path / "o" / "a.csv").unlink()
    small(tmp_path / "o", a_csv=b"3")
    assert tree(tmp_path / "o")["a.csv"] == b"3"


def test_a_list_without_hashes_protects_its_files(tmp_path):
    (tmp_path / "a.csv").write_text("1")
    record = {"program": "stripwise", "files": ["a.csv", "run.json"]}
    (tmp_path / "run.json").write_text(json.dumps(record))
    with pytest.raises(OutputError, match=r"a\.csv: was changed since"):
        small(tmp_path, a_csv=b"x")


def test_run_json_gives_the_hash_of_what_repeats(tmp_path):
    out = tmp_path / "o"
    contents = {"a.csv": b"abc", "figures/p.pdf": b"2", "times.json": b"3"}
    commit(out, contents, record={})
    # SHA-256 of "abc": FIPS 180-2, appendix B.1 (recalled)
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    told = json.loads((out / "run.json").read_text())["sha256"]
    own = told.pop("run.json")
    assert told == {"a.csv": digest}
    # its own: of the file with zeros in that place
    text = (out / "run.json").read_text()
    assert hashlib.sha256(text.replace(own, "0" * 64).encode()).hexdigest() == own


@pytest.mark.parametrize("old", ['"title": "Wall"', '"generation": 1', ": ", "}\n"])
def test_a_run_json_that_someone_changed_is_replaced_only_if_asked(tmp_path, old):
    out = tmp_path / "o"
    record = {"title": "Wall", "generation": 1, "note": "0" * 64}
    commit(out, {"a.csv": b"1"}, record=record)
    check_writable(out, NAMES)
    text = (out / "run.json").read_text()
    (out / "run.json").write_text(text.replace(old, old.replace("1", "2") + " ", 1))
    before = tree(tmp_path)
    with pytest.raises(OutputError, match=r"run\.json: was changed since stripwise wrote it"):
        commit(out, {"a.csv": b"2"}, record=record)
    assert tree(tmp_path) == before
    commit(out, {"a.csv": b"2"}, record=record, overwrite=True)
    check_writable(out, NAMES)


def test_a_run_json_of_an_older_release_tells_no_hash_of_itself(tmp_path):
    out = tmp_path / "o"
    commit(out, {"a.csv": b"1"}, record={})
    record = json.loads((out / "run.json").read_text())
    del record["sha256"]["run.json"]
    (out / "run.json").write_text(json.dumps(record))
    commit(out, {"a.csv": b"2"}, record={})


def test_a_new_file_is_whole_and_takes_no_other_ones_place(tmp_path, monkeypatch):
    path = tmp_path / "wall.toml"
    link = os.link

    def overtaken(source, target, **keywords):
        path.write_bytes(b"another's")
        link(source, target, **keywords)

    monkeypatch.setattr("os.link", overtaken)
    with pytest.raises(OutputError, match="exists already"):
        write_new(path, b"1")
    assert tree(tmp_path) == {"wall.toml": b"another's"}
    path.unlink()

    def impossible(*_, **__):
        raise OSError("no second names here")

    monkeypatch.setattr("os.link", impossible)
    write_new(path, b"1")
    with pytest.raises(OutputError, match="exists already"):
        write_new(path, b"2")
    assert tree(tmp_path) == {"wall.toml": b"1"}


def test_a_folder_that_is_being_written_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(folder_lock, "PATIENCE", 0.05)
    out = tmp_path / "o"
    with locked_folder(out):
        for attempt in (lambda: check_writable(out, NAMES), lambda: small(out, a_csv=b"1")):
            with pytest.raises(OutputError, match=r"o: another run is writing here"):
                attempt()
    small(out, a_csv=b"1")
    assert sorted(tree(tmp_path)) == ["o/a.csv", "o/run.json"]


def test_a_lock_that_a_dead_writer_left_does_not_count(tmp_path):
    work = tmp_path / "o" / WORK_FOLDER
    (work / "new").mkdir(parents=True)
    (work / "lock").touch()
    (work / "new" / "b.csv").write_text("half")
    small(tmp_path / "o", a_csv=b"1")
    assert sorted(tree(tmp_path)) == ["o/a.csv", "o/run.json"]


def test_a_work_folder_that_leads_elsewhere_is_refused(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "o").mkdir()
    (tmp_path / "o" / WORK_FOLDER).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="is in the way"):
        small(tmp_path / "o", a_csv=b"1")
    assert not list((tmp_path / "elsewhere").iterdir())


@pytest.mark.parametrize(
    "text", ["no json", "[]", '{"program": "stripwise"}', '{"program": "stripwise", "before": 1}']
)
def test_a_journal_that_is_none_is_told(tmp_path, text):
    work = tmp_path / "o" / WORK_FOLDER
    work.mkdir(parents=True)
    (work / "journal.json").write_text(text)
    with pytest.raises(OutputError, match=r"journal\.json: is no list of files"):
        small(tmp_path / "o", a_csv=b"1")


def test_a_forged_journal_reaches_no_file_outside(tmp_path):
    work = tmp_path / "o" / WORK_FOLDER
    work.mkdir(parents=True)
    (tmp_path / "victim").write_text("mine")
    names = {"../victim": None}
    journal = {"program": "stripwise", "before": names, "after": names}
    (work / "journal.json").write_text(json.dumps(journal))
    with pytest.raises(OutputError, match="is no list of files"):
        small(tmp_path / "o", a_csv=b"1")
    assert (tmp_path / "victim").read_text() == "mine"


def test_a_file_changed_after_a_write_was_cut_off_is_not_replaced(tmp_path, monkeypatch):
    out = tmp_path / "o"
    small(out, a_csv=b"1", b_csv=b"2")
    monkeypatch.setattr(file_swap, "_take_back", lambda *_: None)  # as if killed
    monkeypatch.setattr(file_swap, "_end_swap", lambda _: os.replace("no", "where"))
    with pytest.raises(OutputError):
        small(out, a_csv=b"x", b_csv=b"y")
    monkeypatch.undo()
    (out / "b.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"cut off here, and b\.csv cannot be put back"):
        check_writable(out, NAMES)
    assert (out / "b.csv").read_text() == "mine"
    assert (out / WORK_FOLDER / "old" / "b.csv").read_text() == "2"


@pytest.mark.parametrize("name", ["loop", "loop/o", "no\0thing"])
def test_a_path_that_leads_nowhere_is_told_in_a_line(tmp_path, name):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(OutputError, match=r"cannot be used|is not a folder") as caught:
        check_writable(tmp_path / name, NAMES)
    assert "\n" not in str(caught.value)
    assert "\0" not in str(caught.value)
