import importlib.util
import sys
from pathlib import Path

SPEC = importlib.util.spec_from_file_location("inspected", Path(__file__).parent / "inspected.py")
sys.modules["inspected"] = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(sys.modules["inspected"])
