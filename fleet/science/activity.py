"""How much of an ion acts: activity in dilute water."""

import numpy as np

from fleet.science.columns import Floats


def divalent_activity(strength_mol_l: Floats, kelvin: Floats) -> Floats:
    """
    Return the activity coefficient of an ion of charge 2.

    Parameters
    ----------
    strength_mol_l : array
        Ionic strength, 0 to 0.5. [mol/L]
    kelvin : array
        Water temperature. [K]

    Returns
    -------
    array
        Davies coefficient; its slope, 0.509 at 25 °C, grows by 0.17 % per °C. [-]

    Source
    ------
    Davies (1962); the slope's growth is a value from memory.
    """
    slope = 0.509 * (1 + 0.0017 * (kelvin - 298.15))
    root = np.sqrt(strength_mol_l)
    return np.asarray(10 ** (-4 * slope * (root / (1 + root) - 0.3 * strength_mol_l)))
