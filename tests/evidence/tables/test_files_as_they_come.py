"""Tables as spreadsheets and loggers write them, and rows without a usable reading."""

import numpy as np
import pytest

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import DRYING, PROFILES, STRIP_LOG
from stripwise.evidence.tables.logger_files import read_logger

ROWS = "specimen;strategy;time_d;mass_loss_pct\nA;Forms 1 d;0;0,0\nA;Forms 1 d;7;1,25\n"
LOGGER = """time;temperature (\u00b0C)
2026-03-09 00:00Z;20
2026-03-09 01:00Z;
2026-03-09 02:00Z;-999
2026-03-09 03:00Z;Error
2026-03-09 04:00Z;24
"""


def write(folder, data, name="data.csv"):
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


@pytest.mark.parametrize("head", ["sep=;\r\n", '"sep=;"\n', "SEP=;\n", "# a remark\nsep=;\n"])
def test_a_first_line_that_names_the_separator(tmp_path, head):
    table = read_data_file(write(tmp_path, head + ROWS), kinds=[DRYING])
    assert table.data["mass_loss_pct"].tolist() == [0.0, 1.25]
    assert table.data["line"].iloc[0] == head.count("\n") + 2


def test_a_separator_that_the_header_does_not_show(tmp_path):
    text = "sep=,\nspecimen,strategy,time_d,mass_loss_pct\nA;1,Forms 1 d,0,0.5\n"
    table = read_data_file(write(tmp_path, text), kinds=[DRYING])
    assert table.data["specimen"].tolist() == ["A;1"]


def test_windows_1252(tmp_path):
    data = ROWS.replace("Forms 1 d", "Schalung S\u00fcd").encode("cp1252")
    table = read_data_file(write(tmp_path, data), kinds=[DRYING])
    assert set(table.data["strategy"]) == {"Schalung S\u00fcd"}
    assert "read as Windows-1252" in table.notes[0]
    logger = LOGGER.replace("Error", "23").replace("-999", "22").replace("Z;\n", "Z;21\n")
    record = read_logger(write(tmp_path, logger.encode("cp1252"), "log.csv"), zone=None)[""]
    assert record.temperature.tolist() == [20, 21, 22, 23, 24]


def test_logger_cells_without_a_reading(tmp_path):
    path = write(tmp_path, LOGGER)
    with pytest.raises(EvidenceError) as caught:
        read_logger(path, zone=None, skip_bad=False)
    assert len(caught.value.problems) == 4
    assert caught.value.problems[-1] == (
        "data.csv: --skip-bad leaves out these 3 rows, and tells which"
    )
    with pytest.raises(EvidenceError) as caught:  # no offer where there is no such choice
        read_logger(path, zone=None)
    assert "--skip-bad" not in str(caught.value)
    record = read_logger(path, zone=None, skip_bad=True)[""]
    assert np.diff(record.time).tolist() == [4.0]
    assert record.notes[0] == "data.csv: 3 rows left out (--skip-bad), lines 3, 4, 5."
    assert len(record.notes) == 4


def test_a_pour_not_yet_stripped(tmp_path):
    text = (
        "pour,placed,removed,temperature_degC\nP1,2026-03-09 08:00Z,2026-03-10 08:00Z,15\n"
        "P2,2026-03-10 08:00Z,,15\n"
    )
    log = read_data_file(write(tmp_path, text), kinds=[STRIP_LOG], skip_bad=True)
    assert log.data["pour"].tolist() == ["P1"]
    assert log.left_out == 1
    assert "line 3" in log.notes[0]
    assert "removed: has no value" in log.notes[1]


def test_what_is_not_skipped(tmp_path):
    """Other spellings, odd values and files without any usable row stay errors."""
    spelt = ROWS + "B;forms 1 D;0;\n"
    with pytest.raises(EvidenceError, match="also spelt"):
        read_data_file(write(tmp_path, spelt), kinds=[DRYING], skip_bad=True)
    odd = ROWS + "B;Forms 1 d;0;20\n"
    with pytest.raises(EvidenceError, match="usual value") as caught:
        read_data_file(write(tmp_path, odd), kinds=[DRYING], skip_bad=True)
    assert "--skip-bad" not in str(caught.value)
    empty = "specimen,strategy,depth_mm,chloride_pct,exposure_d\nA,B,1,,90\nA,B,2,1,-9\n"
    with pytest.raises(EvidenceError, match="no row that can be used"):
        read_data_file(write(tmp_path, empty), kinds=[PROFILES], skip_bad=True)
