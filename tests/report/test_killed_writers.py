"""Results stay all old or all new, whenever their writer is killed, and whoever else writes.

STRIPWISE_KILLS=200 kills that many real runs, designs, rankings and fits besides.
"""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from itertools import count
from pathlib import Path

import pytest

from stripwise.report.file_swap import check_writable
from stripwise.report.folder_lock import WORK_FOLDER

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that can fork")

KILLS = int(os.environ.get("STRIPWISE_KILLS", "0"))
REFUSED = 3
"""Exit code of a writer that was refused, as in writers.py."""


class Writers:
    """Starts writers, and tells how they ended."""

    def __init__(self, process):
        self._process = process

    def _answer(self):
        return json.loads(self._process.stdout.readline())

    def __call__(self, *orders, kill=signal.SIGKILL, after=None):
        """Start writers at once; with `after` the first is sent a signal so many seconds later."""
        self._process.stdin.write(json.dumps(orders, default=str) + "\n")
        self._process.stdin.flush()
        numbers = self._answer()
        if after is not None:
            time.sleep(after)
            os.kill(numbers[0], kill)
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return self._answer()


@pytest.fixture(scope="module")
def writers():
    command = [sys.executable, str(Path(__file__).with_name("writers.py"))]
    pipe = subprocess.PIPE
    with subprocess.Popen(
        command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL, text=True
    ) as process:
        yield Writers(process)
        process.stdin.close()


def generation(folder):
    """Return which writer's files a folder holds, all of them and no other."""
    record = json.loads((folder / "run.json").read_text())
    n, files = record["generation"], sorted(record["files"])
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) == (
        files
    )
    own = record["sha256"].pop("run.json")
    text = (folder / "run.json").read_bytes().replace(own.encode(), b"0" * 64)
    assert hashlib.sha256(text).hexdigest() == own
    for name in set(files) - {"run.json"}:
        data = (folder / name).read_bytes()
        assert data == f"{name} of {n}\n".encode() * 100
        assert record["sha256"][name] == hashlib.sha256(data).hexdigest()
    assert [p.name for p in folder.parent.iterdir()] == [folder.name]
    assert (folder / "d").exists() == (n % 2 == 1)
    return n


def check(folder):
    check_writable(folder, ("a.csv", "run.json"))


def test_a_writer_that_dies_at_any_change_leaves_all_old_or_all_new(writers, tmp_path):
    """A process killed at its n-th change to the file system, for every n."""
    folder = tmp_path / "out"
    n, seen, half = 1, set(), 0
    assert writers({"folder": folder, "generation": n}) == [0]
    for step in count(1):
        (end,) = writers({"folder": folder, "generation": n + 1, "dies_at": step})
        half += (folder / WORK_FOLDER / "journal.json").exists()
        check(folder)
        found = generation(folder)
        assert found in (n, n + 1)
        seen.add(found - n)
        n = found
        if end == 0:
            break
        assert end == -signal.SIGKILL
    assert seen == {0, 1}
    assert half > 5  # killed in the midst of the swap


def test_a_repair_that_dies_is_taken_up_again(writers, tmp_path):
    folder = tmp_path / "out"
    assert writers({"folder": folder, "generation": 1}) == [0]
    for step in count(1):
        (end,) = writers({"folder": folder, "generation": 2, "dies_at": step})
        if end == 0:
            break
        if not (folder / WORK_FOLDER / "journal.json").exists():
            continue
        for again in count(1, 3):
            if writers({"check": folder, "dies_at": again}) == [0]:
                break
        assert generation(folder) == 1


def test_a_first_write_that_dies_leaves_nothing_after_the_next_start(writers, tmp_path):
    folder = tmp_path / "out"
    for step in count(1, 3):
        (end,) = writers({"folder": folder, "generation": 1, "dies_at": step})
        if end == 0:
            break
        check(folder)
        if folder.exists():
            assert list(folder.iterdir()) == [] or generation(folder) == 1
    assert generation(folder) == 1


def test_a_single_new_file_is_there_whole_or_not_at_all(writers, tmp_path):
    path, seen = tmp_path / "home" / "wall.toml", set()
    path.parent.mkdir()
    for step in count(1):
        (end,) = writers({"new": path, "dies_at": step})
        seen.add(path.exists())
        if path.exists():
            assert path.read_bytes() == b"whole" * 1000
            path.unlink()
        if end == 0:
            break
    assert seen == {True, False}
    assert writers({"new": path}) == [0]
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    assert writers(*({"new": path.with_name("other.toml")},) * 2) in ([0, REFUSED], [REFUSED, 0])


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_twenty_kills_at_random(writers, tmp_path, number):
    if signal.getsignal(number) == signal.SIG_IGN:
        pytest.skip("this signal is ignored here, and so by the writers, as under nohup")
    folder, rng = tmp_path / "out", random.Random(7)
    started = time.perf_counter()
    assert writers({"folder": folder, "generation": 1}) == [0]
    duration, n, killed = time.perf_counter() - started, 1, 0
    for _ in range(20):
        (end,) = writers(
            {"folder": folder, "generation": n + 1},
            kill=number,
            after=rng.uniform(0.0, 1.2 * duration),
        )
        killed += end != 0
        if number == signal.SIGKILL:
            check(folder)
        found = generation(folder)  # without a next start where the signal can be held
        assert found in (n, n + 1)
        n = found
    assert killed >= 3


def test_two_writers_at_once_do_not_mix(writers, tmp_path):
    folder, wrote = tmp_path / "out", set()
    for n in range(1, 30, 2):
        ends = writers(*({"folder": folder, "generation": n + i} for i in (0, 1)))
        assert set(ends) <= {0, REFUSED}
        assert 0 in ends
        found = generation(folder)
        assert ends[found - n] == 0
        wrote.add(found - n)
    assert wrote <= {0, 1}


def test_one_that_dies_does_not_stop_one_beside_it(writers, tmp_path):
    folder = tmp_path / "out"
    for step in range(4, 40, 4):
        orders = [{"folder": folder, "generation": step + i} for i in (0, 1)]
        ends = writers({**orders[0], "dies_at": step}, orders[1])
        assert ends[1] == 0
        check(folder)
        assert generation(folder) in (step, step + 1)


COMMANDS = {
    "run": ("run", "WALL"),
    "design": ("design", "WALL"),
    "rank": ("rank", "WALL"),
    "fit": ("fit", "DATA"),
}
DATA = "specimen,strategy,time_d,mass_loss_pct\n" + "".join(
    f"{s}{i},{s},{t},{(0.9 + 0.1 * i) * rate * t**0.5}\n"
    for s, rate in (("early", 0.5), ("late", 0.3))
    for i in range(3)
    for t in (0, 1, 3, 7, 28)
)


@pytest.mark.skipif(not KILLS, reason="set STRIPWISE_KILLS to kill real commands")
@pytest.mark.parametrize("command", COMMANDS)
def test_killed_commands(writers, tmp_path, wall, command):
    scenario = wall.write(("points = 256", "points = 64"))
    (tmp_path / "data.csv").write_text(DATA)
    home = tmp_path / "home"
    folder, rng = home / "out", random.Random(command)
    places = {"WALL": str(scenario), "DATA": str(tmp_path / "data.csv")}
    arguments = [places.get(word, word) for word in COMMANDS[command]]
    order = {"arguments": [*arguments, "--out", str(folder), "--quiet"]}

    def tree():
        files = (p for p in folder.rglob("*") if p.is_file())
        return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}

    home.mkdir()
    assert writers(order) == [0]
    whole = [tree()]
    scenario.write_text(scenario.read_text().replace("Test wall", "Another wall"))
    (tmp_path / "data.csv").write_text(DATA.replace("early", "at once"))
    started = time.perf_counter()
    assert writers(order) == [0]
    duration = time.perf_counter() - started
    whole.append(tree())
    for versions in whole:
        versions.pop("times.json", None)
    for turn in range(max(1, KILLS // len(COMMANDS))):
        title, words = (("Test wall", "early"), ("Another wall", "at once"))[turn % 2]
        other, others = (("Another wall", "at once"), ("Test wall", "early"))[turn % 2]
        scenario.write_text(scenario.read_text().replace(other, title))
        (tmp_path / "data.csv").write_text(
            (tmp_path / "data.csv").read_text().replace(others, words)
        )
        number = rng.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
        writers(order, kill=number, after=duration * rng.uniform(0.5, 1.1))
        names = {"fit": "fit (drying)"}
        check_writable(folder, ("run.json",), command=names.get(command, command))
        found = tree()
        found.pop("times.json", None)
        assert found in whole
        assert [p.name for p in home.iterdir()] == ["out"]
