"""Equivalent age: how many hours at the reference temperature equal an hour at another.

Both functions describe the progress of hydration in concrete that stays moist and does not
freeze; they say nothing on its strength at an early hour, which is measured in place.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError

__all__ = [
    "MATURITY_FUNCTIONS",
    "MaturityFunction",
    "arrhenius_factor",
    "equivalent_age",
    "nurse_saul_factor",
    "nurse_saul_maturity",
]

Array = NDArray[np.float64]

MaturityFunction = Literal["arrhenius", "nurse-saul"]
MATURITY_FUNCTIONS: tuple[MaturityFunction, ...] = ("arrhenius", "nurse-saul")

ZERO_CELSIUS = 273.15
"""0 degC [K]."""


def arrhenius_factor(
    temperature_c: ArrayLike, *, reference_c: float, activation_temperature: float
) -> Array:
    """Return the equivalent time per unit of time by the Arrhenius function.

    Parameters
    ----------
    temperature_c
        Concrete temperature, any shape [degC].
    reference_c
        Temperature at which an hour counts as an hour [degC].
    activation_temperature
        Apparent activation energy over the gas constant, Q [K].

    Returns
    -------
    Array of the shape of `temperature_c`; 1 at the reference temperature.

    Raises
    ------
    InputError
        If a temperature is not finite or not above absolute zero, or Q is not above 0.

    Notes
    -----
    exp(-Q (1/Ta - 1/Ts)) with Ta and Ts in kelvin.

    References
    ----------
    ASTM C1074, Estimating Concrete Strength by the Maturity Method, equivalent age function
    (Q 5000 K, Ts 23 degC). EN 1992-1-1:2004, B.10, has Q 4000 K and Ts 20 degC.

    Examples
    --------
    >>> factor = arrhenius_factor(10.0, reference_c=20.0, activation_temperature=5000.0)
    >>> round(float(factor), 4)
    0.5475
    """
    kelvin = _kelvin("temperature", temperature_c)
    if not (np.isfinite(activation_temperature) and activation_temperature > 0):
        raise InputError(
            "activation temperature", f"= {activation_temperature:g} K: must be above 0 K"
        )
    reference = _kelvin("reference temperature", reference_c)
    return np.asarray(np.exp(activation_temperature * (1.0 / reference - 1.0 / kelvin)))


def nurse_saul_factor(temperature_c: ArrayLike, *, datum_c: float, reference_c: float) -> Array:
    """Return the equivalent time per unit of time by the Nurse-Saul function.

    Parameters
    ----------
    temperature_c
        Concrete temperature, any shape [degC].
    datum_c
        Temperature at and below which nothing counts, T0 [degC].
    reference_c
        Temperature at which an hour counts as an hour [degC].

    Returns
    -------
    Array of the shape of `temperature_c`; 1 at the reference temperature, 0 up to the datum.

    Raises
    ------
    InputError
        If a temperature is not finite, or the reference is not above the datum.

    References
    ----------
    ASTM C1074, temperature-time factor, as the ratio of the factors at two temperatures.

    Examples
    --------
    >>> float(nurse_saul_factor(10.0, datum_c=0.0, reference_c=20.0))
    0.5
    """
    kelvin = _kelvin("temperature", temperature_c)
    datum, reference = _kelvin("datum temperature", datum_c), _kelvin("reference", reference_c)
    if reference <= datum:
        raise InputError(
            "reference temperature",
            f"= {reference_c:g} degC: must be above the datum {datum_c:g} degC",
        )
    return np.asarray(np.maximum(kelvin - datum, 0.0) / (reference - datum))


def equivalent_age(
    duration: ArrayLike,
    temperature_c: ArrayLike,
    *,
    function: MaturityFunction,
    reference_c: float,
    activation_temperature: float,
    datum_c: float,
) -> Array:
    """Convert durations at a temperature to durations at the reference temperature.

    Parameters
    ----------
    duration
        Durations, broadcast with `temperature_c` [any unit of time].
    temperature_c
        Concrete temperature during each [degC].
    function
        "arrhenius" or "nurse-saul".
    reference_c
        Temperature at which an hour counts as an hour [degC].
    activation_temperature
        Q of the Arrhenius function [K]; not used by the other.
    datum_c
        T0 of the Nurse-Saul function [degC]; not used by the other.

    Returns
    -------
    Array of the broadcast shape, in the unit of `duration`; the sum over a temperature record is
    its equivalent age.

    Raises
    ------
    InputError
        If the function is unknown or a temperature cannot be used.

    References
    ----------
    ASTM C1074, Estimating Concrete Strength by the Maturity Method.

    Examples
    --------
    >>> age = equivalent_age(
    ...     [12.0, 12.0], [20.0, 10.0], function="arrhenius", reference_c=20.0,
    ...     activation_temperature=5000.0, datum_c=0.0,
    ... )
    >>> round(float(age.sum()), 2)
    18.57
    """
    if function == "arrhenius":
        factor = arrhenius_factor(
            temperature_c, reference_c=reference_c, activation_temperature=activation_temperature
        )
    elif function == "nurse-saul":
        factor = nurse_saul_factor(temperature_c, datum_c=datum_c, reference_c=reference_c)
    else:
        raise InputError(
            "maturity", f"is {function!r}; must be one of {', '.join(MATURITY_FUNCTIONS)}"
        )
    return np.asarray(np.asarray(duration, dtype=float) * factor)


def nurse_saul_maturity(duration: ArrayLike, temperature_c: ArrayLike, *, datum_c: float) -> float:
    """Return the temperature-time factor of a temperature record.

    Parameters
    ----------
    duration
        Length of each interval, broadcast with `temperature_c` [any unit of time].
    temperature_c
        Mean concrete temperature of each interval [degC].
    datum_c
        Temperature at and below which nothing counts, T0 [degC].

    Returns
    -------
    Sum of (Ta - T0) dt over all intervals [degC times the unit of `duration`].

    Raises
    ------
    InputError
        If a temperature is not finite.

    References
    ----------
    ASTM C1074, Estimating Concrete Strength by the Maturity Method, temperature-time factor.

    Examples
    --------
    >>> nurse_saul_maturity(28.0, 15.0, datum_c=-11.0)
    728.0
    """
    kelvin, datum = _kelvin("temperature", temperature_c), _kelvin("datum temperature", datum_c)
    above = np.maximum(kelvin - datum, 0.0)
    return float(np.sum(np.asarray(duration, dtype=float) * above))


def _kelvin(where: str, celsius: ArrayLike) -> Array:
    kelvin = np.asarray(celsius, dtype=float) + ZERO_CELSIUS
    if not np.all(np.isfinite(kelvin) & (kelvin > 0)):
        bad = np.asarray(celsius, dtype=float)[~(np.isfinite(kelvin) & (kelvin > 0))].flat[0]
        raise InputError(where, f"= {bad:g} degC: must be finite and above -273.15 degC")
    return kelvin
