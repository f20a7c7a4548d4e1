import importlib.util
import sys
from pathlib import Path

import pytest

from stripwise.report.render import render


def _load():
    path = Path(__file__).with_name("example.py")
    spec = importlib.util.spec_from_file_location("report_example", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["report_example"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def example():
    return _load()


@pytest.fixture(scope="session")
def six(example):
    return example.make_assessment()


@pytest.fixture(scope="session")
def read_page(example):
    """Read the page of a report, an empty picture in place of each figure."""

    def read(report):
        empty = '<svg xmlns="http://www.w3.org/2000/svg"></svg>'
        return example.outline(render(report, dict.fromkeys(report.figures, empty)))

    return read
