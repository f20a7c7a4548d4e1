import importlib.util
import sys
from pathlib import Path

import pytest

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.data_file import read_data_file
from stripwise.evidence.tables.data_kinds import KINDS


@pytest.fixture
def table(tmp_path):
    """Write a file of test data and return its path."""

    def write(text, name="data.csv", encoding="utf-8"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


@pytest.fixture
def data_file(table):
    """Write and read a file of test data."""

    def write_and_read(text, kinds=KINDS, **more):
        return read_data_file(table(text, **more), kinds=kinds)

    return write_and_read


@pytest.fixture
def problems(data_file):
    """Read a file that must be refused and return its problems as one text."""

    def refused(text, kinds=KINDS, **more):
        with pytest.raises(EvidenceError) as caught:
            data_file(text, kinds=kinds, **more)
        return str(caught.value)

    return refused


@pytest.fixture(scope="session")
def made():
    spec = importlib.util.spec_from_file_location("made", Path(__file__).with_name("made.py"))
    module = importlib.util.module_from_spec(spec)
    sys.modules["made"] = module
    spec.loader.exec_module(module)
    return module
