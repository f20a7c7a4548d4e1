import importlib.util
import sys
from pathlib import Path

import pytest


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
