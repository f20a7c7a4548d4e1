"""A page as PDF, printed by a browser that is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from stripwise.errors import InputError, OutputError
from stripwise.units.formatting import number

__all__ = ["BROWSERS", "find_browser", "print_pdf"]

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
"""Executables that are looked for on the PATH, in this order; all take the same switches."""

SECONDS = 60.0
"""Longest time that a browser may take for one page."""


def find_browser(given: Path | None = None) -> Path:
    """Return the browser to print with: the given one, or the first of `BROWSERS` on the PATH.

    InputError if there is none.
    """
    if given is not None:
        if found := shutil.which(given):
            return Path(found)
        raise InputError("--browser", f"{given}: is no program that can be run")
    for name in BROWSERS:
        if found := shutil.which(name):
            return Path(found)
    raise InputError(
        "--pdf",
        f"no browser to print with; install one of {', '.join(BROWSERS)}, or name it by --browser "
        "PATH, or print report.html yourself",
    )


def print_pdf(page: str, *, browser: Path, paper: str) -> bytes:
    """Print an HTML page on a paper size of CSS, "A4" or "letter".

    The browser starts on a profile of its own, which is removed, and reaches nothing but the page.
    OutputError if it fails or takes more than a minute.
    """
    size = f"<style>@page {{ size: {paper} }}</style></head>"
    with tempfile.TemporaryDirectory(prefix="stripwise-", ignore_cleanup_errors=True) as folder:
        source, target = Path(folder, "page.html"), Path(folder, "page.pdf")
        source.write_text(page.replace("</head>", size, 1), encoding="utf-8")
        command = [
            str(browser),
            "--headless",
            "--disable-gpu",
            "--disable-extensions",
            "--no-first-run",
            "--no-pdf-header-footer",
            f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={target}",
            *_as_administrator(),
            source.as_uri(),
        ]
        try:
            done = subprocess.run(
                command, check=False, capture_output=True, timeout=SECONDS, stdin=subprocess.DEVNULL
            )
        except subprocess.TimeoutExpired as problem:
            raise OutputError(f"{browser}: printed no PDF within {number(SECONDS)} s") from problem
        except OSError as problem:
            raise OutputError(f"{browser}: cannot be run ({problem.strerror})") from problem
        if done.returncode != 0 or not target.is_file():
            lines = done.stderr.decode(errors="replace").strip().splitlines()
            said = f": {lines[-1][:200]}" if lines else ""
            raise OutputError(f"{browser}: printed no PDF (exit code {done.returncode}{said})")
        return target.read_bytes()


def _as_administrator() -> tuple[str, ...]:
    """Return the switch without which the browser refuses to start for root."""
    return ("--no-sandbox",) if getattr(os, "geteuid", lambda: 1)() == 0 else ()
