"""What is added to its table alone goes through every command: a method, a law, a family, an option
of the physics, a column.

The added rows are invented, and so are their numbers.
"""

import csv
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from typer.testing import CliRunner

import stripwise
from stripwise import cli
from stripwise.curing.follow_up import FOLLOW_UPS, FollowUpMethod, method_names
from stripwise.curing.laws import DEFAULT_LAW, LAWS, CuringLaw, Variate, law_names
from stripwise.distributions.distribution import distribution
from stripwise.distributions.families import FAMILIES, Family, FamilyMember, family_names
from stripwise.errors import ScenarioError
from stripwise.evidence.statistics.likelihood import LIKELIHOODS
from stripwise.risk.model.service_options import OPTIONS, ServiceOption
from stripwise.scenario.json_schema import json_schema
from stripwise.units import result_columns
from stripwise.units.result_columns import COLUMNS, TABLES, Column, fits

WALL = """
title = "Small wall (invented)"
reference_strategy = "Forms 48 h"
[target]
service_life = "50 yr"
probability = 0.1
[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 1.6, cov = 0.3 }
[concrete]
diffusivity = { family = "normal", mean = "2e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = 0.4
[reinforcement]
cover = { family = "normal", mean = "55 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }
[curing]
reference = "7 d"
concrete_temperature = "20 degC"
affected_depth = "whole cover"
# more
[[strategy]]
name = "Forms 48 h"
strip_age = "48 h"
[[strategy]]
name = "Forms 16 h"
strip_age = "16 h"
follow_up = { method = "sheet", duration = "5 d", face = "horizontal" }
[choices]
cover = { low = "40 mm", high = "60 mm", step = "20 mm" }
strip_age = { low = "12 h", high = "72 h" }
follow_up = [ { method = "none" }, { method = "sheet", duration = "3 d" } ]
[cost]
forms = "0.30 EUR/m^2/h"
follow_up = { sheet = "2.50 EUR/m^2" }
cover = "0.10 EUR/m^2/mm"
repair = "300 EUR/m^2"
real_rate = "2 %"
horizon = "50 yr"
[sampling]
points = 64
repeats = 8
horizon = "60 yr"
"""


pytestmark = pytest.mark.usefixtures("few_samples", "no_figures")


@pytest.fixture
def write(tmp_path):
    def inner(*changes):
        text = WALL
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "wall.toml"
        path.write_text(text, "utf-8")
        return path

    return inner


def invoke(*words):
    result = CliRunner().invoke(cli.app, [str(word) for word in words])
    assert result.exit_code == 0, result.stderr or repr(result.exception)
    return result.stdout


def through_every_command(path, folder):
    """Take a scenario through the commands; return what each printed and the pages."""
    said = {"check": invoke("check", path)}
    for command in ("run", "design", "rank", "target"):
        out = folder / command
        ages = ("--ages", "50") if command == "rank" else ()
        said[command] = invoke(command, path, "--out", out, "--workers", "1", *ages)
        said[f"{command} page"] = (out / "report.html").read_text("utf-8")
    said["stripped"] = invoke("stripped", path, "--after", "14 h", "--at", "12 degC")
    return said


METHOD = (("follow_up = { sheet", 'follow_up = { "sheet"'), ("sheet", "steam tent"))
LAW = ("# more", 'law = "power"')
FAMILY = ('"lognormal", mean = 1.6, cov = 0.3', '"delayed", mean = 1.6, cov = 0.3')


@pytest.fixture(scope="module")
def added(small_sizes, leave_figures_blank, tmp_path_factory):
    """A method, a law, a family and a column more in one wall, through every command once.

    Returns the scenario, the folder of the results, what was said and the answer to the site.
    """
    folder = tmp_path_factory.mktemp("added")
    text = WALL
    for old, new in (*METHOD, LAW, FAMILY):
        text = text.replace(old, new)
    path = folder / "wall.toml"
    path.write_text(text, "utf-8")
    method = FollowUpMethod({"vertical": "curing.retention.kept_wet"}, usual_days=(2.0,))
    more = Column("", "what the site remarked (invented)")
    tables = {name: (*names, "remark") for name, names in TABLES.items()}
    with small_sizes(), pytest.MonkeyPatch.context() as patch:
        leave_figures_blank(patch)
        patch.setitem(FOLLOW_UPS, "steam tent", method)
        patch.setitem(LAWS, "power", power_law())
        patch.setitem(FAMILIES, "delayed", Family(shifted_exponential))
        patch.setattr(result_columns, "COLUMNS", {**COLUMNS, "remark": more})
        patch.setattr(result_columns, "TABLES", tables)
        said = through_every_command(path, folder)
        answer = invoke("stripped", path, "--after", "14 h", "--at", "12 degC", "--json")
        yield path, folder, said, json.loads(answer)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        (METHOD, "steam tent"),
        ((LAW,), re.escape(f'must be one of "{DEFAULT_LAW}"')),
        ((FAMILY,), "delayed"),
    ],
)
def test_what_no_table_has_is_refused(changes, told, write):
    with pytest.raises(ScenarioError, match=told):
        stripwise.load(write(*changes))


def test_a_method_more(added):
    path, _, said, _ = added
    for command in ("check", "run page", "design page", "rank page", "stripped"):
        assert "steam tent" in said[command], command
    assert "steam tent 2 d" in said["stripped"]  # its usual duration, beside that of the file
    assert "taken over" in said["check"]  # it has no retention of a horizontal face
    case = stripwise.load(path)
    assert_allclose(case.input("curing.retention.steam tent.horizontal").distribution.mean, 0.8)
    assert method_names()[-1] == "steam tent"
    assert '"steam tent"' in json.dumps(json_schema())


def power_law(name="exponent"):
    """k_c = (reference / duration)^b, b = 0.4 exp(0.2 z)."""

    def log_penalties(durations, reference, variates):
        exponent = 0.4 * np.exp(0.2 * np.asarray(variates[0]))
        return [np.asarray(exponent * np.log(reference / np.asarray(days))) for days in durations]

    return CuringLaw(
        variates=(Variate(name, "exponent of the power law", "invented"),),
        log_penalties=log_penalties,
        characteristic=lambda days, reference: (reference / np.asarray(days)) ** 0.4,
        citation="invented for this test",
        extrapolated_below_d=0.5,
        extrapolation="Below 0.5 d nothing supports the power law.",
        method="The penalty is a power of the effective curing duration.",
    )


def test_a_curing_law_more(added, tmp_path):
    path, _, said, _ = added
    assert "Curing law: power; invented for this test." in said["check"]
    assert "curing.exponent" in said["check"]
    assert "curing.law" not in said["check"]
    assert "The penalty is a power of the effective curing duration." in said["run page"]
    assert "DuraCrete" not in said["run page"].split("power of the effective")[1].split("</p>")[0]
    assert "exponent of the power law" in said["rank page"]
    # the mean over z of (168 / 48)^b, by quadrature
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    mean = np.sum(weights * 3.5 ** (0.4 * np.exp(0.2 * nodes))) / np.sqrt(2 * np.pi)
    more = tmp_path / "more.toml"
    more.write_text(path.read_text("utf-8").replace("points = 64", "points = 1024"), "utf-8")
    case = replace(stripwise.load(more), choices=None)
    table = stripwise.assess(case).strategies.set_index("strategy")
    assert_allclose(table.loc["Forms 48 h", "penalty_mean"], mean, rtol=2e-3)
    assert law_names() == (DEFAULT_LAW, "power")


def test_a_variate_of_another_law_is_refused(monkeypatch, write):
    monkeypatch.setitem(LAWS, "power", power_law())
    path = write(("# more", 'law = "power"\nearly_slope = 0.5'))
    with pytest.raises(ScenarioError, match='early_slope: is not used by law = "power"; leave it'):
        stripwise.load(path)


def test_the_default_law_is_not_named(write):
    named = invoke("check", write(("# more", f'law = "{DEFAULT_LAW}"')))
    assert named == invoke("check", write())
    assert "Curing law:" not in named


def shifted_exponential(mean, sd, _low, _high):
    law = stats.expon(mean - sd, sd)
    return FamilyMember("delayed", mean, sd, mean - sd, np.inf, mean, sd, law, None)


def test_a_family_more(added):
    _, _, said, _ = added
    assert "delayed" in said["check"]
    assert "delayed" in said["run page"]
    # F^-1(Phi(z)) and back, against the closed form of the exponential
    law = distribution("delayed", mean=1.6, sd=0.48)
    z = np.linspace(-4.0, 4.0, 9)
    assert_allclose(law.from_normal(z), 1.12 - 0.48 * stats.norm.logsf(z), rtol=1e-12)
    assert_allclose(law.to_normal(law.from_normal(z)), z, rtol=0, atol=1e-9)
    assert family_names()[-2:] == ("delayed", "empirical")
    assert '"delayed"' in json.dumps(json_schema())


def test_a_fit_knows_families_of_a_scenario_alone():
    assert set(LIKELIHOODS) <= set(FAMILIES)


FACTOR = ("# more", '[model]\nfront_factor = { family = "lognormal", mean = 1.0, cov = 0.1 }')


def test_an_option_more(monkeypatch, write, tmp_path):
    path = write(FACTOR)
    path.write_text(re.sub(r"\[cost\]\n(?:[^\[].*\n)*", "", path.read_text("utf-8")), "utf-8")
    point, rule = "a tent has no design point", "no rule: nobody has one for tents"
    option = ServiceOption(
        "model.front_factor",
        "invented",
        lambda conditions: bool(conditions.model_factor),
        {"design point": point, "rule": rule},
    )
    monkeypatch.setitem(OPTIONS, "tent", option)
    said = through_every_command(path, tmp_path)
    assert "model.front_factor" in said["check"]
    for command in ("rank page", "design page"):
        reason = point if command == "rank page" else rule
        assert reason in said[command].replace("\N{NO-BREAK SPACE}", " "), command
    with (tmp_path / "rank" / "reliability.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {r["note"] for r in rows if r["method"] == "FORM"} == {f"undefined: {point}"}
    assert "importance sampling" not in {r["method"] for r in rows}
    with (tmp_path / "design" / "rules.csv").open(encoding="utf-8", newline="") as stream:
        assert {r["status"] for r in csv.DictReader(stream)} == {rule}
    refused = replace(option, refusals={"rank": "a tent cannot be ranked"})
    monkeypatch.setitem(OPTIONS, "tent", refused)
    result = CliRunner().invoke(cli.app, ["rank", str(path), "--out", str(tmp_path / "no")])
    assert (result.exit_code, result.stdout) == (1, "")
    assert "a tent cannot be ranked" in result.stderr
    assert not (tmp_path / "no").exists()


def test_a_column_more(added):
    _, folder, _, answer = added
    for command, least in (("run", 4), ("design", 8), ("rank", 8), ("target", 3)):
        files = sorted((folder / command).glob("*.csv"))
        assert len(files) >= least, command
        for file in files:
            with file.open(encoding="utf-8", newline="") as stream:
                head, *rows = csv.reader(stream)
            assert head[-1] == "remark", file.name
            assert fits(file.stem, head), file.name
            assert {row[-1] for row in rows} <= {""}, file.name  # nothing has filled it in
    for row in answer["outcomes"]:
        assert list(row)[-1] == "remark"
    assert "what the site remarked (invented)" in invoke("list", "columns")
