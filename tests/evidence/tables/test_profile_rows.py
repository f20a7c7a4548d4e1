import numpy as np
import pytest

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.profile_rows import build_profiles

HEAD = "specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,exposure_d,initial_pct"
ROWS = [
    "P1,Forms 12 h,0,1,0.40,90,0.01",
    "P1,Forms 12 h,1,3,0.50,90,0.01",
    "P1,Forms 12 h,3,5,0.38,90,0.01",
    "P1,Forms 12 h,5,7,0.27,90,0.01",
    "P1,Forms 12 h,7,10,0.15,90,0.01",
    "P1,Forms 12 h,10,14,0.06,90,0.01",
]

pytestmark = pytest.mark.usefixtures("few_simulated")


@pytest.fixture
def load(tmp_path):
    def inner(rows=ROWS, head=HEAD, text=None):
        path = tmp_path / "profiles.csv"
        path.write_text("\n".join([head, *rows]) if text is None else text, encoding="utf-8")
        return build_profiles(read_data_file(path, kinds=KINDS))

    return inner


@pytest.fixture
def refused(load):
    def inner(rows=ROWS, **more):
        with pytest.raises(EvidenceError) as caught:
            load(rows, **more)
        return caught.value.problems

    return inner


def changed(row, old, new):
    assert old in ROWS[row]
    return [*ROWS[:row], ROWS[row].replace(old, new), *ROWS[row + 1 :]]


def test_rows_become_profiles_by_depth(load):
    data = load([ROWS[3], *ROWS[:3], *ROWS[4:]])
    assert data.specimens == ("P1",)
    assert data.strategies == ("Forms 12 h",)
    assert data.upper.tolist() == [[0, 1, 3, 5, 7, 10]]
    assert data.content.tolist() == [[0.40, 0.50, 0.38, 0.27, 0.15, 0.06]]
    assert (data.exposure[0], data.initial[0], data.basis) == (90.0, 0.01, "pct")


def test_specimens_of_different_length_are_padded(load):
    data = load([*ROWS, *(row.replace("P1", "P2") for row in ROWS[:4])])
    assert data.present.sum(axis=1).tolist() == [6, 4]
    assert not data.content[1, 4:].any()
    assert fit_profiles(data).layers_used.tolist() == [5, 3]


def test_units_of_the_header_do_not_change_the_fit(load):
    metric = fit_profiles(load(), maximum="off")
    inch = [
        ",".join(
            [
                *row.split(",")[:2],
                *(f"{float(x) / 25.4:.12f}" for x in row.split(",")[2:4]),
                row.split(",")[4],
                f"{90 / 365.25:.12f}",
                row.split(",")[6],
            ]
        )
        for row in ROWS
    ]
    head = "specimen,strategy,depth_from_in,depth_to_in,chloride_pct,exposure_yr,initial_pct"
    inches = fit_profiles(load(inch, head=head), maximum="off")
    assert inches.diffusivity[0] / metric.diffusivity[0] == pytest.approx(1.0, rel=1e-8)


def test_semicolons_decimal_commas_and_a_byte_order_mark(load):
    text = "\ufeff" + "\n".join(row.replace(",", ";").replace(".", ",") for row in (HEAD, *ROWS))
    assert load(text=text).content.tolist() == load().content.tolist()


def test_readings_at_points(load):
    rows = ["P1,A,1,0.5,90", "P1,A,3,0.4,90", "P1,A,6,0.2,90", "P1,A,9,0.1,90", "P1,A,12,0.05,90"]
    data = load(rows, head="specimen,strategy,depth_mm,chloride_pct,exposure_d")
    assert data.upper.tolist() == data.lower.tolist()
    assert np.isnan(data.initial[0])


def test_below_detection_is_half_the_limit(load):
    assert load(changed(5, "0.06", "<0.02")).content[0, 5] == pytest.approx(0.01)


def test_a_specimen_all_below_detection(refused):
    below = [",".join([*row.split(",")[:4], "<0.01", *row.split(",")[5:]]) for row in ROWS]
    assert refused([*below, *(row.replace("P1", "P2") for row in ROWS)]) == (
        "profiles.csv: specimen P1, chloride_pct: every reading is below detection; such a profile "
        "holds no diffusivity, leave it out",
    )


def test_a_content_that_no_concrete_has(refused):
    (problem,) = refused(changed(1, "0.50", "9.5"))
    assert problem == (
        "profiles.csv: line 3, specimen P1, chloride_pct = 9.5: must be at most 5 %, by the unit "
        "of the column; check the unit"
    )


def test_content_by_volume_keeps_its_unit(load):
    head = HEAD.replace("chloride_pct", "chloride_kg_m3").replace("initial_pct", "initial_kg_m3")
    assert load(head=head).basis == "kg_m3"


def test_reversed_depths(refused):
    assert refused(changed(2, "3,5", "5,3")) == (
        "profiles.csv: line 4, specimen P1, depth_to_mm = 3.0: must be above depth_from_mm of its "
        "row",
    )


def test_overlapping_layers(refused):
    assert refused(changed(3, "5,7", "4,7")) == (
        "profiles.csv: line 5, specimen P1, also line 4, depth_from_mm = 4.0: overlaps another "
        "layer of its specimen; every depth belongs to one layer",
    )


def test_the_same_row_twice_overlaps(refused):
    assert "overlaps another layer" in refused([*ROWS, ROWS[2]])[0]


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("Forms 12 h", "Forms 24 h", "a specimen has one strategy"),
        (",90,", ",120,", "a specimen has one exposure"),
        ("0.01", "0.02", "a specimen has one initial content"),
    ],
)
def test_a_specimen_is_one_specimen(refused, old, new, rule):
    (problem,) = refused(changed(4, old, new))
    assert rule in problem
    assert "line 6, specimen P1" in problem


def test_two_units_of_chloride(refused):
    rows = [f"{row},2.1" for row in ROWS]
    (problem,) = refused(rows, head=HEAD + ",chloride_kg_m3")
    assert "chloride_kg_m3" in problem
    assert "keep one of them" in problem


def test_initial_content_in_another_unit(refused):
    problems = refused(head=HEAD.replace("initial_pct", "initial_kg_m3"))
    assert any("initial_kg_m3" in text for text in problems)


def test_all_problems_of_the_rows_at_once(refused):
    rows = changed(3, "5,7", "4,7")
    rows[4] = rows[4].replace(",90,", ",120,")
    assert len(refused(rows)) == 2


def test_many_rows(load):
    """Sizes alone: hundreds of specimens are fitted at once, without a loop over them."""
    edges = np.array([0, 1, 3, 5, 7, 10, 13, 16, 20])
    contents = 0.5 * np.exp(-0.12 * edges[:-1])
    lines = [
        f"S{n},A{n % 3},{a},{b},{c * (1 + 0.01 * ((n * 7 + i * 3) % 11 - 5) / 5):.5f},90,0.01"
        for n in range(400)
        for i, (a, b, c) in enumerate(zip(edges[:-1], edges[1:], contents, strict=True))
    ]
    result = fit_profiles(load(lines))
    assert len(result.diffusivity) == 400
    assert np.isfinite(result.diffusivity_se).all()
