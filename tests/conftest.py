import importlib.util
import sys
from pathlib import Path

import pytest


def _module(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def walls():
    return _module("walls", Path(__file__).parent / "risk" / "walls.py")
