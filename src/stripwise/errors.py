"""The exceptions that stripwise raises on purpose, all derived from `StripwiseError`."""

__all__ = [
    "EvidenceError",
    "InputError",
    "NumericalError",
    "OutputError",
    "ScenarioError",
    "StripwiseError",
]


class StripwiseError(Exception):
    """Root of every error that stripwise raises on purpose."""


class InputError(StripwiseError, ValueError):
    """A value cannot be used: ``where`` names it, ``problem`` says why and what is allowed."""

    def __init__(self, where: str, problem: str) -> None:
        super().__init__(f"{where}: {problem}" if where else problem)
        self.where = where
        self.problem = problem


class ScenarioError(StripwiseError):
    """A scenario file cannot be used; ``problems`` lists one line per thing that is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class EvidenceError(StripwiseError):
    """A file of test data cannot be used; ``problems`` lists one line per thing that is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class OutputError(StripwiseError):
    """Results cannot be written to the given place."""


class NumericalError(StripwiseError):
    """A computation produced a value that is not finite or did not converge."""
