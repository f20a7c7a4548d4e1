"""The command line: read the arguments, call the library, print. Nothing is computed here."""

from __future__ import annotations

from stripwise.cli import check, design, fit, plan_tests, rank, run, stripped
from stripwise.cli.shell import app, run_app

__all__ = ["app", "main"]

COMMANDS = (run, design, check, fit, plan_tests, stripped, rank)
"""One module per command; importing it puts the command on `app`."""


def main() -> None:
    """Run the command line and end the process with its exit code."""
    run_app()
