"""Strict JSON of a record; what takes no more than numpy to import, since every writer needs it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np

from stripwise.errors import OutputError

__all__ = ["json_text"]


def json_text(record: Mapping[str, Any]) -> str:
    """Write a record as strict JSON: NaN becomes null, infinity the text "inf".

    OutputError if a value is of a kind that JSON cannot hold.
    """
    return json.dumps(_to_builtin(record), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _to_builtin(value: Any) -> Any:
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): _to_builtin(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_to_builtin(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else str(value)
    if isinstance(value, PurePath):
        return value.as_posix()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise OutputError(f"run.json: cannot hold a {type(value).__name__}")
