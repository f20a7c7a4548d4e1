"""One map in four forms gives one answer; what cannot be read is refused with file and reason."""

import numpy as np
import pandas as pd
import pytest

from stripwise.errors import EvidenceError
from stripwise.evidence.tables import face_map_arrays
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import FACE_MAPS
from stripwise.evidence.tables.face_map_files import build_face_maps, face_map_file

from .made_maps import made_map

OWNER = {"specimen": "P1", "strategy": "Forms 24 h", "exposure_d": 90.0, "initial_pct": 0.05}


@pytest.fixture(scope="module")
def face():
    made = made_map(shape=(20, 30), seed=4)
    return np.round(made.chloride, 4), np.round(made.signal, 2), made.depth, made.position


def pixels(face):
    chloride, signal, depth, position = face
    x, y = np.meshgrid(position, depth)
    table = pd.DataFrame({"x_mm": x.ravel(), "depth_mm": y.ravel()})
    return table.assign(chloride_pct=chloride.ravel(), signal=signal.ravel(), **OWNER)


def grid(face):
    chloride, signal, depth, position = face
    table = {"x_mm": position, **{name: [value] * 30 for name, value in OWNER.items()}}
    for row, at in enumerate(depth):
        table[f"chloride_pct_at_{at:g}_mm"] = chloride[row]
        table[f"signal at {at:g} mm"] = signal[row]
    return pd.DataFrame(table)


def arrays(path, face, **change):
    values = {"chloride_pct": face[0], "signal": face[1], "pixel_mm": 0.25, **OWNER, **change}
    np.savez(path, **{name: value for name, value in values.items() if value is not None})
    return path


def read(path):
    return build_face_maps(face_map_file(path) or read_data_file(path, kinds=[FACE_MAPS]))


@pytest.mark.parametrize("form", ["pixels", "shuffled", "commas", "grid", "arrays", "list"])
def test_every_form_reads_the_same(form, face, tmp_path):
    path = tmp_path / "face.csv"
    if form == "pixels":
        pixels(face).to_csv(path, index=False)
    elif form == "shuffled":
        pixels(face).sample(frac=1.0, random_state=1).to_csv(path, index=False)
    elif form == "commas":
        pixels(face).to_csv(path, index=False, sep=";", decimal=",")
    elif form == "grid":
        grid(face).to_csv(path, index=False)
    elif form == "arrays":
        path = arrays(tmp_path / "face.npz", face)
    else:
        arrays(tmp_path / "face.npz", face, specimen=None, strategy=None)
        path.write_text("specimen,strategy,exposure_d,map_file\nP1,Forms 24 h,90,face.npz\n")
    (found,) = read(path)
    assert (found.specimen, found.strategy, found.exposure) == ("P1", "Forms 24 h", 90.0)
    assert found.initial == pytest.approx(0.05, rel=1e-6)
    assert found.basis == "pct_paste"
    np.testing.assert_allclose(found.chloride, face[0], rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.signal, face[1], rtol=1e-6, atol=0)
    np.testing.assert_allclose(found.depth, face[2], atol=1e-9)
    np.testing.assert_allclose(found.pixel, 0.25, rtol=1e-9)


def test_a_missing_pixel_is_a_hole_and_a_double_one_is_refused(face, tmp_path):
    path = tmp_path / "face.csv"
    table = pixels(face)
    table.drop(index=77).to_csv(path, index=False)
    (found,) = read(path)
    assert np.flatnonzero(~np.isfinite(found.chloride)).tolist() == [77]
    pd.concat([table, table.iloc[:1]]).to_csv(path, index=False)
    with pytest.raises(EvidenceError, match="some pixels stand twice"):
        read(path)


BAD_TABLES = {
    "upwards": (lambda t: t.assign(depth_mm=-t["depth_mm"]), "must be at least 0 mm"),
    "counts": (lambda t: t.rename(columns={"chloride_pct": "chloride_counts"}), "is no unit of"),
    "uneven": (lambda t: t.assign(x_mm=t["x_mm"] ** 1.2), "the places must be even"),
    "no unit": (lambda t: t.rename(columns={"x_mm": "x"}), "needs the unit of a length"),
    "word": (lambda t: t.assign(signal=t["signal"].astype(object).where(t.index != 5, "high")),
             "must be a number"),
    "mask": (lambda t: t.assign(paste=0.5), "paste must be 1 on paste and 0 on aggregate"),
    "formula": (lambda t: t.assign(specimen="=1+1"), "must not start with '='"),
    "two": (lambda t: t.assign(exposure_d=np.where(t.index < 9, 60.0, 90.0)),
            "has more than one exposure"),
    "no strategy": (lambda t: t.drop(columns="strategy"), "needs strategy"),
    "no chloride": (lambda t: t.rename(columns={"chloride_pct": "chlorid_pct"}), "the nearest spelling is"),
}  # fmt: skip


@pytest.mark.parametrize("slip", BAD_TABLES)
def test_a_bad_table_is_refused_with_its_name(slip, face, tmp_path):
    change, message = BAD_TABLES[slip]
    path = tmp_path / "face.csv"
    change(pixels(face)).to_csv(path, index=False)
    with pytest.raises(EvidenceError) as caught:
        read(path)
    assert message in str(caught.value)
    assert all(line.startswith(("face.csv", "  ")) for line in caught.value.problems)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pixel_mm": 0.0}, "must be above 0 and at most 10 mm"),
        ({"pixel_mm": None}, "needs pixel_mm"),
        ({"pixel_mm": None, "pixel_x_mm": 0.2}, "or pixel_depth_mm"),
        ({"signal": np.ones((3, 3))}, "signal has the shape (3, 3)"),
        ({"chloride_pct": np.ones(5)}, "an array of depth by x"),
        ({"chloride_pct": None, "chloride": np.ones((20, 30))}, "needs the unit of"),
        ({"exposure_d": -5.0}, "needs exposure_d"),
        ({"chloride_pct": np.array([["a", "b"]])}, "must hold numbers"),
        ({"signal": np.array([[{}]], dtype=object)}, "holds objects"),
    ],
)
def test_bad_arrays_are_refused(change, message, face, tmp_path):
    path = arrays(tmp_path / "face.npz", face, **change)
    with pytest.raises(EvidenceError) as caught:
        read(path)
    assert message in str(caught.value)
    assert str(caught.value).startswith("face.npz")


def test_a_thousand_million_pixels_are_refused_before_room_is_made(tmp_path, monkeypatch, face):
    path = tmp_path / "face.npz"
    # one stride of zeros stands for a huge array; its header alone is read
    np.savez_compressed(path, chloride_pct=np.zeros((1, 1)), pixel_mm=0.1)
    monkeypatch.setattr(face_map_arrays.np, "load", None)
    monkeypatch.setattr(
        np.lib.format, "read_array_header_1_0", lambda _: ((40_000, 25_000), False, np.dtype("f8"))
    )
    with pytest.raises(EvidenceError, match="1,000,000,000 pixels; at most 33,554,432"):
        read(path)


def test_a_list_stays_in_its_folder_and_names_each_specimen_once(face, tmp_path):
    arrays(tmp_path / "a.npz", face, specimen=None)
    path = tmp_path / "list.csv"
    path.write_text("specimen,map_file\nP1,a.npz\nP1,a.npz\nP2,../a.npz\nP3,gone.npz\n")
    with pytest.raises(EvidenceError) as caught:
        read(path)
    text = str(caught.value)
    assert "specimen P1 has more than one map" in text
    assert "must lie in the folder of the list" in text
    assert "gone.npz: cannot be read" in text
