"""Layers of the face and a coating in the file."""

from __future__ import annotations

import dataclasses
import math
from types import MappingProxyType

from stripwise.distributions.random_input import Input
from stripwise.risk.model.service_conditions import CoatingInputs, LayerInputs
from stripwise.risk.model.wall import COVER
from stripwise.scenario.input_rules import Rule
from stripwise.scenario.model import Sampling, Service
from stripwise.scenario.problems import KeyPath, Problems, words
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import CoatingPart, RandomInput, ScenarioFile
from stripwise.units.quantities import DIFFUSIVITY, LENGTH, NUMBER, TIME, Kind

__all__ = ["Layering", "check_layers", "credit_warning", "numerical_sampling", "read_layers"]

MOST_LAYERS = 6
MOST_POINTS = 1024
"""Points of a repeat where every front is a numerical solution."""

RESISTANCE = Kind(
    "a resistance, thickness over diffusivity",
    MappingProxyType(
        {
            "yr/mm": "year / mm",
            "year/mm": "year / mm",
            "d/mm": "day / mm",
            "s/m": "second / m",
            "yr/in": "year / inch",
        }
    ),
    "1.5 yr/mm",
)

THICKNESS = Rule(
    "thickness",
    "concrete",
    LENGTH,
    "mm",
    "mm",
    (0.5, 200.0),
    "0.5 mm to 200 mm",
    low=0.0,
    open_low=True,
)
FACTOR = Rule(
    "diffusivity over that of the concrete",
    "concrete",
    NUMBER,
    "",
    "",
    (0.01, 20.0),
    "0.01 to 20",
    low=0.0,
    open_low=True,
    kind="knowledge",
)
SHARE = Rule(
    "share of the curing penalty",
    "curing",
    NUMBER,
    "",
    "",
    (0.0, 1.0),
    "0 to 1",
    low=0.0,
    high=1.0,
    kind="knowledge",
)
LAYER_RULES = {"thickness": THICKNESS, "diffusivity_factor": FACTOR, "penalty_share": SHARE}

COATING_RULES = {
    "resistance": Rule(
        "resistance of the coating",
        "exposure",
        RESISTANCE,
        "yr/mm",
        "year / mm",
        (1e-4, 1e5),
        "0.0001 to 100,000 yr/mm",
        low=0.0,
        open_low=True,
        kind="knowledge",
    ),
    "thickness": Rule(
        "thickness of the coating",
        "exposure",
        LENGTH,
        "mm",
        "mm",
        (0.01, 20.0),
        "0.01 mm to 20 mm",
        low=0.0,
        open_low=True,
    ),
    "diffusivity": Rule(
        "diffusivity of the coating",
        "exposure",
        DIFFUSIVITY,
        "mm2/yr",
        "mm ** 2 / year",
        (1e-6 * 31.5576, 10.0 * 31.5576),
        "1e-18 to 1e-11 m^2/s",
        low=0.0,
        open_low=True,
        kind="knowledge",
    ),
    "life": Rule(
        "life of the coating",
        "exposure",
        TIME,
        "yr",
        "year",
        (0.5, 100.0),
        "0.5 yr to 100 yr",
        low=0.0,
        kind="knowledge",
    ),
}


@dataclasses.dataclass(frozen=True, slots=True)
class Layering:
    """What a file says of layers and a coating.

    Attributes
    ----------
    layers
        Layers, the outermost first.
    coating
        The coating; None without one, or where no credit is taken for it.
    uncredited
        Whether there is a coating of which no credit is taken.
    inputs
        Inputs of both.
    """

    layers: tuple[LayerInputs, ...] = ()
    coating: CoatingInputs | None = None
    uncredited: bool = False
    inputs: tuple[Input, ...] = ()

    @property
    def numerical(self) -> bool:
        """Whether the front is a numerical solution."""
        return bool(self.layers) or self.coating is not None


def read_layers(file: ScenarioFile, *, chloride: bool, problems: Problems) -> Layering:
    """Read the layers of the face and its coating.

    Parameters
    ----------
    file
        The file in its shape.
    chloride
        Whether chloride is one of the mechanisms; both belong to it.
    problems
        Where to note.

    Returns
    -------
    The `Layering`, as far as it could be read.
    """
    inputs: list[Input] = []
    if not chloride:
        for key in ("layer", "coating"):
            if getattr(file, key):
                problems.add(
                    (key,),
                    "belongs to chloride, which exposure.mechanisms does not name; name it there "
                    "or leave this out",
                )
        return Layering()
    if len(file.layer) > MOST_LAYERS:
        problems.add(("layer",), f"there are {len(file.layer)}; at most {MOST_LAYERS} are allowed")
    layers = []
    for index, part in enumerate(file.layer[:MOST_LAYERS]):
        path: KeyPath = ("layer", index)
        if part.thickness is None:
            problems.missing((*path, "thickness"), 'such as "10 mm", or a distribution')
        either = ("diffusivity_factor", "penalty_share")
        if not any(
            getattr(part, key) is not None or problems.reported((*path, key)) for key in either
        ):
            problems.add(path, "differs in nothing: give diffusivity_factor or penalty_share")
        names = {
            key: _read(getattr(part, key), (*path, key), rule, inputs, problems)
            for key, rule in LAYER_RULES.items()
        }
        layers.append(
            LayerInputs(names["thickness"], names["diffusivity_factor"], names["penalty_share"])
        )
    if file.coating is None:
        return Layering(tuple(layers), inputs=tuple(inputs))
    own: list[Input] = []
    coating = _coating(file.coating, own, problems)
    if not file.coating.credit:
        return Layering(tuple(layers), uncredited=True, inputs=tuple(inputs))
    return Layering(tuple(layers), coating, inputs=(*inputs, *own))


def _read(
    spec: RandomInput | None, path: KeyPath, rule: Rule, inputs: list[Input], problems: Problems
) -> str:
    """Read one input, if it is given, and return its name."""
    if spec is None:
        return ""
    name = words(path)
    found = build_input(spec, path, name=name, rule=rule, problems=problems)
    if found is not None:
        if "layer" in path:
            found = dataclasses.replace(found, label=f"layer {int(path[1]) + 1}: {found.label}")
        inputs.append(found)
    return name


def _coating(part: CoatingPart, inputs: list[Input], problems: Problems) -> CoatingInputs:
    path: KeyPath = ("coating",)
    given = [key for key in ("thickness", "diffusivity") if getattr(part, key) is not None]
    if part.resistance is not None and given:
        problems.add((*path, given[0]), "is given beside resistance; give one or the other")
    elif part.resistance is None and not given:
        problems.missing(
            (*path, "resistance"), 'such as "1.5 yr/mm"; or give thickness and diffusivity'
        )
    elif part.resistance is None:
        for key in ("thickness", "diffusivity"):
            if key not in given:
                problems.missing((*path, key), "thickness and diffusivity belong together")
    if part.life is None:
        problems.missing((*path, "life"), 'when it ends, such as "15 yr", or a distribution')
    names = {
        key: _read(getattr(part, key), (*path, key), rule, inputs, problems)
        for key, rule in COATING_RULES.items()
    }
    return CoatingInputs(**names)


def check_layers(
    layering: Layering, service: Service, inputs: list[Input], *, horizon: float, problems: Problems
) -> None:
    """Check layers and coating against the cover, the horizon and the other options.

    Parameters
    ----------
    layering
        What the file says of them.
    service
        The other options.
    inputs
        Every input that could be read.
    horizon
        Last age of the run [yr].
    problems
        Where to note.
    """
    laws = {item.name: item.distribution for item in inputs}
    names = [layer.thickness for layer in layering.layers]
    if names and COVER in laws and all(name in laws for name in names):
        total, cover = math.fsum(laws[name].mean for name in names), laws[COVER].mean
        if total >= cover:
            problems.add(
                ("layer",),
                f"the layers are together {total:.4g} mm thick on average: must be below the mean "
                f"cover of {cover:.4g} mm, since what lies deeper does not reach the answer",
            )
    life = laws.get(layering.coating.life) if layering.coating is not None else None
    if life is not None and not life.mean < horizon:
        problems.add(
            ("coating", "life"),
            f"has a mean of {life.mean:.4g} yr: must be below the horizon, {horizon:g} yr; the run "
            "would never see the coating end. Raise sampling.horizon if that life is meant",
        )
    if not layering.numerical:
        return
    what = "coating with credit = true" if layering.coating is not None else "layer"
    if service.history is not None:
        problems.add(
            ("exposure", "surface_history"),
            f"cannot be combined with a {what}: the numerical solution holds for a surface content "
            "that is constant",
        )
    if service.first_month is not None and layering.coating is not None:
        problems.add(
            ("exposure", "first_exposure"),
            f"cannot be combined with a {what}, whose resistance would follow the seasons too; "
            "leave it out for the mean of the monthly factors",
        )
    if service.extent is not None:
        problems.add(
            ("extent",), f"cannot be combined with a {what}: a face would be solved cell by cell"
        )


def credit_warning(layering: Layering) -> str:
    """Return a sentence where a coating counts, else "".

    Parameters
    ----------
    layering
        What the file says of layers and coating.

    Returns
    -------
    The sentence, which every command shows.
    """
    if layering.coating is None:
        return ""
    return (
        "Credit is taken for the coating, as coating.credit asks. The evidence for how long one "
        "keeps chloride out is thin: look at the wall with credit = false too."
    )


def numerical_sampling(layering: Layering, sampling: Sampling) -> tuple[Sampling, str]:
    """Keep the sample of a numerical solution manageable.

    Parameters
    ----------
    layering
        What the file says of layers and coating.
    sampling
        Sizes that the file asks for.

    Returns
    -------
    The sizes to use, and a sentence where they are smaller, else "".
    """
    if not layering.numerical or sampling.points <= MOST_POINTS:
        return sampling, ""
    return dataclasses.replace(sampling, points=MOST_POINTS), (
        f"sampling.points: {MOST_POINTS} points a repeat are used instead of {sampling.points}, "
        "since every front is a numerical solution; the sampling interval is that of the smaller "
        "sample."
    )
