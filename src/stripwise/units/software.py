"""Which versions compute: what every record of results names."""

from __future__ import annotations

import functools
import platform
import sys
from importlib import metadata
from typing import Any

__all__ = ["software_used", "version"]

COMPUTING = ("stripwise", "numpy", "scipy", "pandas", "matplotlib")


@functools.cache
def version(package: str) -> str:
    """Return the version of an installed package; of an imported one without reading its files."""
    known = getattr(sys.modules.get(package), "__version__", None)
    return known if isinstance(known, str) else metadata.version(package)


def software_used() -> dict[str, Any]:
    """Return the versions of what computed, and that of Python, as a record names them."""
    return {
        "versions": {package: version(package) for package in COMPUTING},
        "python": platform.python_version(),
    }
