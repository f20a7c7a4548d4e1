"""Shapes of what a scenario file holds: a number, a text, a table; nothing is converted here."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AliasChoices, BaseModel, BeforeValidator, ConfigDict, PrivateAttr
from pydantic import Field as PydanticField

from stripwise.distributions.families import family_names
from stripwise.distributions.random_input import KINDS
from stripwise.scenario.fields import MM, PLAIN, Choice, Flag, Key, Meant, Quantity, Text

__all__ = [
    "BASES",
    "BETWEEN_WALLS",
    "TEXT_LIMIT",
    "Constant",
    "ContentInput",
    "ContentTable",
    "CoverInput",
    "CoverTable",
    "InputTable",
    "Logical",
    "PenaltyInput",
    "PenaltyTable",
    "RandomInput",
    "Scalar",
    "String",
    "Table",
    "Whole",
    "constant",
    "scalar",
]

TEXT_LIMIT = 500
"""Longest text of a label or a source in characters."""

BASES = ("binder", "concrete")


def scalar(raw: Any) -> Any:
    """Return a number or a text; raise ValueError for anything else."""
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise ValueError("must be a number or a text of a number and a unit")
    return raw


def constant(raw: Any) -> Any:
    """Return a number, a text, or the value of a table such as { value = 3, unusual = true }."""
    if not isinstance(raw, dict):
        return raw if isinstance(raw, Meant) else scalar(raw)
    if "value" not in raw or raw.keys() - {"value", "unusual"}:
        raise ValueError("must be a value, or a table such as { value = ..., unusual = true }")
    return Meant(scalar(raw["value"]), _logical(raw.get("unusual", False)))


def _string(raw: Any) -> Any:
    if not isinstance(raw, str):
        raise ValueError("must be a text in quotation marks")
    if len(raw) > TEXT_LIMIT:
        raise ValueError(f"has {len(raw)} characters; at most {TEXT_LIMIT} are allowed")
    return raw


def _logical(raw: Any) -> Any:
    if not isinstance(raw, bool):
        raise ValueError("must be true or false")
    return raw


def _whole(raw: Any) -> Any:
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise ValueError("must be a whole number")
    return raw


Scalar = Annotated[int | float | str, BeforeValidator(scalar)]
Constant = Annotated[int | float | str | Meant, BeforeValidator(constant)]
String = Annotated[str, BeforeValidator(_string)]
Logical = Annotated[bool, BeforeValidator(_logical)]
Whole = Annotated[int, BeforeValidator(_whole)]


class Table(BaseModel):
    """A table of the file; a key that it does not name is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


BETWEEN_WALLS = Quantity(
    "Share of the spread that lies between walls and not along this one, instead of kind.",
    PLAIN,
    "0 to 1",
    example="0.5",
)


class InputTable(Table):
    """An input, random or fixed."""

    _bare: bool = PrivateAttr(default=False)

    family: Annotated[String | None, Choice("Family of the distribution.", family_names)] = None
    value: Annotated[Scalar | None, Key("Value of a fixed input.")] = None
    mean: Annotated[Scalar | None, Key("Mean; of a truncated normal that of its parent.")] = None
    sd: Annotated[Scalar | None, Key("Standard deviation, a difference.")] = None
    cov: Annotated[Scalar | None, Key("Standard deviation over mean, instead of sd.")] = None
    low: Annotated[Scalar | None, Key("Lower bound.")] = None
    high: Annotated[Scalar | None, Key("Upper bound.")] = None
    values: Annotated[
        list[Scalar] | None,
        Key(
            "Values of an empirical input, at even probabilities unless given.",
            example='["52 mm", "58 mm", "61 mm"]',
        ),
    ] = None
    probabilities: Annotated[
        list[float] | None,
        Key("Rising probabilities of the values, from 0 to 1.", example="[0, 0.3, 1]"),
    ] = None
    kind: Annotated[
        String | None, Choice("Whether it varies along the wall or is not known.", KINDS)
    ] = None
    between_walls: Annotated[Constant | None, BETWEEN_WALLS] = None
    shared: Annotated[
        String | None,
        Choice(
            "In an inventory, whether what lies between walls is each face's own or one value for "
            "all faces of the block that gives the input.",
            ("element", "block"),
            default="element",
        ),
    ] = None
    source: Annotated[String | None, Text("Where the numbers come from.")] = None
    unusual: Annotated[Logical, Flag("Whether a number outside the usual range is meant.")] = False
    plausible: Annotated[Logical, Flag("Old name of unusual.")] = False
    origin: Annotated[String | None, Text("File beside the scenario that holds the input.")] = (
        PydanticField(default=None, alias="from")
    )

    @property
    def bare(self) -> bool:
        """Whether the file has a value alone in place of a table."""
        private = self.__pydantic_private__  # self._bare goes a long way round, at every number
        return bool(private and private["_bare"])


class ContentTable(InputTable):
    """A chloride content."""

    basis: Annotated[
        String | None, Choice("Mass that the per cents refer to, if not exposure's.", BASES)
    ] = None


class CoverTable(InputTable):
    """The cover."""

    nominal: Annotated[Scalar | None, Key("Cover of the drawing; mean = nominal + bias.")] = None
    bias: Annotated[Scalar | None, Key("Mean less nominal, a difference.")] = None
    mean_sd: Annotated[
        Constant | None,
        Quantity(
            "Epistemic sd of the mean; a survey writes its own to cover.toml. mean_doubt is its old name.",
            MM,
            "0.1 mm to 50 mm",
            usual="0.5 mm to 20 mm",
            difference=True,
            example='"4 mm"',
        ),
    ] = PydanticField(default=None, validation_alias=AliasChoices("mean_sd", "mean_doubt"))


class PenaltyTable(InputTable):
    """A penalty factor that replaces the curing law."""

    dependence: Annotated[
        String | None,
        Choice("Whether given penalties are high and low together.", ("independent", "shared")),
    ] = None
    entry: Annotated[String | None, Text("Name of the strategy in the file of `from`.")] = (
        PydanticField(default=None, alias="as")
    )


def _or_value(model: type[InputTable]) -> BeforeValidator:
    """Let a value alone stand for a table with a fixed input."""

    def read(raw: Any) -> Any:
        if isinstance(raw, dict | InputTable):
            return raw
        if isinstance(raw, bool) or not isinstance(raw, int | float | str):
            raise ValueError("must be a value, or a table such as { family = ..., mean = ... }")
        made = model(family="fixed", value=raw)
        made._bare = True
        return made

    return BeforeValidator(read)


RandomInput = Annotated[InputTable, _or_value(InputTable)]
ContentInput = Annotated[ContentTable, _or_value(ContentTable)]
CoverInput = Annotated[CoverTable, _or_value(CoverTable)]
PenaltyInput = Annotated[PenaltyTable, _or_value(PenaltyTable)]
