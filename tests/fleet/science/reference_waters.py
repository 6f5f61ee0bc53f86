"""A grid of waters and what PHREEQC (phreeqc.dat or pitzer.dat) says of them and their concentrates."""

from dataclasses import dataclass
from itertools import product

import numpy as np
import phreeqpython

from fleet.science.scaling import FeedWater


@dataclass
class Composition:
    """One water, mg/L; hardness and alkalinity as CaCO3, magnesium hardness a third of calcium's."""

    ph: float
    temperature_c: float
    calcium_hardness: float
    alkalinity: float
    sulfate: float
    chloride: float
    silica: float

    @property
    def tds_mg_l(self) -> float:
        """Sum of the ions with bicarbonate counted as half, as a residue is weighed."""
        calcium, magnesium = self.calcium_hardness / 2.497, self.calcium_hardness / 3 / 4.118
        ions = calcium + magnesium + self.sodium_mg_l + self.sulfate + self.chloride_mg_l + self.silica
        return ions + self.alkalinity * 0.6

    @property
    def sodium_mg_l(self) -> float:
        """What the anions need beside hardness."""
        return max(self._anions_less_hardness, 0.1) * 22.99

    @property
    def chloride_mg_l(self) -> float:
        """As given, or as much as hardness needs beside the other anions."""
        return self.chloride + max(0.1 - self._anions_less_hardness, 0) * 35.45

    @property
    def _anions_less_hardness(self) -> float:
        anions = self.sulfate / 48.03 + self.chloride / 35.45 + self.alkalinity / 50.04
        return anions - self.calcium_hardness * (4 / 3) / 50.04


def grid() -> list[Composition]:
    """Tap and well waters: soft to very hard, cold to warm."""
    steps = product(
        (6.5, 7.0, 7.5, 8.0, 8.5), (5, 15, 25, 35), (20, 80, 200, 400), (30, 100, 300), (20, 150, 500)
    )
    return [
        Composition(ph, temperature, calcium, alkalinity, sulfate, 40 + calcium / 3, 15)
        for ph, temperature, calcium, alkalinity, sulfate in steps
    ]


def as_feed(waters: list[Composition]) -> FeedWater:
    """The same waters as our columns."""

    def column(name):
        return np.array([getattr(water, name) for water in waters], dtype=float)

    return FeedWater(
        ph=column("ph"),
        temperature_c=column("temperature_c"),
        tds_mg_l=column("tds_mg_l"),
        calcium_hardness_mg_l=column("calcium_hardness"),
        alkalinity_mg_l=column("alkalinity"),
        sulfate_mg_l=column("sulfate"),
        silica_mg_l=column("silica"),
    )


class Reference:
    """PHREEQC with one database."""

    def __init__(self, database: str = "phreeqc.dat"):
        self.engine = phreeqpython.PhreeqPython(database=database)

    def feed(self, water: Composition):
        """The water at its measured pH."""
        return self.engine.add_solution(self._totals(water, 1.0) | {"pH": water.ph})

    def concentrate(self, water: Composition, factor: float):
        """All held back but carbon dioxide, which stays as it was; pH follows."""
        feed = self.feed(water)
        dioxide = feed.species["CO2"] * 1000
        held_back = feed.elements["C(4)"] * 1000 - dioxide
        feed.forget()
        carbon = dioxide + held_back * factor
        return self.engine.add_solution(
            self._totals(water, factor)
            | {"pH": water.ph + np.log10(factor), "C(4)": f"{carbon * 12.011} as C"}
        )

    def _totals(self, water: Composition, factor: float) -> dict:
        return {
            "temp": water.temperature_c,
            "units": "mg/L",
            "Ca": water.calcium_hardness / 2.497 * factor,
            "Mg": water.calcium_hardness / 3 / 4.118 * factor,
            "Na": water.sodium_mg_l * factor,
            "Cl": f"{water.chloride_mg_l * factor} charge",
            "S(6)": f"{water.sulfate * factor} as SO4",
            "Alkalinity": f"{water.alkalinity * factor} as CaCO3",
            "Si": f"{water.silica * factor} as SiO2",
        }
