"""Array types, and the numbers that stand for words in a column."""

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class PartRole(IntEnum):
    """What a part does to the water."""

    SEDIMENT = 1
    CARBON = 2
    CATALYTIC_CARBON = 3
    MEMBRANE = 4
    SOFTENING = 5
    ANTISCALE = 6
    POST_CARBON = 7
    REMINERALISER = 8


class Water(IntEnum):
    """Which water a meter counts or a position sees."""

    FEED = 1
    PERMEATE = 2
    CONCENTRATE = 3


class MembraneType(IntEnum):
    """Polyamide is spoiled by chlorine; cellulose triacetate needs it."""

    NONE = 0
    POLYAMIDE = 1
    CELLULOSE_TRIACETATE = 2


class Limit(IntEnum):
    """What ends a part's life. The numbers index the second axis of ``PartLife.wear``."""

    VOLUME = 0
    CALENDAR = 1
    CHLORINE_DOSE = 2
    HARDNESS_LOAD = 3
    OXIDANT_EXPOSURE = 4
    PRESSURE_DROP = 5
    MEASURED_END = 6


class UseFault(IntEnum):
    """What is wrong with a meter interval (the stretch that ends at a reading)."""

    NONE = 0
    ROLLOVER = 1
    SWAP = 2
    REVERSED = 3
    STUCK = 4
    MEASURE_SLIP = 5
    OUTLIER = 6


class Readiness(IntEnum):
    """Whether a treatment unit may make water."""

    IN_SERVICE = 1
    FLUSH_OWED = 2
    BEDDING = 3
    IDLE = 4
    OUT_OF_SERVICE = 5


class OwedFlush(IntEnum):
    """Why a flush is owed."""

    NONE = 0
    CARBON_FINES = 1
    BEDDED_OVERNIGHT = 2
    MEMBRANE_STORAGE_SOLUTION = 3
    IDLE = 4
    SANITISED = 5
    SEEN_FINES = 6


class FlushKind(IntEnum):
    """What a recorded flush was for."""

    CARBON_FINES = 1
    BEDDED_OVERNIGHT = 2
    MEMBRANE_STORAGE_SOLUTION = 3
    IDLE = 4
    SANITISED = 5
    BED_STARTED = 6
    """Not a flush: the bed was left standing in feed water overnight."""


class Pattern(IntEnum):
    """What a change in normalised performance looks like."""

    NONE = 0
    COLD_WATER_ONLY = 1
    FOULING = 2
    SCALING = 3
    OXIDATION = 4
    SEAL_LEAK = 5
    COMPACTION = 6
    UNNAMED = 7
