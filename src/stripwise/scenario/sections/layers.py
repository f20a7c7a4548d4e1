"""The [[layer]] tables and [coating]: the face in depth."""

from __future__ import annotations

import dataclasses
import math
from types import MappingProxyType
from typing import Annotated

from stripwise.distributions.random_input import Input
from stripwise.risk.model.service_conditions import CoatingInputs, LayerInputs
from stripwise.risk.model.service_options import combination
from stripwise.risk.model.wall import COVER
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    FROM_0,
    MM,
    MM2_PER_YEAR,
    PLAIN,
    SHARE,
    YEARS,
    Flag,
    Measure,
    Random,
)
from stripwise.scenario.model import Service
from stripwise.scenario.problems import KeyPath, Problems, words
from stripwise.scenario.sections.target import Sampling
from stripwise.scenario.shapes import Logical, RandomInput, Table
from stripwise.units.quantities import Kind

__all__ = [
    "CoatingTable",
    "LayerTable",
    "Layering",
    "check_layers",
    "credit_warning",
    "numerical_sampling",
    "read_layers",
]

MOST_LAYERS = 6
MOST_POINTS = 1024
"""Points of a repeat where every front is a numerical solution."""

RESISTANCES = {
    "yr/mm": "year / mm",
    "year/mm": "year / mm",
    "d/mm": "day / mm",
    "s/m": "second / m",
    "yr/in": "year / inch",
}
RESISTANCE = Measure(
    Kind("a resistance, thickness over diffusivity", MappingProxyType(RESISTANCES), "1.5 yr/mm"),
    "yr/mm",
    RESISTANCES["yr/mm"],
)


class LayerTable(Table):
    """[[layer]]."""

    thickness: Annotated[
        RandomInput | None,
        Random(
            "Thickness of the layer, the first from the surface inwards.",
            "thickness",
            MM,
            "concrete",
            usual=(0.5, 150.0),
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 300.0),
            bounds=ABOVE_0,
            needed="such as {}, or a distribution",
            example='"10 mm"',
        ),
    ] = None
    diffusivity_factor: Annotated[
        RandomInput | None,
        Random(
            "Diffusivity over that of the concrete behind the layers.",
            "diffusivity over that of the concrete",
            PLAIN,
            "concrete",
            usual=(0.01, 20.0),
            usual_cov=(0.01, 2.0),
            usual_bounds=(0.0, 100.0),
            bounds=ABOVE_0,
            kind="knowledge",
            example="0.5",
        ),
    ] = None
    penalty_share: Annotated[
        RandomInput | None,
        Random(
            "Power p of the curing penalty k_c that acts on the layer.",
            "share of the curing penalty",
            PLAIN,
            "curing",
            usual=(0.0, 1.0),
            usual_sd=(0.005, 0.5),
            usual_bounds=(0.0, 1.0),
            bounds=SHARE,
            kind="knowledge",
            example="0.5",
        ),
    ] = None


class CoatingTable(Table):
    """[coating]."""

    credit: Annotated[
        Logical | None, Flag("Whether the coating counts; the evidence for its life is thin.")
    ] = None
    resistance: Annotated[
        RandomInput | None,
        Random(
            "Thickness of the coating over its diffusivity.",
            "resistance of the coating",
            RESISTANCE,
            "exposure",
            usual=(1e-4, 1e5),
            usual_words="0.0001 to 100,000 yr/mm",
            usual_cov=(0.01, 3.0),
            usual_bounds=(0.0, 1e6),
            bounds=ABOVE_0,
            kind="knowledge",
            missing="such as {}; or give thickness and diffusivity",
            example='"1.5 yr/mm"',
        ),
    ] = None
    thickness: Annotated[
        RandomInput | None,
        Random(
            "Thickness of the coating, together with its diffusivity.",
            "thickness of the coating",
            MM,
            "exposure",
            usual=(0.03, 10.0),
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 50.0),
            bounds=ABOVE_0,
            missing="thickness and diffusivity belong together",
            example='"0.3 mm"',
        ),
    ] = None
    diffusivity: Annotated[
        RandomInput | None,
        Random(
            "Diffusivity of the coating, together with its thickness.",
            "diffusivity of the coating",
            MM2_PER_YEAR,
            "exposure",
            usual=(1e-6 * 31.5576, 10.0 * 31.5576),
            usual_words="1e-18 to 1e-11 m^2/s",
            usual_cov=(0.01, 3.0),
            usual_bounds=(0.0, 100.0 * 31.5576),
            bounds=ABOVE_0,
            kind="knowledge",
            missing="thickness and diffusivity belong together",
            example='"1e-14 m^2/s"',
        ),
    ] = None
    life: Annotated[
        RandomInput | None,
        Random(
            "Age at which the coating ends.",
            "life of the coating",
            YEARS,
            "exposure",
            usual=(0.5, 40.0),
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 150.0),
            bounds=FROM_0,
            kind="knowledge",
            needed="when it ends, such as {}, or a distribution",
            example='"15 yr"',
        ),
    ] = None


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


def read_layers(
    tables: list[LayerTable], coating: CoatingTable | None, *, chloride: bool, problems: Problems
) -> Layering:
    """Read the layers of the face and its coating; both belong to chloride."""
    if not chloride:
        for key, there in (("layer", tables), ("coating", coating)):
            if there:
                problems.add(
                    (key,),
                    "belongs to chloride, which exposure.mechanisms does not name; name it there "
                    "or leave this out",
                )
        return Layering()
    if len(tables) > MOST_LAYERS:
        problems.add(("layer",), f"there are {len(tables)}; at most {MOST_LAYERS} are allowed")
    layers: list[LayerInputs] = []
    inputs: list[Input] = []
    for index, table in enumerate(tables[:MOST_LAYERS]):
        layer, own = _layer(table, ("layer", index), problems)
        layers.append(layer)
        inputs += own
    if coating is None:
        return Layering(tuple(layers), inputs=tuple(inputs))
    names, own = _coating(coating, problems)
    if not coating.credit:
        return Layering(tuple(layers), uncredited=True, inputs=tuple(inputs))
    return Layering(tuple(layers), names, inputs=(*inputs, *own))


def _layer(table: LayerTable, path: KeyPath, problems: Problems) -> tuple[LayerInputs, list[Input]]:
    either = ("diffusivity_factor", "penalty_share")
    found = read_keys(table, path, problems)
    if not any(getattr(table, k) is not None or problems.reported((*path, k)) for k in either):
        problems.add(path, "differs in nothing: give diffusivity_factor or penalty_share")
    names = LayerInputs(*(_name(table, path, key) for key in ("thickness", *either)))
    start = f"layer {int(path[1]) + 1}: "
    return names, [dataclasses.replace(i, label=f"{start}{i.label}") for i in inputs_of(found)]


def _name(table: Table, path: KeyPath, key: str) -> str:
    """Return the name of an input, "" where the file does not give it."""
    return "" if getattr(table, key) is None else words((*path, key))


def _coating(table: CoatingTable, problems: Problems) -> tuple[CoatingInputs, list[Input]]:
    path: KeyPath = ("coating",)
    pair = ("thickness", "diffusivity")
    given = [key for key in pair if getattr(table, key) is not None]
    if table.resistance is not None and given:
        problems.add((*path, given[0]), "is given beside resistance; give one or the other")
    elif table.resistance is None:
        for key in pair if given else ("resistance",):
            if key not in given:
                problems.missing((*path, key), declared(CoatingTable, key).need)
    found = read_keys(table, path, problems)
    names = {key: _name(table, path, key) for key in ("life", "resistance", *pair)}
    return CoatingInputs(**names), inputs_of(found)


def check_layers(
    layering: Layering, service: Service, inputs: list[Input], *, horizon: float, problems: Problems
) -> None:
    """Check layers and coating against the cover, the horizon [yr] and the other options."""
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
            combination("history", "numerical", what=what),
        )
    if service.first_month is not None and layering.coating is not None:
        problems.add(
            ("exposure", "first_exposure"),
            combination("seasons", "coating", what=what),
        )
    if service.extent is not None:
        problems.add(("extent",), combination("extent", "numerical", what=what))


def credit_warning(layering: Layering) -> str:
    """Return the sentence that every command shows where a coating counts, else ""."""
    if layering.coating is None:
        return ""
    return (
        "Credit is taken for the coating, as coating.credit asks. The evidence for how long one "
        "keeps chloride out is thin: look at the wall with credit = false too."
    )


def numerical_sampling(layering: Layering, sampling: Sampling) -> tuple[Sampling, str]:
    """Keep the sample of a numerical solution manageable; say so where it is smaller, else ""."""
    if not layering.numerical or sampling.points <= MOST_POINTS:
        return sampling, ""
    return dataclasses.replace(sampling, points=MOST_POINTS), (
        f"sampling.points: {MOST_POINTS} points a repeat are used instead of {sampling.points}, "
        "since every front is a numerical solution; the sampling interval is that of the smaller "
        "sample."
    )
