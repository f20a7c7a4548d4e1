"""The command line, in process: exit code, stdout and stderr apart."""

import json
import os
import signal
import subprocess
import sys
from importlib.metadata import version

import pandas as pd
import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.cli import shell
from stripwise.units.caution import CAUTION

CHOICES = """[choices]
cover = { low = "45 mm", high = "75 mm", step = "5 mm" }
strip_age = { low = "10 h", high = "5 d" }
follow_up = [ { method = "none" } ]
"""
SMALL = (
    ('"Test wall"', '"Small wall"'),
    (CHOICES, ""),
    ("points = 256", "points = 64"),
    ('horizon = "100 yr"', 'horizon = "60 yr"'),
)
"""Changes that make the test wall fast."""


pytestmark = pytest.mark.usefixtures("few_samples", "no_figures")


@pytest.fixture
def small(wall):
    wall.path = wall.path.with_name("small wall.toml")
    return wall.write(*SMALL)


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def test_version():
    result = call("--version")
    assert (result.exit_code, result.stdout) == (0, f"stripwise {version('stripwise')}\n")


@pytest.mark.parametrize("command", ["run", "design", "target", "check", "new", "stripped"])
def test_every_help_ends_with_an_example(command):
    result = call(command, "--help")
    assert result.exit_code == 0
    assert f"Example:  stripwise {command} " in result.stdout.strip().splitlines()[-1]


def test_check_prints_to_stdout_only(small):
    result = call("check", small)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout.startswith("Small wall\nTarget: depassivation with a probability of at")


def test_check_as_json(small):
    record = json.loads(call("check", small, "--json").stdout)
    assert record["reference_strategy"] == "Forms 24 h"
    assert {row["unit"] for row in record["inputs"]} == {"K", "%", "mm", "mm2/yr", "h", ""}


@pytest.mark.parametrize("command", ["check", "run"])
def test_bad_input_is_lines_on_stderr_and_code_1(wall, command):
    result = call(command, wall.write(("= 0.10", "= 2"), ('"15 degC"', '"15"')))
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.splitlines() == [
        "wall.toml: target.probability = 2: must be above 0 and below 1 (line 7)",
        'wall.toml: curing.concrete_temperature = "15": needs the unit of a temperature, such as '
        '"9 degC" (line 27)',
    ]


def test_wrong_usage_is_code_2(small):
    assert call("run").exit_code == 2
    assert call("run", small, "--workers", "0").exit_code == 2
    result = call("run", small, "--strategy", "Forms 12 h")
    assert result.exit_code == 2
    assert "is used with --require-target only" in result.stderr
    result = call("run", small, "--require-target", "--strategy", "Forms 13 h")
    assert result.exit_code == 2
    assert "no strategy of the scenario" in result.stderr


@pytest.mark.parametrize("command", ["run", "design", "target", "rank", "plan-tests", "fit"])
def test_an_empty_folder_name_is_refused(small, command, monkeypatch):
    monkeypatch.chdir(small.parent)
    before = sorted(small.parent.iterdir())
    result = call(command, small, "--out", " ")
    assert result.exit_code == 2
    assert "is empty; give a folder" in result.stderr
    assert sorted(small.parent.iterdir()) == before


def test_new_writes_a_scenario_that_checks_and_never_overwrites(tmp_path):
    path = tmp_path / "wall.toml"
    result = call("new", path)
    assert result.exit_code == 0
    assert call("check", path).exit_code == 0
    path.write_text("mine")
    result = call("new", path)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "exists already; choose another name, nothing was written" in result.stderr
    assert path.read_text() == "mine"


def test_new_into_a_missing_folder(tmp_path):
    result = call("new", tmp_path / "no" / "wall.toml")
    assert result.exit_code == 1
    assert result.stderr.endswith(f"cannot be written: {tmp_path / 'no'} is no folder\n")


def test_run_writes_a_report_and_says_where(small, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = call("run", small, "--workers", "1")
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    assert '"Forms 24 h"' in result.stdout
    assert f"Caution: {CAUTION}" in result.stdout
    assert result.stdout.strip().endswith("Report: reports/small-wall/report.html")
    assert (tmp_path / "reports" / "small-wall" / "curves.csv").is_file()
    assert (tmp_path / "reports" / "small-wall" / "report.html").is_file()


def test_run_as_json(small, tmp_path):
    result = call("run", small, "--out", tmp_path / "out", "--json", "--quiet")
    assert result.exit_code == 0, result.stderr
    record = json.loads(result.stdout)
    assert [row["strategy"] for row in record["strategies"]] == ["Forms 12 h", "Forms 24 h"]
    assert record["verdict"]
    assert record["folder"] == str(tmp_path / "out")


def test_quiet_is_quiet(small, tmp_path):
    result = call("run", small, "--out", tmp_path / "out", "--quiet")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")


def test_an_unusable_folder_is_refused_before_computing(small, tmp_path, monkeypatch):
    import stripwise.studies.run

    def fail(*_arguments, **_keywords):
        pytest.fail("computed although the folder cannot be written")

    monkeypatch.setattr(stripwise.studies.run, "assess", fail)
    result = call("run", small, "--out", small)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1


def test_a_missed_target_is_code_3_only_if_asked(wall, tmp_path, monkeypatch):
    import stripwise.studies.run

    assess, computed = stripwise.studies.run.assess, {}

    def assess_once(case, **options):
        key = case.target.probability
        if key not in computed:
            computed[key] = assess(case, **options)
        return computed[key]

    monkeypatch.setattr(stripwise.studies.run, "assess", assess_once)
    out = tmp_path / "out"
    small = wall.write(*SMALL, ("= 0.10", "= 1e-6"))
    assert call("run", small, "--out", out).exit_code == 0
    result = call("run", small, "--out", out, "--require-target")
    assert result.exit_code == 3
    assert result.stderr == "target missed: meets_target of 'Forms 24 h' is no, not yes\n"
    wall.write(*SMALL, ("= 0.10", "= { value = 0.99, unusual = true }"))
    assert call("run", small, "--out", out, "--require-target").exit_code == 0
    arguments = ("--require-target", "--strategy", "Forms 12 h")
    assert call("run", small, "--out", out, *arguments).exit_code == 0


def test_an_interrupt_is_code_130_without_a_traceback(small, tmp_path, monkeypatch):
    import stripwise.studies.run

    def interrupt(*_arguments, **_keywords):
        raise KeyboardInterrupt

    monkeypatch.setattr(stripwise.studies.run, "assess", interrupt)
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    result = call("run", small, "--out", tmp_path / "out")
    assert result.exit_code == 130
    assert result.stdout == ""
    assert result.stderr == "interrupted; nothing more was written\n"


@pytest.mark.parametrize(
    ("number", "ending"),
    [
        (signal.SIGINT, (130, "interrupted")),
        (signal.SIGTERM, (143, "terminated")),
        (signal.SIGHUP, (129, "terminated")),
    ],
)
def test_a_signal_waits_until_the_files_are_whole(small, tmp_path, monkeypatch, number, ending):
    import stripwise.report.file_swap

    handlers = {
        name: signal.getsignal(name) for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    }
    replace = os.replace
    swapped = []

    def killed(source, target):
        swapped.append(target)
        replace(source, target)
        if len(swapped) in (3, 5):  # a second one does not hurry it
            os.kill(os.getpid(), number)

    monkeypatch.setattr(stripwise.report.file_swap.os, "replace", killed)
    before = sorted(tmp_path.iterdir())
    signal.signal(number, signal.SIG_DFL)  # under nohup a hang-up is ignored, and stays so
    try:
        result = call("run", small, "--out", tmp_path / "out")
    finally:
        for name, handler in handlers.items():
            signal.signal(name, handler)
    assert result.exit_code == ending[0]
    assert result.stderr == f"{ending[1]}; nothing more was written\n"
    assert len(swapped) >= 5
    out = tmp_path / "out"
    assert sorted(tmp_path.iterdir()) == sorted([*before, out])
    found = sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())
    assert found == sorted(json.loads((out / "run.json").read_text())["files"])


WITH_CHOICES = tuple(change for change in SMALL if change[0] != CHOICES)


def test_design_works_a_chosen_pair_through(wall, tmp_path):
    path, out = wall.write(), tmp_path / "out"
    result = call("design", path, "--out", out, "--choose", "75 mm, 5 d, none", "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    chosen = json.loads(result.stdout)["chosen"]
    assert [pair["nominal_cover_mm"] for pair in chosen] == [75.0]
    page = (out / "choice.html").read_text("utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "Nominal cover of the outermost bars: 75 mm." in page
    assert "choice.html" in json.loads((out / "run.json").read_text())["files"]


def test_a_bad_pair_is_one_line_before_anything_is_computed(wall, tmp_path):
    path, out = wall.write(), tmp_path / "out"
    result = call("design", path, "--out", out, "--choose", "75 mm, 5 d")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.splitlines() == [
        '--choose: "75 mm, 5 d": must be cover, strip age and curing after stripping, such as '
        '"70 mm, 36 h, none"'
    ]
    pair = ("--choose", "75 mm, 5 d, none")
    result = call("design", path, "--out", out, *pair, *pair, *pair)
    assert result.stderr.splitlines() == ["--choose: is given 3 times; at most 2 pairs"]
    assert not out.exists()


def test_design_writes_its_own_folder_and_says_where(small, wall, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    wall.write(*WITH_CHOICES)
    result = call("design", small, "--workers", "1")
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    assert (
        'With "Forms 24 h" no cover of the range, up to 75 mm, meets the 10 % limit'
        in result.stdout
    )
    assert f"Caution: {CAUTION}" in result.stdout
    assert "The scenario has no [cost] section" in result.stdout
    folder = tmp_path / "reports" / "small-wall-design"
    for name in ("report.html", "strip-ages.html", "design.csv", "required.csv", "run.json"):
        assert (folder / name).is_file()
    assert not (folder / "cost.csv").exists()
    again = call("design", small, "--out", folder, "--json", "--quiet")
    assert again.exit_code == 0, again.stderr
    record = json.loads(again.stdout)
    assert [row["strategy"] for row in record["required"]] == ["Forms 12 h", "Forms 24 h"]
    assert record["cost"] is None


def test_design_without_choices_is_refused_before_computing(small, tmp_path):
    result = call("design", small, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr == (
        "small wall.toml: choices: is missing; a design needs the ranges of cover, strip age and "
        "curing after stripping: write [choices] with cover, strip_age and follow_up\n"
    )
    assert not (tmp_path / "out").exists()


def test_design_tells_bad_prices_and_ranges_together(small, wall):
    prices = '[cost]\nforms = "-1 EUR/m^2/h"\nreal_rate = "-100 %"\n'
    wall.write(*WITH_CHOICES, ('low = "45 mm"', 'low = "75 mm"'), end=prices)
    result = call("design", small)
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert len(lines) == 5
    assert 'choices.cover.low = "75 mm": must be below high = "75 mm"' in lines[0]
    assert "cost.cover: is missing" in lines[1]
    assert "cost.repair: is missing" in lines[2]
    assert 'cost.forms = "-1 EUR/m^2/h": must be at least 0' in lines[3]
    assert 'cost.real_rate = "-100 %": must be above -100 %' in lines[4]


def test_run_prints_a_line_for_each_strategy(small, tmp_path):
    result = call("run", small, "--out", tmp_path / "out")
    row = next(line for line in result.stdout.splitlines() if line.startswith("  Forms 24 h (ref"))
    table = pd.read_csv(tmp_path / "out" / "strategies.csv").set_index("strategy")
    p = 100.0 * table.loc["Forms 24 h", "probability_at_target"]
    assert f"  {p:.1f} %  " in row
    assert row.endswith(table.loc["Forms 24 h", "meets_target"])


def test_sentences_are_folded_for_a_terminal_alone(monkeypatch):
    text = "words " * 40 + "end"
    assert shell.wrap(text) == text
    assert max(len(line) for line in shell.wrap(text, always=True).splitlines()) <= 100
    monkeypatch.setattr(shell.sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "70")
    lines = shell.wrap(text, first="  - ", then="    ").splitlines()
    assert max(len(line) for line in lines) <= 70
    assert [line[:4] for line in lines] == ["  - "] + ["    "] * (len(lines) - 1)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_new_leaves_nothing_where_the_disk_is_full(tmp_path, monkeypatch):
    path = tmp_path / "wall.toml"

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    result = call("new", path)
    assert result.exit_code == 1
    assert result.stderr == f"{path}: cannot be written: No space left on device\n"
    assert not list(tmp_path.iterdir())


def piped(arguments, *, stdout=subprocess.PIPE, **environment):
    """Run the command line in a process of its own, as a shell would."""
    return subprocess.run(
        [sys.executable, "-m", "stripwise", *map(str, arguments)],
        check=False,
        stdout=stdout,
        stderr=subprocess.PIPE,
        env={**os.environ, **environment},
    )


def test_output_in_a_narrow_encoding_is_written_as_utf_8(tmp_path):
    path = tmp_path / "wall \N{MINUS SIGN}1.toml"
    result = piped(["new", path], PYTHONIOENCODING="cp1252")
    assert result.returncode == 0, result.stderr.decode()
    assert "\N{MINUS SIGN}" in result.stdout.decode("utf-8")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="the system has no full device")
def test_output_that_cannot_be_written_is_told_in_a_line():
    with open("/dev/full", "w", encoding="utf-8") as full:
        result = piped(["list", "values"], stdout=full)
    assert result.returncode == 1
    assert result.stderr.decode() == "the output cannot be written (No space left on device)\n"


WORK_LEFT = """
import sys, threading, time
from concurrent.futures import ProcessPoolExecutor
from stripwise import cli

def write_late():
    time.sleep(0.2)
    print("late")

if __name__ == "__main__":
    pool = ProcessPoolExecutor(1)
    print(pool.submit(abs, -3).result())
    threading.Thread(target=write_late).start()
    sys.argv = ["stripwise", "list", "nothing"]
    cli.main()
"""


def test_the_end_waits_for_what_is_still_at_work(tmp_path):
    script = tmp_path / "left.py"
    script.write_text(WORK_LEFT)
    command = [sys.executable, str(script)]
    ended = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert ended.stdout == "3\nlate\n"


def test_a_name_that_is_no_text_is_told_and_no_traceback(tmp_path):
    result = piped(["new", os.fsdecode(bytes(tmp_path / "w") + b"\xff/wall.toml")])
    assert result.returncode == 1
    assert b"Traceback" not in result.stderr
    assert b"\\udcff" in result.stderr


def test_a_closed_output_is_an_error_only_where_output_is_lost(tmp_path):
    shell_line = '"$0" -m stripwise "$@" >&-'

    def closed(*arguments):
        command = ["sh", "-c", shell_line, sys.executable, *arguments]
        return subprocess.run(command, check=False, stderr=subprocess.PIPE, text=True)

    lost = closed("--version")
    assert lost.returncode == 1
    assert lost.stderr == "the output cannot be written (Bad file descriptor)\n"
    path = tmp_path / "none" / "wall.toml"
    bad = closed("new", str(path))
    assert bad.returncode == 1
    assert bad.stderr == f"{path}: cannot be written: {path.parent} is no folder\n"


def test_a_reader_that_leaves_ends_nothing():
    reading, writing = os.pipe()
    os.close(reading)
    try:
        result = piped(["list", "values"], stdout=writing)
    finally:
        os.close(writing)
    assert (result.returncode, result.stderr) == (0, b"")


def test_a_foreign_plotting_backend_and_its_settings_do_not_matter(tmp_path):
    survey = tmp_path / "cover.csv"
    survey.write_text("cover_mm\n" + "".join(f"{50 + i % 7}\n" for i in range(20)))
    settings = tmp_path / "matplotlibrc"
    settings.write_text("no.such.key: 1\n")
    result = piped(
        ["fit", survey, "--out", tmp_path / "out", "--quiet", "--png"],
        MPLBACKEND="nonsense",
        MATPLOTLIBRC=str(settings),
        PYTHONWARNINGS="",
    )
    assert (result.returncode, result.stdout, result.stderr) == (0, b"", b"")
    assert (tmp_path / "out" / "figures" / "cover.png").is_file()


@pytest.mark.parametrize("command", ["run", "design", "rank", "fit", "plan-tests"])
def test_every_command_that_writes_protects_a_changed_file(wall, tmp_path, monkeypatch, command):
    from stripwise.report.file_swap import commit

    path = wall.write()
    name = command
    if command == "fit":
        path, name = tmp_path / "data.csv", "fit (drying)"
        path.write_text("specimen,strategy,time_d,mass_loss_pct\nA,S,0,0\nA,S,1,1\n")
    out = tmp_path / "out"
    commit(out, {"report.html": b"1"}, record={}, command=name)
    (out / "report.html").write_text("mine")
    result = call(command, path, "--out", out)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith(f"{out / 'report.html'}: was changed since stripwise wrote it")
    assert (out / "report.html").read_text() == "mine"
    asked = {}

    def stop(folder, _names, *, overwrite=False, **_):
        asked.update(folder=folder, overwrite=overwrite)
        raise KeyboardInterrupt

    import stripwise.report.file_swap

    monkeypatch.setattr(stripwise.report.file_swap, "check_writable", stop)
    assert call(command, path, "--out", out, "--overwrite").exit_code == 130
    assert asked == {"folder": out, "overwrite": True}
