"""Fits, plans and site answers as objects: their short line, their answer, their files, their figures."""

import html
import inspect
import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.errors import EvidenceError, InputError
from stripwise.report.result_reports import RESULT_PAGES, report_of
from stripwise.units.caution import CAUTION

RECORDS = "scenarios/site-records"
MAPS = "scenarios/face-maps"


def migration_tests():
    depth = {"specimen": [*"abcd"], "strategy": [*"AABB"], "penetration_mm": [18, 19, 25, 26]}
    test = {"voltage_V": 30, "temperature_degC": 22, "thickness_mm": 50, "duration_h": 24}
    return pd.DataFrame(depth).assign(**test)


@pytest.fixture(scope="module")
def case():
    garage = stripwise.load("scenarios/garage-wall.toml")
    keep = [s for s in garage.raw["strategy"] if s["name"] in ("Forms 24 h", "Forms 7 d")]
    changes = {"strategy": keep, "sampling.repeats": 8, "sampling.points": 256, "choices": None}
    return garage.replace(changes)


@pytest.fixture(scope="module")
def studies(case, small_sizes):
    with small_sizes():
        return {
            "profiles": stripwise.fit_profiles(
                "scenarios/lab-wall/profiles.csv",
                reference="Forms 7 d",
                layered=True,
                maximum="off",
            ),
            "migration": stripwise.fit_migration(migration_tests(), reference="A"),
            "cover": stripwise.fit_cover(f"{RECORDS}/cover.csv", limit=45.0),
            "drying": stripwise.fit_drying(f"{RECORDS}/drying.csv"),
            "log": stripwise.fit_strip_log(
                f"{RECORDS}/strip-log.csv", zone="CET", loggers=Path(RECORDS) / "loggers"
            ),
            "maps": stripwise.fit_face_maps(
                f"{MAPS}/maps.csv",
                aggregate="low",
                reference="Forms 7 d",
                ground=f"{MAPS}/ground.csv",
            ),
            "plan": stripwise.plan_tests(case),
            "site": stripwise.stripped_early(
                case, after="14 h", at="8 degC", plan="Forms 7 d", workers=1
            ),
        }


NAMES = ("profiles", "migration", "cover", "drying", "log", "maps", "plan", "site")


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("name", NAMES)
def test_the_answer_is_that_of_the_report(studies, name, tmp_path, monkeypatch):
    study = studies[name]
    assert repr(study).startswith(f"<{type(study).__name__} of '")
    assert "\n" not in repr(study)
    assert len(repr(study)) < 400
    page = study._repr_html_()
    assert page.startswith("<p><strong>")
    assert page.count("<table") == 1
    assert html.escape(CAUTION.split(".", maxsplit=1)[0]) in page
    report, command = report_of(study)
    monkeypatch.setattr("stripwise.report.write.report_of", lambda _: (report, command))
    for sentence in report.findings:
        assert html.escape(sentence) in page
    assert report.findings or name == "site"
    written = study.write(tmp_path / "out")
    assert {"report.html", "run.json"} <= {path.name for path in written}
    assert set(report.tables) <= {path.name for path in written}
    assert pickle.loads(pickle.dumps(study))._repr_html_() == page


def test_every_page_of_a_result_is_there():
    for page in RESULT_PAGES.values():
        module = __import__(f"stripwise.report.pages.{page.module}", fromlist=["x"])
        for function in filter(None, (page.report, page.sentences)):
            assert len(inspect.signature(getattr(module, function)).parameters) == 1


def test_what_is_no_result_is_not_written(tmp_path):
    with pytest.raises(stripwise.OutputError, match="dict is no result with a report"):
        stripwise.write({}, tmp_path / "out")


ON_AXES = {
    "residuals": "profiles",
    "penalties": "profiles",
    "skins": "profiles",
    "aggregate": "maps",
    "method_agreement": "maps",
    "migration": "migration",
    "comparison": "profiles",
    "drying_losses": "drying",
    "drying_rates": "drying",
    "cover_survey": "cover",
    "cover_positions": "cover",
    "pours": "log",
    "strip_ages": "log",
    "planned_readings": "plan",
    "planned_tests": "plan",
}


@pytest.mark.parametrize("name", ON_AXES)
def test_a_figure_of_a_fit_goes_on_own_axes(studies, name):
    figure = Figure(figsize=(9.0, 6.0))
    ax = figure.subplots()
    result = studies[ON_AXES[name]]
    if name == "skins" and "layered" not in set(result.layered.choice):
        with pytest.raises(InputError, match="no strategy shows a skin"):
            stripwise.plot.skins(result, ax=ax)
        return
    assert getattr(stripwise.plot, name)(result, ax=ax) is ax
    assert ax.has_data()
    box = ax.get_tightbbox().transformed(figure.transFigure.inverted())
    assert max(-box.x0, -box.y0, box.x1 - 1.0, box.y1 - 1.0) < 0.01


def test_panels_come_as_a_figure(studies):
    panels = stripwise.plot.profiles(studies["profiles"])
    assert isinstance(panels, Figure)
    strategies = set(studies["profiles"].fits.profiles.strategies)
    assert {ax.get_title("left") for ax in panels.axes} >= strategies
    maps = stripwise.plot.face_maps(studies["maps"])
    assert len(maps.axes) > len({face.strategy for face in studies["maps"].faces})
    assert stripwise.plot.residuals(studies["maps"]).has_data()


def test_a_part_that_was_not_fitted_is_not_drawn():
    study = stripwise.fit_migration(migration_tests())
    assert study.penalty_table is None
    cover = stripwise.fit_cover(pd.DataFrame({"cover_mm": [50, 55, 52, 61, 47, 56, 58, 49]}))
    with pytest.raises(InputError, match="has no column x_mm"):
        stripwise.plot.cover_positions(cover)


@pytest.fixture(scope="module")
def pixels():
    """Return two maps without aggregate whose profile is the error function solution itself."""
    depth, x = np.meshgrid(np.arange(0.25, 30.0, 0.5), np.arange(0.0, 20.0, 0.5), indexing="ij")
    frames = []
    for name, strategy, diffusivity in (("M1", "A", 4e-12), ("M2", "B", 2e-12)):
        spread = 2.0 * np.sqrt(diffusivity * 1e6 * 180.0 * 86400.0)
        content = 0.1 + 1.9 * special.erfc(depth / spread)
        content = content + 0.01 * np.cos(9.0 * x + 5.0 * depth)
        frames.append(
            pd.DataFrame(
                {
                    "specimen": name,
                    "strategy": strategy,
                    "exposure_d": 180,
                    "x_mm": x.ravel(),
                    "depth_mm": depth.ravel(),
                    "chloride_pct_paste": content.ravel(),
                    "paste": 1,
                }
            )
        )
    return frames


def test_maps_of_a_table_of_files_and_of_a_list_are_one(pixels, tmp_path):
    whole = stripwise.fit_face_maps(pd.concat(pixels), reference="B")
    # the diffusivities that made the maps: Crank, The Mathematics of Diffusion, 1975, eq. (2.45)
    found = whole.specimens.set_index("specimen")["diffusivity_m2_s"]
    assert_allclose(found[["M1", "M2"]], [4e-12, 2e-12], rtol=0.02, atol=0)
    paths = []
    for frame in pixels:
        paths.append(tmp_path / f"{frame['specimen'][0]}.csv")
        frame.to_csv(paths[-1], index=False)
    pd.DataFrame({"map_file": [p.name for p in paths]}).to_csv(tmp_path / "maps.csv", index=False)
    for source in (paths, tmp_path / "maps.csv"):
        other = stripwise.fit_face_maps(source, reference="B")
        assert_allclose(
            other.specimens["diffusivity_m2_s"], whole.specimens["diffusivity_m2_s"], rtol=1e-12
        )
    assert stripwise.fit_face_maps(paths[0]).specimens["specimen"].tolist() == ["M1"]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"aggregate": "dark"}, "aggregate: = 'dark' must be "),
        ({"layer": 0.0}, "layer: = 0 mm must be above 0 to 50"),
        ({"binder_share": 0.2}, r"binder_share: = 0.2 must be from 0.4 to 1"),
        ({"affected_depth": -3.0}, "affected_depth: = -3 mm must be above 0 to 500"),
    ],
)
def test_options_of_maps_are_checked(pixels, options, text):
    with pytest.raises(InputError, match=text):
        stripwise.fit_face_maps(pixels[0], **options)


def test_a_table_that_is_no_map_is_refused(pixels):
    with pytest.raises(EvidenceError, match=r"table\.csv: has no column of chloride"):
        stripwise.fit_face_maps(pixels[0].drop(columns="chloride_pct_paste"))
    with pytest.raises(EvidenceError, match="some pixels stand twice"):
        stripwise.fit_face_maps(pd.concat([pixels[0], pixels[0]]))
    with pytest.raises(EvidenceError, match="is empty; give at least one map"):
        stripwise.fit_face_maps([])
