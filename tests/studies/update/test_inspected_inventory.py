"""Inspections of an inventory: what is shared, what is own, against quadrature and an update."""

import dataclasses
import functools
import hashlib
import json
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from inspected import layer_contents, wall
from numpy.testing import assert_allclose
from scipy import special
from typer.testing import CliRunner

import stripwise
from stripwise import cli
from stripwise.distributions import posterior_points as posterior_points_module
from stripwise.distributions.posterior_points import posterior_points
from stripwise.errors import EvidenceError, InputError
from stripwise.report.pages.inspected_faces_part import inspection_sentences
from stripwise.studies.inventory import (
    face_rows,
    inventory_run,
    learn_from_inspections,
    part_jobs,
)
from stripwise.studies.inventory.element_likelihood import ElementLikelihood
from stripwise.studies.inventory.face_rows import open_faces
from stripwise.studies.inventory.inspected_faces import Inspections
from stripwise.studies.inventory.inventory_plan import prepare
from stripwise.studies.inventory.inventory_study import inventory
from stripwise.studies.update import posterior_of_sets
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import SetLikelihoods

EXPONENT, SURFACE = "concrete.ageing_exponent", "exposure.surface_chloride"
EDGES = np.array([0.0, 10.0, 20.0, 30.0])
ERROR = 0.06
SHARE = 0.5
SIGMA = np.sqrt(np.log(1.0 + 0.4**2))
MU = np.log(2.0) - 0.5 * SIGMA**2


def face_table(**more):
    """Return three faces: two of one concrete, one of another."""
    table = pd.DataFrame(
        {
            "element": ["A", "B", "C"],
            "strategy": "Forms 24 h",
            "concrete_type": ["", "", "slag"],
            "age_yr": 12,
        }
    )
    return table.assign(**more)


def network(**changes):
    """Return a case whose faces share a temperature coefficient, and a concrete an exponent."""
    exponent = {"family": "beta", "mean": 0.45, "sd": 0.1, "low": 0, "high": 1}
    return wall(
        **{
            "exposure.temperature": "10 degC",
            "concrete.temperature_coefficient": {
                "family": "normal",
                "mean": "4800 K",
                "sd": "700 K",
            },
            "concrete_type": [
                {"name": "slag", "ageing_exponent": {**exponent, "kind": "knowledge"}}
            ],
            **changes,
        }
    )


@functools.cache
def plain_network():
    return network()


def core_rows(contents, *, element="A", specimen="K1", error=ERROR):
    """Return the rows of one core."""
    return pd.DataFrame(
        {
            "element": element,
            "specimen": specimen,
            "depth_from_mm": EDGES[:-1],
            "depth_to_mm": EDGES[1:],
            "chloride_pct_binder": contents,
            "error_pct_binder": error,
            "exposure_yr": 10.0,
        }
    )


CORES = pd.concat(
    [core_rows([2.4, 1.5, 0.9]), core_rows([2.9, 2.0, 1.3], specimen="K2")], ignore_index=True
)
COVER = pd.DataFrame(
    {
        "element": "A",
        "cover_mm": [41.0, 44, 47, 39, 50, 45],
        "error_mm": 2.0,
        "effective_points": 5,
    }
)
AREA = pd.DataFrame(
    {
        "element": ["A"],
        "area": "left",
        "points": 40,
        "active_points": 6,
        "exposure_yr": 12.0,
        "detection": 0.9,
        "false_alarm": 0.05,
        "effective_points": 8,
    }
)


def likelihood(case, *tables, as_scatter=False, faces=None):
    """Return the likelihood of the first inspected face, with its class and sets."""
    inspections = Inspections.from_tables(tables, as_scatter=as_scatter)
    plan, _ = prepare(
        case, open_faces(face_table() if faces is None else faces), inspections=inspections
    )
    face = inspections.faces[0]
    one, sets = plan.classes.classes[face.place], inspections.sets[face.name]
    own = face.wall(one)
    return ElementLikelihood.from_sets(face.name, sets, one.case, one, own), one, own, sets


def draws_of(**scores):
    count = len(next(iter(scores.values())))
    return EpistemicDraws({}, {name.replace("__", "."): z for name, z in scores.items()}, {}, count)


def test_own_surface_content_is_integrated_as_by_quadrature():
    """Own quadrature over B and W, and own average of the error function over a layer."""
    case = wall(
        **{
            SURFACE: {
                "family": "lognormal",
                "mean": 2.0,
                "cov": 0.4,
                "between_walls": SHARE,
            },
            "concrete.diffusivity": "3e-12 m^2/s",
            "concrete_type": [{"name": "slag", "ageing_exponent": 0.5}],
        }
    )
    z = np.linspace(-1.5, 1.5, 7)
    exponents = next(i for i in case.inputs if i.name == EXPONENT).distribution.from_normal(z)

    def expected(surface, exponent):
        return layer_contents(
            surface, 3e-12, exponent, initial=0.1, penalty=1.5, age=10.0, edges=EDGES
        )

    rng = np.random.default_rng(4)
    read = [
        expected(np.exp(MU + SIGMA * s), 0.41)[()] + ERROR * rng.standard_normal(3)
        for s in (0.3, 1.4, 0.9)
    ]
    cores = [core_rows(y, specimen=f"K{k}") for k, y in enumerate(read)]
    one, *_ = likelihood(case, pd.concat(cores), as_scatter=True)
    found = one.log_likelihood(draws_of(concrete__ageing_exponent=z), 32)
    nodes = np.linspace(-7.0, 7.0, 241)
    mass = np.exp(-0.5 * nodes**2)
    mass /= mass.sum()
    scores = np.sqrt(SHARE) * nodes[:, None] + np.sqrt(1.0 - SHARE) * nodes
    logs, means = [], []
    for exponent in exponents:
        mean = expected(np.exp(MU + SIGMA * scores), exponent)
        total = np.zeros(nodes.size)
        for y in read:
            gap = (y - mean) / ERROR
            each = np.exp(-0.5 * np.sum(gap**2, axis=-1)) / (ERROR * np.sqrt(2.0 * np.pi)) ** 3
            total += np.log(each @ mass + 1e-300)
        logs.append(special.logsumexp(total + np.log(mass)))
        means.append(nodes @ special.softmax(total + np.log(mass)))
    near = np.array(logs) > max(logs) - 8.0
    assert near.sum() >= 2
    assert_allclose(found[near], np.array(logs)[near], atol=0.02)
    # the error is one shift, which no posterior sees
    assert np.ptp((found - logs)[near]) < 1e-3
    many = draws_of(concrete__ageing_exponent=np.repeat(z[near], 500))
    own = one.own_scores(many, points=32, nodes=64, count=1, rng=np.random.default_rng(5))
    by_draw = own[SURFACE].reshape(-1, 500)
    error = by_draw.std(axis=1) / np.sqrt(500.0)
    assert (np.abs(by_draw.mean(axis=1) - np.array(means)[near]) < 4.0 * error).all()


def test_what_is_own_is_the_mean_over_walls_of_the_likelihood_of_an_update():
    """Surface and diffusivity correlated, cover readings and a survey beside the cores."""
    case = wall(
        correlation=[{"between": [SURFACE, "concrete.diffusivity"], "rank": 0.5}],
        concrete_type=[{"name": "slag", "ageing_exponent": 0.5}],
    )
    one, two, own, sets = likelihood(case, CORES, COVER, AREA)
    z = np.array([-0.6, 0.6])
    found = one.log_likelihood(draws_of(concrete__ageing_exponent=z), 64)
    scores = EpistemicScores.from_wall(own)
    whole = SetLikelihoods.from_sets(
        sets, two.case, own, middle=scores.middle(), workers=1, points=32
    )
    names = [item.name for item in scores.items]
    assert {*one.own.names} == {SURFACE, "concrete.diffusivity", "reinforcement.cover.mean_sd"}
    places = [names.index(name) for name in one.own.names]

    def log_evidence(value):
        def by_own(u):
            every = np.zeros((len(names), u.shape[1]))
            every[places], every[names.index(EXPONENT)] = u, value
            return whole(scores.draws(every))

        points = posterior_points(by_own, 3, seed=1, points=2048)
        # the mean of a likelihood over points is known to about one over the root of what is left
        return points.log_evidence(), 1.0 / np.sqrt(points.effective)

    for mine, (theirs, error) in zip(found, map(log_evidence, z), strict=True):
        assert error < 0.05
        assert mine == pytest.approx(theirs, abs=4.0 * error)


@pytest.fixture(scope="module")
def case():
    return plain_network()


def with_few_draws(put):
    put(learn_from_inspections, "DRAWS", 2048)
    put(posterior_of_sets, "CHECKED", 128)
    put(posterior_points_module, "WANTED", 1000.0)
    put(posterior_points_module, "FEWEST_POINTS", 2**11)


def with_fewest_draws(put):
    put(learn_from_inspections, "DRAWS", 256)
    put(posterior_of_sets, "CHECKED", 32)
    put(posterior_points_module, "WANTED", 100.0)
    put(posterior_points_module, "FEWEST_POINTS", 2**9)


@pytest.fixture
def fewest_draws(monkeypatch):
    """Where two ways must come to the same bytes, whatever these say."""
    with_fewest_draws(monkeypatch.setattr)


@pytest.fixture(scope="module")
def few_draws():
    with pytest.MonkeyPatch.context() as patch:
        with_few_draws(patch.setattr)
        yield


@pytest.fixture(scope="module")
def result(case, few_draws):
    return inventory(case, face_table(), inspections=[CORES, COVER])


@pytest.fixture(scope="module")
def elements(result):
    return result.elements.set_index("element")


@pytest.mark.usefixtures("fewest_draws")
def test_a_cluster_writes_the_same_bytes(case, monkeypatch, tmp_path):
    distributed, dask = (pytest.importorskip(name) for name in ("distributed", "dask"))
    result = inventory(case, face_table(), inspections=[CORES, COVER])
    monkeypatch.setattr(part_jobs, "_KNOWN", {})  # as a process of its own
    with (
        dask.config.set({"temporary-directory": tmp_path}),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=False,
            protocol="tcp",  # everything is pickled, as between machines
            dashboard_address=":0",
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        executor = client.get_executor(pure=False, retries=2)
        found = inventory(
            case, face_table(), inspections=[CORES, COVER], executor=executor, workers=2
        )
    assert b"".join(found.parts()) == b"".join(result.parts())
    for name in ("totals", "inspected", "learned"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(result, name), check_exact=True)


KILLED = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from test_inspected_inventory import *
def kill(stage, done, faces):
    if faces:
        os.kill(os.getpid(), signal.SIGKILL)
with_fewest_draws(setattr)
face_rows.PART_ROWS = 1
inventory(network(), face_table(), inspections=[COVER], folder=Path(sys.argv[2]), progress=kill)
"""
"""Ends by SIGKILL once the first of three parts is in its folder."""


@pytest.mark.usefixtures("fewest_draws")
def test_a_killed_run_goes_on_to_the_same_bytes(case, monkeypatch, tmp_path):
    monkeypatch.setattr(face_rows, "PART_ROWS", 1)
    whole = inventory(case, face_table(), inspections=[COVER])
    given = [sys.executable, "-c", KILLED, Path(__file__).parent, tmp_path]
    assert subprocess.run(given, check=False).returncode == -signal.SIGKILL
    assert len(list(tmp_path.glob("*.npz"))) == 1
    computed = []
    compute = inventory_run.compute_part
    monkeypatch.setattr(
        inventory_run, "compute_part", lambda *given: computed.append(1) or compute(*given)
    )
    again = inventory(case, face_table(), inspections=[COVER], folder=tmp_path)
    assert len(computed) == 2
    assert b"".join(again.parts()) == b"".join(whole.parts())
    pd.testing.assert_frame_equal(again.totals, whole.totals, check_exact=True)


def test_an_inspected_face_agrees_with_the_update_of_its_wall(case, elements, little_beside):
    cores, cover = (table.drop(columns="element") for table in (CORES, COVER))
    updated = stripwise.update(case, [cores.assign(strategy="Forms 24 h"), cover], workers=1)
    own = updated.strategies.set_index("strategy").loc["Forms 24 h"]
    face = elements.loc["A"]
    # an sd of .12 in P over 2,048 draws of some 1,000 effective points, and 512 points for the range
    assert face["probability_at_target"] == pytest.approx(own["probability_after"], abs=0.02)
    assert face["probability_before"] == pytest.approx(own["probability_before"], abs=0.004)
    ends = own[["know_low_after", "know_high_after"]].astype(float)
    assert_allclose(face[["know_low", "know_high"]].astype(float), ends, atol=0.05)
    assert face["life_at_target_yr"] == pytest.approx(own["life_at_target_yr_after"], rel=0.08)


def test_others_learn_through_their_block_and_through_what_all_share(case, elements, result):
    moved = (elements["probability_at_target"] - elements["probability_before"]).abs()
    assert moved["A"] > 2.0 * moved["B"] > 4.0 * moved["C"]
    assert elements["inspected"].tolist() == ["yes", "no", "no"]
    # nothing of the other concrete was learned but through the temperature coefficient
    learned = result.learned.set_index("input")["sd_ratio"]
    assert learned[EXPONENT] < 0.9
    assert f"concrete_type:slag:{EXPONENT}" not in learned
    assert result.next_faces.query("criterion == 'moved by inspections'")["element"].tolist() == [
        *moved.sort_values(ascending=False).index
    ]


def test_before_is_the_inventory_without_inspections(case, elements, result):
    plain = inventory(case, face_table())
    own = plain.elements.set_index("element")
    assert_allclose(elements["probability_before"], own["probability_at_target"], atol=1e-5)
    assert elements["meets_target_before"].tolist() == own["meets_target"].tolist()
    assert result.meeting_before == plain.meeting
    assert not {"inspected", "probability_before"} & set(own.columns)
    assert plain.inspected is None


def test_totals_are_the_sums_of_what_is_known_now(elements, result):
    row = result.totals.query("measure == 'equivalent_faces' and year == 0").iloc[0]
    # ages stand at half years, and a draw is taken about the predictive mean
    assert row["expected"] == pytest.approx(elements["probability_now"].sum(), abs=5e-3)
    assert row["know_low"] < row["expected"] < row["know_high"]


def test_a_face_that_shares_nothing_with_the_data_keeps_its_answer(few_draws):
    alone = network(
        **{"exposure.temperature": "20 degC", "concrete.temperature_coefficient": "4800 K"}
    )
    found = inventory(alone, face_table(), inspections=[COVER]).elements.set_index("element")
    others = found.loc[["B", "C"]]
    assert others["probability_at_target"].tolist() == others["probability_before"].tolist()
    assert found.loc["A", "probability_at_target"] > found.loc["A", "probability_before"] + 0.02


def test_covers_that_scatter_more_than_the_scenario_are_told(case):
    """The update tells the same: 20 readings of sd 18 where the scenario has 8."""
    wide = 50.0 + 18.0 * special.ndtri((np.arange(20) + 0.5) / 20)
    cover = pd.DataFrame(
        {"element": "B", "cover_mm": wide, "error_mm": 1.0, "effective_points": 20}
    )
    inspections = Inspections.from_tables([COVER, cover])
    plan, _ = prepare(case, open_faces(face_table()), inspections=inspections)
    (note,) = learn_from_inspections.spread_notes(plan.classes, inspections)
    assert note.startswith("Covers read on 1 of 2 faces scatter more than the scenario says")
    found = np.sqrt(np.var(wide, ddof=1) - 1.0)
    assert f"kept: B ({found:.1f} mm, in the scenario 8 mm). " in note
    assert "the probability there is too low" in note
    stated = face_table(cover_sd_mm=["", 18, ""])
    plan, _ = prepare(
        case, open_faces(stated), inspections=(again := Inspections.from_tables([cover]))
    )
    assert learn_from_inspections.spread_notes(plan.classes, again) == []


def test_order_and_split_of_the_data_change_nothing(case):
    z = {EXPONENT: np.linspace(-1.0, 1.0, 5), "concrete.temperature_coefficient": np.zeros(5)}
    draws = EpistemicDraws({}, z, {}, 5)
    whole = likelihood(case, CORES, COVER)[0].log_likelihood(draws, 32)
    second = CORES["specimen"] == "K2"
    split = likelihood(case, COVER, CORES[second], CORES[~second])[0].log_likelihood(draws, 32)
    assert_allclose(split, whole, rtol=1e-10)


def test_what_two_faces_share_is_learned_from_both(few_draws):
    """The posterior of one shared score, by the sum of both likelihoods over a grid of it."""
    alone = network(
        **{"exposure.temperature": "20 degC", "concrete.temperature_coefficient": "4800 K"}
    )
    other = core_rows([2.6, 2.0, 1.4], element="B", specimen="K1")
    both = pd.concat([CORES.iloc[:3], other])
    inspections = Inspections.from_tables([both])
    plan, _ = prepare(alone, open_faces(face_table()), inspections=inspections)
    lesson = learn_from_inspections.learn(
        plan.classes, inspections, keys=plan.draw_keys, totals=64, workers=1
    )
    z = np.linspace(-5.0, 3.0, 161)
    draws = draws_of(concrete__ageing_exponent=z)
    logs = -0.5 * z**2
    for rows in (CORES.iloc[:3], other):
        logs = logs + likelihood(alone, rows)[0].log_likelihood(draws, 32)
    share = special.softmax(logs)
    mean, sd = share @ z, np.sqrt(share @ z**2 - (share @ z) ** 2)
    found = lesson.learned.scores[EXPONENT]
    error = sd / np.sqrt(min(lesson.posterior.points.effective, found.size))
    assert abs(mean) > 0.5
    assert found.mean() == pytest.approx(mean, abs=4.0 * np.sqrt(2.0) * error)
    assert found.std() == pytest.approx(sd, rel=0.15)
    # what no data reach keeps its prior, and totals take draws of the same posterior
    slag = lesson.learned.scores[f"concrete_type:slag:{EXPONENT}"]
    assert (slag.mean(), slag.std()) == pytest.approx((0.0, 1.0), abs=0.01)
    assert lesson.learned.few[EXPONENT].mean() == pytest.approx(mean, abs=0.5 * sd)


@pytest.mark.usefixtures("no_figures")
def test_surprise_is_told_by_face(few_draws, tmp_path, monkeypatch):
    monkeypatch.setattr(posterior_points_module, "PILOT_POINTS", 2**8)
    strange = core_rows([0.3, 3.5, 0.1], error=0.02)
    faces, data, home = tmp_path / "f.csv", tmp_path / "d.csv", tmp_path / "wall.toml"
    face_table().to_csv(faces, index=False)
    strange.to_csv(data, index=False)
    home.write_text(stripwise.as_toml(network()), "utf-8")
    words = ["inventory", faces, "--scenario", home, "--inspections", data, "--out", tmp_path / "o"]
    done = CliRunner().invoke(cli.app, [*(str(word) for word in words), "--json", "--workers", "1"])
    assert done.exit_code == 0, done.stderr
    record = json.loads(done.stdout)
    assert record["verdict"][0].startswith(
        "1 of 1 sets of data contradict the scenario: A (chloride"
    )
    assert "By chance alone one in 100 would." in record["verdict"][0]
    assert record["verdict"][2].startswith("The probability of A moved most: from")
    table = pd.read_csv(tmp_path / "o" / "inspected.csv")
    assert table["status"].tolist() == ["contradicts the scenario"]
    assert table["size"].tolist() == ["1 core, 3 readings"]
    page = (tmp_path / "o" / "report.html").read_text("utf-8")
    assert "What the inspections changed" in page
    assert "no proof of corrosion" in page
    assert "Age [yr]</th>" in page
    # the page and its record name the data by their hash
    digest = hashlib.sha256(data.read_bytes()).hexdigest()
    assert f"d.csv, SHA-256 {digest}" in page
    assert digest in (tmp_path / "o" / "run.json").read_text("utf-8")


@pytest.mark.parametrize(
    ("before", "lost", "said"),
    [
        (1, 0, "raise the number of faces that meet the target from 1 to 2 of 3."),
        (
            1,
            1,
            "raise the number of faces that meet the target from 1 to 2 of 3: 2 meet it now that did "
            "not before, and 1 no longer does.",
        ),
        (
            2,
            1,
            "leave the number of faces that meet the target at 2 of 3: 1 meets it now that did not "
            "before, and 1 no longer does.",
        ),
        (3, 1, "lower the number of faces that meet the target from 3 to 2 of 3."),
    ],
)
def test_a_face_that_drops_out_is_not_hidden_by_another_that_comes_in(result, before, lost, said):
    one = dataclasses.replace(result, meeting=2, meeting_before=before, meeting_lost=lost)
    assert f"The inspections of 1 face {said}" in inspection_sentences(one)


def test_faces_that_no_longer_meet_the_target_are_counted(elements, result):
    before, after = elements["meets_target_before"], elements["meets_target"]
    assert result.meeting_lost == ((before == "yes") & (after != "yes")).sum() > 0


def check(*tables, faces=None, case=None, as_scatter=False, **options):
    """Check tables of inspections as far as they go without a computation."""
    rows = open_faces(face_table() if faces is None else faces)
    inspections = Inspections.from_tables(tables, as_scatter=as_scatter)
    prepare(plain_network() if case is None else case, rows, inspections=inspections, **options)
    return inspections


@pytest.mark.parametrize(
    ("tables", "faces", "rule"),
    [
        (
            [CORES.assign(element="a1"), COVER],
            {"element": ["A", "B", "A1"]},
            'table-1.csv: line 2, element = "a1": is no face of table; the nearest spelling is "A1"',
        ),
        ([CORES.drop(columns="element")], {}, "element: the column is missing"),
        (
            [CORES.assign(element=["A", "", *"AAAA"])],
            {},
            "line 3, element: has no value; every row needs one",
        ),
        (
            [CORES.assign(strategy="Forms 72 h")],
            {},
            "must be Forms 24 h, the strategy of the face, or empty",
        ),
        (
            [CORES.assign(strategy="Forms 24 h")],
            {
                "strategy": ["", "Forms 24 h", "Forms 24 h"],
                "strip_age_h": ["20", "", ""],
                "concrete_temperature_degC": ["12", "", ""],
            },
            "must be empty: the face has a strip age of its own, and no strategy",
        ),
        ([CORES, CORES], {}, "is the same file as table-1.csv; data count once"),
        (
            [CORES, core_rows([2.0, 1.0, 0.5])],
            {},
            'element "A": table-2.csv: specimen K1 stands in table-1.csv too; it counts once',
        ),
        (
            [CORES],
            {"age_yr": 5},
            'element "A": was inspected 10 yr after first exposure, and the table of faces makes it 5 yr',
        ),
        (
            [CORES.drop(columns="exposure_yr").assign(date="2031-05-20")],
            {},
            "needs the date of first exposure of the face: a column built in the table of faces",
        ),
        (
            [CORES.assign(depth_to_mm=[10, 20, 2000] * 2)],
            {},
            "must be above 0 mm and at most 1000 mm",
        ),
        ([COVER.assign(effective_points=[1, 2, 3, 4, 5, 6])], {}, "must be one number"),
        (
            [pd.concat([COVER, COVER.assign(element="B", effective_points=9)])],
            {},
            'table-1.csv: element "B": effective_points = 9.0: must be at most the number of readings, 6',
        ),
        (
            [COVER, COVER.iloc[::-1].assign(error_mm=2.5)],
            {},
            'element "A": table-2.csv: holds the same readings as table-1.csv; data count once',
        ),
        ([AREA.assign(active_points=50)], {}, "must be at most points of its row"),
    ],
)
def test_bad_inspections_are_told_where_and_what(tables, faces, rule):
    with pytest.raises(EvidenceError) as caught:
        check(*tables, faces=face_table(**faces))
    assert any(rule in text for text in caught.value.problems), caught.value.problems
    assert all("\n" not in text for text in caught.value.problems)


def test_what_only_varies_along_a_face_is_refused_unless_insisted_upon():
    case = network(**{SURFACE: {"family": "lognormal", "mean": 2.0, "cov": 0.4}})
    with pytest.raises(
        EvidenceError, match=r"surface_chloride: table-1.csv measures it, but nothing"
    ):
        check(CORES, case=case)
    (note,) = check(CORES, case=case, as_scatter=True).notes
    assert "--as-scatter" in note
    assert note.startswith('"A": exposure.surface_chloride is taken as varying')


def test_data_of_a_face_that_stands_twice_count_once():
    """With --skip-bad the second row is left out; the data of the first stay one set."""
    faces = pd.concat([face_table(), face_table(age_yr=13).iloc[:1]])
    found = check(COVER, faces=faces, skip_bad=True)
    assert [(face.name, face.age) for face in found.faces] == [("A", 12.0)]


def test_a_note_names_its_faces():
    """Two surveys of areas of the same name on three faces, a note on each."""
    twice = pd.concat([AREA, AREA.assign(exposure_yr=11.0)])
    faces = [twice.assign(element=name) for name in "ABC"]
    (note,) = check(pd.concat(faces)).notes
    assert note.startswith('"A", "B", "C": More than one survey holds area left.')


def test_many_elements_without_a_row_are_told_in_few_lines():
    many = pd.concat([COVER.assign(element=f"Z{k}") for k in range(50)])
    with pytest.raises(EvidenceError) as caught:
        check(COVER, many)
    assert len(caught.value.problems) == 21
    assert caught.value.problems[-1].startswith(
        "30 more elements of the inspections have no row in "
    )


def test_an_empty_list_of_inspections_is_none(case):
    found = inventory(case, face_table(), inspections=[])
    assert found.inspected is None


def test_a_correlation_of_what_is_shared_with_what_is_own_is_refused():
    """Data that say nothing lowered P from 11.0 to 9.7 %: the correlation was lost."""
    linked = {"correlation": [{"between": [SURFACE, "concrete.diffusivity"], "rank": 0.8}]}
    split = network(**{**linked, f"{SURFACE}.shared": "block"})
    with pytest.raises(
        EvidenceError, match='own, which inspections do not take; write `shared = "b'
    ):
        check(CORES, case=split)
    both = {f"{name}.shared": "block" for name in (SURFACE, "concrete.diffusivity")}
    check(CORES, case=network(**{**linked, **both}))
    check(CORES, case=network(**linked))


def test_dates_count_from_the_date_that_a_face_was_built():
    dated = CORES.drop(columns="exposure_yr").assign(date="2031-04-01")
    faces = face_table(built=["2021-04", "2020", "2020"]).drop(columns="age_yr")
    found = check(dated, faces=faces, year=2032.0)
    assert found.sets["A"][0].last_age == pytest.approx(10.0, abs=0.01)
    with pytest.raises(EvidenceError, match="must lie after first exposure on 2021-04-01"):
        check(dated.assign(date="2021-03-31"), faces=faces, year=2032.0)


def test_a_posterior_of_one_wall_is_refused_with_the_way_out(case):
    draws = stripwise.epistemic_draws(case, n=512)
    with pytest.raises(InputError, match="give what was found itself, with `--inspections`"):
        inventory(case.replace({"knowledge": draws}), face_table(), inspections=[COVER])


def test_mutated_rows_end_in_clear_lines_or_in_data():
    """Cells, heads and rows of the three tables mutated at random."""
    rng = np.random.default_rng(12)
    bad = ["", "-1", "nan", "1e9", "A ", "Z", "yes", "<0.1", "2031-05-20", "=1+1", "\u202e", "0"]
    cells = [*bad, *6 * ["1.2", "A", "B"]]
    problems = []
    for turn in range(60):
        table = [CORES, COVER, AREA][turn % 3].astype(object).copy()
        for _ in range(int(rng.integers(1, 4))):
            row, column = rng.integers(len(table)), rng.integers(table.shape[1])
            table.iloc[row, column] = str(rng.choice(cells))
        if rng.random() < 0.2:
            table = table.drop(columns=table.columns[int(rng.integers(table.shape[1]))])
        try:
            check(table)
        except EvidenceError as error:
            problems.append(error.problems)
    assert 20 < len(problems) < 60
    texts = [text for found in problems for text in found]
    assert all(text.startswith(("table-1.csv: ", "  ", 'element "')) for text in texts)
    assert not any("\n" in text for text in texts)
