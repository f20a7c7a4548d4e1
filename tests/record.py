"""Record what every command says and writes, so that a change of the code can be held against it.

    python tests/record.py FOLDER              # every command on every shipped scenario and data file
    python tests/record.py FOLDER --only run   # the jobs whose name contains the text
    diff -r BEFORE AFTER

A record holds terminal text, exit codes, CSV, TOML and JSON files, visible text of pages, SVGs,
resolved scenarios, and the messages of mutated scenarios. Times are left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import tempfile
from concurrent.futures import ProcessPoolExecutor, as_completed
from html.parser import HTMLParser
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

COMMANDS = (
    "new",
    "check",
    "run",
    "design",
    "target",
    "rank",
    "stripped",
    "inventory",
    "update",
    "fit",
    "plan-tests",
    "list",
)

SCENARIOS = (
    *sorted(path.name for path in (ROOT / "scenarios").glob("*.toml")),
    "lab-wall/lab-wall.toml",
    "site-records/as-built.toml",
    "site-records/as-specified.toml",
    "faces/faces.toml",
    "inspections/inspected-wall.toml",
)

INSPECTIONS = "scenarios/inspections"

FITS = {
    "profiles": "lab-wall/profiles.csv --reference 'Forms 7 d'",
    "profiles-layered": "lab-wall/profiles.csv --reference 'Forms 7 d' --layered",
    "profiles-skin": "lab-wall/profiles.csv --reference 'Forms 7 d' --affected-depth '20 mm'",
    "strip-log": "site-records/strip-log.csv --zone CET --specified '24 h'",
    "strip-log-clock": "site-records/strip-log.csv --zone CET --maturity nurse-saul",
    "strip-log-scenario": "site-records/strip-log.csv --zone CET --scenario "
    "scenarios/site-records/as-specified.toml",
    "cover": "site-records/cover.csv --limit '45 mm'",
    "cover-scenario": "site-records/cover.csv --limit '45 mm' --scenario "
    "scenarios/site-records/as-specified.toml",
    "cover-bounds": "site-records/cover.csv --bounds '20 mm to 100 mm'",
    "drying": "site-records/drying.csv --profiles scenarios/site-records/diffusivities.csv",
    "form-faces": "site-records/form-faces.csv --margin '25 %'",
    "profiles-life": "lab-wall/profiles.csv --reference 'Forms 7 d' --scenario "
    "scenarios/lab-wall/lab-wall.toml",
    "no-reference": "lab-wall/profiles.csv",
    "wrong-option": "site-records/cover.csv --zone CET",
    "scenario": "garage-wall.toml",
}

MUTANTS = 2000
SEED = 20261129


def jobs() -> dict[str, list[str]]:
    """Return the words of each call by name; OUT stands for the folder of the results."""
    found = {"help": ["--help"], "new": ["new", "OUT/wall.toml"], "no-command": []}
    found |= {f"help-{name}": [name, "--help"] for name in COMMANDS}
    for scenario in SCENARIOS:
        stem, path = Path(scenario).stem, f"scenarios/{scenario}"
        found[f"check-{stem}"] = ["check", path]
        found[f"check-json-{stem}"] = ["check", path, "--json"]
        for command in ("run", "design", "target", "rank"):
            found[f"{command}-{stem}"] = [command, path, "--out", "OUT"]
        found[f"plan-tests-{stem}"] = ["plan-tests", path, "--out", "OUT"]
        found[f"stripped-{stem}"] = ["stripped", path, "--after", "14 h", "--at", "6 degC"]
    for name, line in FITS.items():
        first, *rest = re.findall(r"'[^']*'|\S+", line)
        words = [f"scenarios/{first}", *(word.strip("'") for word in rest)]
        found[f"fit-{name}"] = ["fit", *words, "--out", "OUT"]
    for what in ("keys", "columns", "values"):
        found |= {f"list-{what}": ["list", what], f"list-json-{what}": ["list", what, "--json"]}
    found["list-schema"] = ["list", "schema"]
    garage = "scenarios/garage-wall.toml"
    warm = ["--after", "20 h", "--at", "18 degC"]
    faces = ["inventory", "scenarios/faces/faces.csv", "--scenario", "scenarios/faces/faces.toml"]
    found |= {
        "inventory": [*faces, "--year", "2026", "--out", "OUT"],
        "inventory-inspections": [
            *(*faces, "--year", "2026", "--out", "OUT"),
            *("--inspections", "scenarios/faces/cover.csv"),
        ],
        "update": [
            *("update", f"{INSPECTIONS}/inspected-wall.toml", "--out", "OUT"),
            *(f"{INSPECTIONS}/{name}.csv" for name in ("cover", "cores-year-10", "half-cell")),
        ],
        "inventory-no-year": [*faces, "--out", "OUT"],
        "run-json": ["run", garage, "--json", "--out", "OUT"],
        "run-require-target": ["run", garage, "--require-target", "--out", "OUT"],
        "run-no-file": ["run", "scenarios/nothing.toml"],
        "design-choose": ["design", garage, "--out", "OUT", "--choose", "60 mm, 36 h, none"],
        "design-json": ["design", garage, "--json", "--out", "OUT"],
        "rank-json": ["rank", garage, "--json", "--out", "OUT"],
        "rank-ages": f"rank {garage} --strategy=Forms@12@h --ages 5:75:5 --second-order --out OUT".split(),
        "stripped-json": ["stripped", garage, *warm, "--json"],
        "stripped-out": ["stripped", garage, *warm, "--out", "OUT"],
        "stripped-logger": [
            *("stripped", garage, "--after", "20 h", "--out", "OUT", "--logger"),
            "scenarios/site-records/loggers/w01.csv",
        ],
        "stripped-warm": ["stripped", garage, *warm, "--face", "horizontal"],
        "stripped-frost": ["stripped", garage, "--after", "14 h", "--at", "-3 degC"],
        "plan-tests-cover": [
            "plan-tests",
            "scenarios/site-records/as-specified.toml",
            "--cover",
            "scenarios/site-records/cover.csv",
            "--limit=45@mm",
            "--out",
            "OUT",
        ],
    }
    return found


class _Text(HTMLParser):
    """Collect the text that a reader of a page sees, a line per block."""

    HIDDEN = ("script", "style", "svg", "title")
    BLOCKS = ("p", "div", "li", "tr", "h1", "h2", "h3", "h4", "section", "table", "figure", "dt")

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in self.HIDDEN
        if tag in self.BLOCKS:
            self.parts.append("\n")
        self.parts += [f"[{value}]" for name, value in attrs if name in ("alt", "aria-label")]

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in self.HIDDEN
        self.parts.append(" | " if tag in ("td", "th") else "")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.parts.append(data)


def visible_text(html: str) -> str:
    """Return the visible text of a page, white space folded."""
    reader = _Text()
    reader.feed(html)
    lines = (
        " ".join(line.split()) for line in "".join(reader.parts).replace("\n", "\f").split("\f")
    )
    return "\n".join(line for line in lines if line) + "\n"


def _without_times(value: object) -> object:
    if isinstance(value, dict):
        return {
            key: _without_times(item)
            for key, item in value.items()
            if not re.search(r"seconds|timing|times|versions|_s$", str(key))
        }
    return [_without_times(item) for item in value] if isinstance(value, list) else value


def keep(path: Path, target: Path) -> None:
    """Copy what of a result file must stay the same."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".html":
        target.with_suffix(".txt").write_text(visible_text(path.read_text("utf-8")), "utf-8")
    elif path.suffix == ".json":
        record = _without_times(json.loads(path.read_text("utf-8")))
        target.write_text(json.dumps(record, indent=1) + "\n", "utf-8")
    elif path.suffix == ".svg":
        target.with_suffix(".svg").write_bytes(path.read_bytes())
    elif path.suffix != ".png":
        shutil.copy(path, target)


def record_call(name: str, words: list[str], folder: Path) -> str:
    """Run one command as a user would and record what it printed and wrote."""
    from typer.testing import CliRunner

    from stripwise.cli import app

    os.chdir(ROOT)
    os.environ["COLUMNS"] = "100"
    target = folder / name
    with tempfile.TemporaryDirectory() as place:
        out = str(Path(place) / "out")
        if words[:1] == ["new"]:
            Path(out).mkdir()
        result = CliRunner().invoke(
            app, [word.replace("OUT", out).replace("@", " ") for word in words]
        )
        target.mkdir(parents=True, exist_ok=True)
        text = f"exit {result.exit_code}\n--- stdout\nSTDOUT--- stderr\n{result.stderr}"
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            text += f"--- exception\n{result.exception!r}\n"
        stdout = result.stdout
        if "--json" in words and result.exit_code == 0:
            stdout = json.dumps(_without_times(json.loads(stdout)), indent=1) + "\n"
        text = text.replace("STDOUT", stdout).replace(out, "OUT")
        text = re.sub(r" in [\d.]+ s;", " in 0 s;", text)
        (target / "terminal.txt").write_text(text, "utf-8")
        for path in sorted(Path(place, "out").rglob("*")):
            if path.is_file():
                keep(path, target / path.relative_to(out))
    return name


VALUES = (
    "0",
    "-1",
    "1",
    "50",
    "true",
    "[]",
    "{}",
    "inf",
    "nan",
    "1e400",
    '""',
    '"50"',
    '"12 kg"',
    '"-5 mm"',
    '"1e400 mm"',
    '"3 in"',
    '"68 degF"',
    '"68 degC"',
    '"28 h"',
    '"2 wk"',
    '"24 d"',
    '"none"',
    '"=1+1"',
    '"a\\u0007b"',
    '"whole cover"',
    '"concrete"',
    '[ "1 mm", 2 ]',
    '{ family = "normal", mean = 1, sd = 2 }',
    '{ family = "beta", mean = 0.5, sd = 0.9 }',
    '{ family = "lognormal", mean = "50 mm" }',
    '{ family = "normel", mean = 3, sd = 1 }',
    '{ family = "uniform", low = 3, high = 2 }',
    '{ from = "../x.toml" }',
    '{ from = "x.toml" }',
    '{ family = "fixed", value = 3, unusual = true }',
    "{ value = 3 }",
)


def mutate(lines: list[str], rng: random.Random) -> list[str]:
    """Change one line of a scenario as a slip or an attack would."""
    lines = list(lines)
    at = rng.choice([i for i, line in enumerate(lines) if line.strip() and line[0] != "#"])
    line = lines[at]
    kind = rng.randrange(9)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines.insert(at, line)
    elif kind == 2:  # a letter dropped, doubled or swapped
        letters = [i for i, letter in enumerate(line) if letter.isalpha()]
        if letters:
            i = rng.choice(letters)
            lines[at] = line[:i] + rng.choice(("", line[i] * 2, "x")) + line[i + 1 :]
    elif kind in (3, 4) and "=" in line:
        lines[at] = line.split("=")[0] + "= " + rng.choice(VALUES)
    elif kind in (5, 6):  # one number by powers of ten, or its sign
        numbers = list(re.finditer(r"\d+(\.\d+)?(e-?\d+)?", line))
        if numbers:
            found = rng.choice(numbers)
            new = f"{float(found[0]) * rng.choice((-1, 0, 0.01, 0.1, 10, 100, 1000)):.6g}"
            lines[at] = line[: found.start()] + new + line[found.end() :]
    elif kind == 7:
        lines.insert(rng.randrange(len(lines)), lines.pop(at))
    else:
        extra = rng.choice(("sd", "mean", "kind", "nominal", "bias", "cov", "law", "price", "as"))
        value = rng.choice(VALUES)
        braced = line.rstrip().endswith("}")
        if braced:
            lines[at] = line.rstrip()[:-1] + f", {extra} = {value} }}"
        else:
            lines.insert(at + 1, f"{extra} = {value}")
    return lines


def record_mutants(start: int, stop: int, folder: Path) -> str:
    """Load mutated scenarios and record what is said of each, or the scenario as understood."""
    import stripwise

    sources = {name: (ROOT / "scenarios" / name).read_text("utf-8") for name in SCENARIOS}
    target = folder / "mutants"
    target.mkdir(parents=True, exist_ok=True)
    said = []
    for number in range(start, stop):
        rng = random.Random(f"{SEED} {number}")
        name = rng.choice(SCENARIOS)
        lines = sources[name].splitlines()
        for _ in range(rng.randint(1, 3)):
            lines = mutate(lines, rng)
        text = "\n".join(lines) + "\n"
        path = (ROOT / "scenarios" / name).with_name(f".mutant-{os.getpid()}.toml")
        path.write_text(text, "utf-8")
        try:
            message = "understood: " + resolved_digest(stripwise.load(path))
        except stripwise.StripwiseError as error:
            message = str(error)
        except Exception as error:
            message = f"CRASH {type(error).__name__}: {error}"
        finally:
            path.unlink()
        digest = hashlib.sha256(text.encode()).hexdigest()[:12]
        message = message.replace(path.name, "mutant.toml").replace(str(ROOT), "ROOT")
        said.append(f"== {number} {name} {digest}\n{message}\n")
    (target / f"{start:04}.txt").write_text("\n".join(said), "utf-8")
    return f"mutants {start}"


def resolved(scenario: object) -> str:
    """Write every field of a resolved scenario, a line each, apart from its file."""
    lines: list[str] = []

    def walk(place: str, value: object) -> None:
        if place in (".path", ".digest", ".text", ".raw") or place.startswith(".data_files"):
            return
        if hasattr(value, "__dataclass_fields__"):
            for name in value.__dataclass_fields__:
                if not name.startswith("_"):
                    walk(f"{place}.{name}", getattr(value, name))
        elif isinstance(value, dict):
            for key, item in value.items():
                walk(f"{place}[{key}]", item)
        elif isinstance(value, list | tuple):
            for index, item in enumerate(value):
                walk(f"{place}[{index}]", item)
        else:
            text = " ".join(repr(value).split())
            lines.append(f"{place} = {re.sub(r' at 0x[0-9a-f]+', '', text)}")

    walk("", scenario)
    return "\n".join(lines) + "\n"


def resolved_digest(scenario: object) -> str:
    """Return a short hash of a resolved scenario's values, whatever its fields are called."""
    values = [line.split(" = ", 1)[1] for line in resolved(scenario).splitlines()]
    values = [re.sub(r"\w+\(", "(", value) for value in values]
    return hashlib.sha256("\n".join(values).encode()).hexdigest()[:16]


def main() -> None:
    """Record everything, two processes at a time."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="regular expression of job names")
    parser.add_argument("--skip", default="^$", help="regular expression of job names")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    folder = options.folder.resolve()
    wanted = {
        name: words
        for name, words in jobs().items()
        if re.search(options.only, name) and not re.search(options.skip, name)
    }
    slow_first = sorted(wanted, key=lambda name: (not re.search("coated|skin|retain", name), name))
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(record_call, name, wanted[name], folder) for name in slow_first]
        if re.search(options.only, "mutants") and not re.search(options.skip, "mutants"):
            starts = range(0, MUTANTS, 100)
            futures += [pool.submit(record_mutants, i, i + 100, folder) for i in starts]
        for done, future in enumerate(as_completed(futures), 1):
            print(f"{done}/{len(futures)} {future.result()}", flush=True)


if __name__ == "__main__":
    main()
