import io
import itertools
import re

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.report.pages.profiles_page import profiles_report
from stripwise.report.write import report_files
from stripwise.scenario.penalty_files import fitted_penalties
from stripwise.studies.fit.profiles_study import study_profiles

pytestmark = pytest.mark.usefixtures("few_simulated")

EDGES = np.array([0, 1, 3, 5, 7, 10, 13, 17, 22, 28], dtype=float)
HEAD = "specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct"


def rows(strategies, *, specimens=3, error=0.02, seed=0, diffusivity=None):
    from scipy.special import erfc

    rng = np.random.default_rng(seed)
    lines, number = [], 0
    for place, name in enumerate(strategies):
        for _ in range(specimens):
            number += 1
            base = 6.0 * (1.0 + 0.4 * place) if diffusivity is None else diffusivity
            d = base * 1e-12 * np.exp(0.1 * rng.standard_normal() * (error > 0))
            length = 2 * np.sqrt(d * 1e6 * 90 * 86400)
            for a, b in itertools.pairwise(EDGES):
                share = erfc(np.linspace(a, b, 201) / length).mean()
                c = (0.01 + 0.5 * share) * (1 + error * rng.standard_normal())
                lines.append(f'S{number},"{name}",{a:g},{b:g},{c:.6f},90,0.01')
    return lines


@pytest.fixture
def write(tmp_path):
    def inner(lines, head=HEAD):
        path = tmp_path / "profiles.csv"
        path.write_text("\n".join([head, *lines]), encoding="utf-8")
        return read_data_file(path, kinds=KINDS)

    return inner


def report_on(data_file, **options):
    return profiles_report(study_profiles(data_file, **options))


THREE = ("Forms 7 d", "Forms 24 h", "Forms 12 h")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    path = tmp_path_factory.mktemp("data") / "profiles.csv"
    path.write_text("\n".join([HEAD, *rows(THREE)]), encoding="utf-8")
    return report_on(read_data_file(path, kinds=KINDS), reference="Forms 7 d")


def test_the_tables_have_the_columns_of_their_contract(report):
    tables = report.tables
    assert list(tables["specimens.csv"]) == [
        "specimen",
        "strategy",
        "diffusivity_m2_s",
        "diffusivity_se",
        "diffusivity_low95",
        "diffusivity_high95",
        "surface_pct",
        "surface_se",
        "surface_low95",
        "surface_high95",
        "correlation",
        "rmse",
        "layers_used",
        "status",
        "notes",
    ]
    assert list(tables["penalties.csv"]) == [
        "strategy",
        "specimens",
        "mean",
        "sd",
        "low95",
        "high95",
    ]
    assert list(tables["penalty_covariance.csv"]) == ["strategy", *THREE]
    assert len(tables["residuals.csv"]) == 9 * 9


def test_the_lognormal_of_the_scenario_has_the_interval_of_the_table(report):
    import tomllib

    fit = fitted_penalties(tomllib.loads(report.texts["penalties.toml"]))
    table = report.tables["penalties.csv"].set_index("strategy")
    for name, mean, sd in zip(fit.strategies, fit.mean, fit.sd, strict=True):
        log_sd = np.sqrt(np.log1p((sd / mean) ** 2))
        ends = np.log(mean) - log_sd**2 / 2 + np.array([-1, 1]) * 1.959964 * log_sd
        # the file holds six digits of the mean and of the sd
        assert_allclose(np.exp(ends), table.loc[name, ["low95", "high95"]].astype(float), rtol=2e-5)


def test_the_covariance_table_is_that_of_jointly_lognormal_factors(report):
    """Drawn anew: the covariance of a sample of exp(normal) against the table."""
    import tomllib

    fit = fitted_penalties(tomllib.loads(report.texts["penalties.toml"]))
    log_sd = np.sqrt(np.log1p((fit.sd / fit.mean) ** 2))
    factor = np.linalg.cholesky(fit.correlation)
    z = np.random.default_rng(1).standard_normal((400_000, 2)) @ factor.T
    sample = np.exp(np.log(fit.mean) - log_sd**2 / 2 + z * log_sd)
    known = report.tables["penalty_covariance.csv"].set_index("strategy")
    names = list(fit.strategies)
    # standard error of a covariance from 4e5 pairs is below 0.5 %, with heavier tails
    assert_allclose(np.cov(sample.T), known.loc[names, names], rtol=0.02)


def test_the_report_states_assumptions_cautions_and_every_number(report):
    files = report_files(report)
    page = files["report.html"].decode()
    for word in (
        "Exposure:",
        "Age:",
        "Saturation:",
        "Depth:",
        "curing.model_factor",
        "strength, stability and frost",
        "local codes and licensed practice govern",
        "Paule and Mandel",
    ):
        assert word in page
    table = pd.read_csv(io.BytesIO(files["specimens.csv"]))
    assert len(table) == 9
    assert {"figures/profiles.svg", "figures/penalties.svg", "figures/residuals.svg"} <= set(files)


def test_the_figures_draw_the_data(report):
    panels = [ax for ax in report.figures["profiles"].axes if ax.get_title(loc="left") in THREE]
    assert len(panels) == 3
    for ax in panels:
        curves = [line for line in ax.lines if str(line.get_gid()).startswith("curve-")]
        assert len(curves) == 3
    (ax,) = report.figures["penalties"].axes
    table = report.tables["penalties.csv"].set_index("strategy")
    top = next(line for line in ax.lines if line.get_gid() == "interval-2")
    assert_allclose(top.get_xdata(), table.loc["Forms 12 h", ["low95", "high95"]].astype(float))
    assert ax.get_xlabel().startswith("Penalty factor")
    (ax,) = report.figures["residuals"].axes
    dots = [line for line in ax.lines if str(line.get_gid()).startswith("residuals-")]
    assert sum(len(line.get_xdata()) for line in dots) == 9 * 8


@pytest.mark.usefixtures("no_pictures")
def test_without_a_reference_nothing_is_pooled(write):
    found = report_on(write(rows(THREE)))
    assert not found.texts
    assert "penalties.csv" not in found.tables
    assert "--reference" in found.findings[-1]
    assert report_files(found)["strategies.csv"].decode().count("\n") == 4


def test_an_unknown_reference_names_the_strategies(write):
    with pytest.raises(EvidenceError) as caught:
        report_on(write(rows(THREE)), reference="Forms 7d")
    assert str(caught.value) == (
        'profiles.csv: no specimen has the reference strategy "Forms 7d"; the strategies are '
        '"Forms 7 d", "Forms 24 h", "Forms 12 h"; the nearest spelling is "Forms 7 d"'
    )


def test_one_specimen_per_strategy_is_told(write):
    found = report_on(write(rows(THREE, specimens=1)), reference="Forms 7 d")
    assert any("an sd of 0.2 of ln Dₐ stands in for it" in text for text in found.warnings)
    table = found.tables["penalties.csv"].set_index("strategy")
    assert np.isfinite(table.to_numpy(dtype=float)).all()
    ratio = np.log(table.loc["Forms 12 h", "high95"] / table.loc["Forms 12 h", "low95"])
    assert ratio >= 2 * 1.96 * np.sqrt(2) * 0.2 * 0.999


def test_profiles_without_any_scatter_give_fixed_inputs(write, tmp_path):
    """Zero residuals and zero scatter between specimens are valid and stay finite."""
    found = report_on(write(rows(THREE, error=0.0)), reference="Forms 7 d")
    table = found.tables["penalties.csv"]
    assert np.isfinite(table.drop(columns="strategy").to_numpy(dtype=float)).all()
    factor = table.set_index("strategy").loc["Forms 12 h", "mean"]
    # the data are averages of 201 points, and have six decimals
    assert factor == pytest.approx(1.8, rel=1e-3)
    report_files(found)


@pytest.mark.usefixtures("no_pictures")
def test_one_strategy_alone(write):
    found = report_on(write(rows(("Forms 7 d",))), reference="Forms 7 d")
    assert "penalties.toml" not in found.texts
    assert "the only strategy" in found.findings[-1]
    report_files(found)


def test_the_common_surface_content_is_tested(write, report):
    assert "compatible with the data" in report.findings[-1]
    lines = [
        ",".join(
            [*row.split(",")[:4], f"{1.5 * float(row.split(',')[4]):.6f}", *row.split(",")[5:]]
        )
        if "12 h" in row
        else row
        for row in rows(THREE)
    ]
    other = report_on(write(lines), reference="Forms 7 d")
    assert "do not share one surface content" in other.findings[-1]


def test_contents_by_volume(write):
    head = HEAD.replace("_pct", "_kg_m3")
    found = report_on(write(rows(THREE), head), reference="Forms 7 d")
    assert "surface_kg_m3" in found.tables["specimens.csv"]
    assert re.search(r'mean = "0\.5\d+ kg/m\^3"', found.texts["surface_chloride.toml"])


@pytest.mark.parametrize(
    ("depth", "words"),
    [
        (
            60.0,
            "9 of 9 profiles end within the depth of 60 mm that curing changed: their Dₐ is the skin's",
        ),
        (
            10.0,
            "0 of 9 profiles end within the depth of 10 mm that curing changed: Dₐ of the others",
        ),
    ],
)
def test_a_profile_shorter_than_the_affected_depth_measured_the_skin(write, depth, words):
    found = report_on(write(rows(THREE)), reference="Forms 7 d", affected_depth=depth)
    assert any(words in text for text in found.warnings)


def test_hostile_names_are_escaped(write):
    names = ("<script>alert(1)</script>", "$x^2$ & co", "Forms 7 d")
    page = report_files(report_on(write(rows(names)), reference="Forms 7 d"))["report.html"]
    assert b"<script>alert" not in page
    assert b"&lt;script&gt;alert(1)" in page


def test_every_file_loads_in_a_scenario(report, tmp_path):
    from importlib import resources

    from stripwise.scenario.loading import load

    for name, text in report.texts.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    starter = resources.files("stripwise.scenario").joinpath("starter.toml").read_text("utf-8")
    head, tail = starter.split("[[strategy]]", 1)
    assert "[[strategy]]" in tail
    head = re.sub(r"\ndiffusivity = .*", '\ndiffusivity = { from = "diffusivity.toml" }', head)
    head = re.sub(
        r"\nsurface_chloride = .*",
        '\nsurface_chloride = { from = "surface_chloride.toml", kind = "knowledge" }',
        head,
    )
    head = head.replace(
        'chloride_basis = "binder"',
        'chloride_basis = "binder"\nbinder_content = "350 kg/m^3"\ndensity = "2350 kg/m^3"',
    )
    head = re.sub(r"reference_strategy = .*", 'reference_strategy = "Forms 7 d"', head)
    strategies = "".join(
        f'[[strategy]]\nname = "{name}"\nstrip_age = "{name.removeprefix("Forms ")}"\n'
        'penalty = { from = "penalties.toml" }\n\n'
        for name in THREE
    )
    path = tmp_path / "wall.toml"
    path.write_text(head + strategies, encoding="utf-8")
    case = load(path)
    table = report.tables["penalties.csv"].set_index("strategy")
    assert case.input("strategy.Forms 12 h.penalty").distribution.mean == pytest.approx(
        table.loc["Forms 12 h", "mean"], rel=1e-5
    )
    surface = report.tables["strategies.csv"].set_index("strategy").loc["Forms 7 d", "surface_pct"]
    assert case.input("exposure.surface_chloride").distribution.mean == pytest.approx(
        surface * 2350 / 350, rel=1e-5
    )
    assert len(case.correlations) == 1
