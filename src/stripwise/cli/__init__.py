"""The command line: read the arguments, call the library, print. Nothing is computed here."""

from __future__ import annotations

from stripwise.cli import (
    check_command,
    design_command,
    fit_command,
    inventory_command,
    list_command,
    new_command,
    plan_tests_command,
    rank_command,
    run_command,
    stripped_command,
    target_command,
    update_command,
)
from stripwise.cli.shell import app, run_app

__all__ = ["app", "main"]

COMMANDS = (
    new_command,
    check_command,
    run_command,
    design_command,
    target_command,
    rank_command,
    stripped_command,
    inventory_command,
    update_command,
    fit_command,
    plan_tests_command,
    list_command,
)
"""One module per command; importing it puts the command on `app`."""


def main() -> None:
    """Run the command line and end the process with its exit code."""
    run_app()
