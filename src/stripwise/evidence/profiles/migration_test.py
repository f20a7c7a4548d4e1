"""Which diffusivity a rapid migration test gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import constants, special

__all__ = ["migration_coefficient"]

Array = NDArray[np.float64]

COLOUR_CHANGE_CHLORIDE = 0.07
"""Chloride at which silver nitrate changes colour [mol/l]."""
CATHOLYTE_CHLORIDE = 2.0
"""Chloride of the solution at the cathode [mol/l]."""
ELECTRODE_VOLTAGE_LOSS = 2.0
"""Voltage lost at the electrodes [V]."""
FARADAY = constants.physical_constants["Faraday constant"][0]


def migration_coefficient(
    depth: ArrayLike,
    *,
    voltage: ArrayLike,
    thickness: ArrayLike,
    temperature: ArrayLike,
    hours: ArrayLike,
) -> Array:
    """Return the non-steady-state migration coefficient by the full equation of the test method.

    Parameters
    ----------
    depth
        Mean penetration depth x_d of the specimens [mm].
    voltage
        Applied voltage U, above 2 V [V].
    thickness
        Thickness L of the specimen [mm].
    temperature
        Mean of the first and last temperature of the anode solution [degC].
    hours
        Duration of the test [h].

    Returns
    -------
    D_nssm of the broadcast shape [1e-12 m2/s]; NaN where the voltage is not above 2 V or the
    depth is too small for the equation.

    Notes
    -----
    D = (R T / (z F E)) (x_d - alpha sqrt(x_d)) / t, E = (U - 2) / L,
    alpha = 2 sqrt(R T / (z F E)) erfinv(1 - 2 c_d / c_0), with c_d = 0.07 N and c_0 = 2 N.

    References
    ----------
    NT Build 492, Chloride migration coefficient from non-steady-state migration experiments, 1999,
    equations (1) to (3) (recalled).

    Examples
    --------
    >>> d = migration_coefficient(20.0, voltage=30.0, thickness=50.0, temperature=22.0, hours=24.0)
    >>> round(float(d), 2)
    9.23
    """
    x = np.asarray(depth, dtype=float) * 1e-3
    kelvin = np.asarray(temperature, dtype=float) + 273.0
    driving = np.asarray(voltage, dtype=float) - ELECTRODE_VOLTAGE_LOSS
    with np.errstate(divide="ignore", invalid="ignore"):
        length = constants.R * kelvin / FARADAY * (np.asarray(thickness) * 1e-3) / driving
        lag = (
            2.0
            * np.sqrt(length * x)
            * special.erfinv(1.0 - 2.0 * COLOUR_CHANGE_CHLORIDE / CATHOLYTE_CHLORIDE)
        )
        result = length * (x - lag) / (np.asarray(hours, dtype=float) * 3600.0) * 1e12
    return np.asarray(np.where((driving > 0.0) & (result > 0.0), result, np.nan))
