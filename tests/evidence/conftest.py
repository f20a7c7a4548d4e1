import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def made():
    spec = importlib.util.spec_from_file_location("made", Path(__file__).with_name("made.py"))
    module = importlib.util.module_from_spec(spec)
    sys.modules["made"] = module
    spec.loader.exec_module(module)
    return module
