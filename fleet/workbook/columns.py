"""Which measures a column may be written in, and how people spell them.

What a sheet and a column are. Columns are taken from the models, so that the two can't drift apart.
"""

from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Final

from django.db import models

from shared.measures import Measure, from_inside, to_inside

VOLUME: Final = (Measure.GALLON, Measure.LITRE, Measure.CUBIC_METRE, Measure.CUBIC_FOOT)
BED_VOLUME: Final = (Measure.CUBIC_FOOT, Measure.LITRE, Measure.GALLON, Measure.CUBIC_METRE)
FLOW: Final = (Measure.GAL_PER_MINUTE, Measure.LITRE_PER_MINUTE)
DAILY_VOLUME: Final = (Measure.GAL_PER_DAY, Measure.LITRE_PER_DAY)
PRESSURE: Final = (Measure.PSI, Measure.BAR, Measure.KILOPASCAL)
TEMPERATURE: Final = (Measure.CELSIUS, Measure.FAHRENHEIT)
CONCENTRATION: Final = (Measure.MG_PER_LITRE,)
HARDNESS: Final = (Measure.MG_PER_LITRE, Measure.GRAIN_PER_GAL)
CONDUCTIVITY: Final = (Measure.MICROSIEMENS,)

SUFFIXES: Final = {
    "_gal_per_day": DAILY_VOLUME,
    "_gal": VOLUME,
    "_gpm": FLOW,
    "_psi": PRESSURE,
    "_c": TEMPERATURE,
    "_us_cm": CONDUCTIVITY,
    "_mg_l": CONCENTRATION,
    "_ft3": BED_VOLUME,
}
"""Ending of a table's column → the measures its sheet column may be in, the table's own first."""

_SPELLINGS: Final = {
    "gal": Measure.GALLON, "gallon": Measure.GALLON, "gallons": Measure.GALLON, "usgal": Measure.GALLON,
    "l": Measure.LITRE, "litre": Measure.LITRE, "litres": Measure.LITRE, "liter": Measure.LITRE,
    "liters": Measure.LITRE, "m3": Measure.CUBIC_METRE, "cbm": Measure.CUBIC_METRE,
    "ft3": Measure.CUBIC_FOOT, "cuft": Measure.CUBIC_FOOT, "cf": Measure.CUBIC_FOOT,
    "gpm": Measure.GAL_PER_MINUTE, "gal/min": Measure.GAL_PER_MINUTE, "l/min": Measure.LITRE_PER_MINUTE,
    "lpm": Measure.LITRE_PER_MINUTE, "gal/day": Measure.GAL_PER_DAY, "gal/d": Measure.GAL_PER_DAY,
    "gpd": Measure.GAL_PER_DAY, "l/day": Measure.LITRE_PER_DAY, "l/d": Measure.LITRE_PER_DAY,
    "psi": Measure.PSI, "bar": Measure.BAR, "kpa": Measure.KILOPASCAL, "°c": Measure.CELSIUS,
    "c": Measure.CELSIUS, "degc": Measure.CELSIUS, "°f": Measure.FAHRENHEIT, "f": Measure.FAHRENHEIT,
    "degf": Measure.FAHRENHEIT, "mg/l": Measure.MG_PER_LITRE, "mg/lascaco3": Measure.MG_PER_LITRE,
    "gpg": Measure.GRAIN_PER_GAL, "grain/gal": Measure.GRAIN_PER_GAL, "us/cm": Measure.MICROSIEMENS,
}  # fmt: skip
_SAME_SIGN: Final = str.maketrans({"³": "3", "^": None, " ": None, "µ": "u", "μ": "u", ".": None, "º": "°"})


def measure_named(text: str) -> Measure | None:
    """Return the measure a person means, None when the spelling is unknown."""
    return _SPELLINGS.get(text.translate(_SAME_SIGN).lower())


def convert(value: float, met: Measure, wanted: Measure) -> float:
    """Turn a value from one measure of a quantity into another. Same measure: the very same number."""
    if met is wanted:
        return value
    return from_inside(to_inside(value, met), wanted)


def listed(measures: tuple[Measure, ...]) -> str:
    """Name measures for a message."""
    return ", ".join(measure.value for measure in measures)


class Kind(Enum):
    """What a cell holds."""

    TEXT = auto()
    CODE = auto()
    EMAIL = auto()
    CHOICE = auto()
    NUMBER = auto()
    WHOLE = auto()
    MONEY = auto()
    FLAG = auto()
    DATE = auto()
    MOMENT = auto()
    CLOCK = auto()
    WEEKDAYS = auto()
    REGISTER = auto()
    """A number whose measure may also be the meter's own."""


@dataclass(frozen=True)
class Column:
    """One column of a sheet."""

    name: str
    kind: Kind
    what: str
    attribute: str = ""
    """The table's column; by default the same as ``name``."""
    is_required: bool = False
    measures: tuple[Measure, ...] = ()
    """Measures the header may name in brackets; the first is what the table holds."""
    lowest: float | None = None
    highest: float | None = None
    choices: tuple[tuple[str, str], ...] = ()
    max_length: int = 2000
    refers_to: str = ""
    """Name of the sheet whose code stands here."""
    is_past: bool = False
    """Something that has happened: the future is refused."""
    example: object = None

    @property
    def header(self) -> str:
        """The header as the template writes it."""
        return f"{self.name} [{self.measures[0].value}]" if self.measures else self.name


@dataclass(frozen=True)
class Sheet:
    """One sheet: its columns in order, and which of them tell two rows apart."""

    name: str
    what: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    examples: tuple[dict, ...] = field(default=())
    """More example rows; the first is made of the columns' own examples."""

    def __post_init__(self) -> None:
        names = [column.name for column in self.columns]
        if len(set(names)) < len(names) or not set(self.key) <= set(names):
            raise ValueError(f"Sheet {self.name} names a column twice, or a key that is no column.")

    def column(self, name: str) -> Column:
        """Return a column by its name."""
        return next(column for column in self.columns if column.name == name)


_KINDS: list[tuple[type[models.Field], Kind]] = [
    (models.EmailField, Kind.EMAIL),
    (models.SlugField, Kind.CODE),
    (models.CharField, Kind.TEXT),
    (models.TextField, Kind.TEXT),
    (models.BooleanField, Kind.FLAG),
    (models.FloatField, Kind.NUMBER),
    (models.DecimalField, Kind.MONEY),
    (models.IntegerField, Kind.WHOLE),
    (models.DateTimeField, Kind.MOMENT),
    (models.DateField, Kind.DATE),
    (models.TimeField, Kind.CLOCK),
]
_MOST = {
    models.PositiveSmallIntegerField: 32767.0,
    models.FloatField: 1e12,
}


def from_model(
    model: type[models.Model],
    attribute: str,
    what: str,
    *,
    example: object = None,
    required: bool = False,
    measures: tuple[Measure, ...] | None = None,
    lowest: float | None = None,
    highest: float | None = None,
    past: bool = False,
    name: str = "",
) -> Column:
    """Return the column that fills one column of a table; length, choices and kind are the table's."""
    source = model._meta.get_field(attribute)
    kind = next(kind for parent, kind in _KINDS if isinstance(source, parent))
    choices = tuple((str(value), str(label)) for value, label in (source.choices or ()) if value)
    own_name, met = _split_measure(attribute) if kind is Kind.NUMBER else (attribute, ())
    if kind in (Kind.NUMBER, Kind.WHOLE, Kind.MONEY):
        lowest = 0.0 if lowest is None else lowest
        highest = _most(source) if highest is None else highest
    return Column(
        name=name or own_name,
        kind=Kind.CHOICE if choices else kind,
        what=what,
        attribute=attribute,
        is_required=required,
        measures=met if measures is None else measures,
        lowest=lowest,
        highest=highest,
        choices=choices,
        max_length=getattr(source, "max_length", None) or 2000,
        is_past=past,
        example=example,
    )


def reference(
    name: str, sheet: str, what: str, *, required: bool = False, example: object = None, max_length: int = 60
) -> Column:
    """Return a column that names a row of another sheet by its code."""
    return Column(
        name,
        Kind.TEXT,
        what,
        name,
        is_required=required,
        refers_to=sheet,
        max_length=max_length,
        example=example,
    )


def _split_measure(attribute: str) -> tuple[str, tuple[Measure, ...]]:
    for suffix, measures in SUFFIXES.items():
        if attribute.endswith(suffix):
            return attribute.removesuffix(suffix), measures
    return attribute, ()


def _most(source: models.Field) -> float:
    if isinstance(source, models.DecimalField):
        return float(10 ** (source.max_digits - source.decimal_places)) - 1
    return next((most for parent, most in _MOST.items() if isinstance(source, parent)), 1e12)
