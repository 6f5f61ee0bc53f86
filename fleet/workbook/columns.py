"""Which measures a column may be written in, and how people spell them.

What a sheet and a column are. Columns are taken from the models, so that the two can't drift apart.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any, Final

from django.db import models

from shared.measures import Measure, from_inside, to_inside
from shared.roles import Permission

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
    is_own: bool = False
    """Goes into the sheet's own table as it stands; the others are for the sheet's own steps."""
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
    needs: Permission | None = None
    """What one must be allowed, beyond what the sheet needs, to fill it in."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "attribute", self.attribute or self.name)

    @property
    def header(self) -> str:
        """The header as the template writes it."""
        return f"{self.name} [{self.measures[0].value}]" if self.measures else self.name


@dataclass(frozen=True)
class Sheet:
    """One sheet, declared once: template, headers, cells, problems and writing come from it.

    ``fleet.workbook.saving`` calls the steps; a sheet has those its rules need.
    """

    name: str
    what: str
    model: type[models.Model] | None = None
    columns: tuple[Any, ...] = ()
    """Columns in order; those made by ``field`` and ``reference`` take the rest from the table."""
    key: tuple[str, ...] = ("code",)
    """Attributes that tell two rows of the table apart. The last names the column of problems with it."""
    related: tuple[str, ...] = ()
    """What is fetched with a row of the table."""
    can_be_taken_back: bool = False
    """Rows of the table that were taken back don't count."""
    thing: str = "row"
    """What a row is called in problems of rows that name it."""
    named_by: tuple[str, ...] = ()
    """Columns by which rows of other sheets name a row; by default a key of one."""
    frozen: tuple[str, ...] = ()
    """Attributes that a file does not correct once they stand."""
    frozen_remedy: str = ""
    prepare: Callable[..., None] | None = None
    """``(run, candidates)``, before their keys are looked up."""
    check: Callable[..., Iterable] | None = None
    """``(run, candidate)`` → problems of one row."""
    check_all: Callable[..., None] | None = None
    """``(run, candidates, existing)``: refuses rows that don't go together."""
    fresh: Callable[..., dict[str, object]] | None = None
    """``(run, candidate)`` → further values of a new row."""
    after: Callable[..., None] | None = None
    """``(run, sheet, outcome)``: what else a row fills."""
    write: Callable[..., None] | None = None
    """``(run, parsed)``, in place of all that."""
    needs: Permission = Permission.EDIT_FLEET
    """What one must be allowed to bring it in."""
    within: Callable[[int], models.Q] | None = None
    """Branch → the rows that somebody of it may name and correct; None: every branch shares them. Sheets
    whose key begins with a row of another sheet are bounded by that one."""

    def __post_init__(self) -> None:
        columns = tuple(c if isinstance(c, Column) else c(self.model) for c in self.columns)
        object.__setattr__(self, "columns", columns)
        object.__setattr__(self, "named_by", self.named_by or (self.key if len(self.key) == 1 else ()))
        if len({column.name for column in columns}) < len(columns):
            raise ValueError(f"Sheet {self.name} names a column twice.")

    @property
    def money(self) -> tuple[str, ...]:
        """Attributes whose changes each leave an entry in the trail: amounts, and all of a sheet of money."""
        is_all = self.needs is Permission.CORRECT_MONEY
        return tuple(c.attribute for c in self.columns if c.is_own and (is_all or c.kind is Kind.MONEY))


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


def field(
    attribute: str,
    what: str,
    example: object = None,
    *,
    of: type[models.Model] | None = None,
    kind: Kind | None = None,
    **given: Any,
) -> Callable[[Any], Column]:
    """Declare the column that fills one column of a table; length, choices and kind are the table's.

    Parameters
    ----------
    of : model or None
        The table, where it is not the sheet's own. Such a column is never required of itself.
    given
        What else ``Column`` takes, instead of what follows from the table.
    """

    def bound(model: type[models.Model]) -> Column:
        source = (of or model)._meta.get_field(attribute)
        met = kind or next(kind for parent, kind in _KINDS if isinstance(source, parent))
        choices = tuple((str(value), str(label)) for value, label in (source.choices or ()) if value)
        name, measures = _split_measure(attribute) if met is Kind.NUMBER else (attribute, ())
        taken: dict[str, Any] = {
            "name": name,
            "is_required": of is None and not (source.null or source.blank or source.has_default()),
            "measures": measures,
            "choices": choices,
            "max_length": getattr(source, "max_length", None) or 2000,
        }
        if met in (Kind.NUMBER, Kind.WHOLE, Kind.MONEY):
            taken |= {"lowest": 0.0, "highest": _most(source)}
        taken |= {"kind": Kind.CHOICE if choices else met, "is_own": of is None, "example": example}
        return Column(what=what, attribute=attribute, **taken | given)

    return bound


def reference(
    name: str, sheet: str, what: str, example: object = None, *, is_required: bool | None = None
) -> Callable[[Any], Column]:
    """Declare a column that names a row of another sheet by its code."""

    def bound(model: type[models.Model]) -> Column:
        source = next((field for field in model._meta.get_fields() if field.name == name), None)
        needed = source is None or not source.null if is_required is None else is_required
        return Column(
            name, Kind.TEXT, what, is_own=source is not None, is_required=needed, refers_to=sheet,
            max_length=60, example=example,
        )  # fmt: skip

    return bound


def _split_measure(attribute: str) -> tuple[str, tuple[Measure, ...]]:
    if attribute.removesuffix("_mg_l").endswith(("hardness", "alkalinity")):
        return attribute.removesuffix("_mg_l"), HARDNESS
    for suffix, measures in SUFFIXES.items():
        if attribute.endswith(suffix):
            return attribute.removesuffix(suffix), measures
    return attribute, ()


def _most(source: models.Field) -> float:
    if isinstance(source, models.DecimalField):
        return float(10 ** (source.max_digits - source.decimal_places)) - 1
    return 32767.0 if isinstance(source, models.PositiveSmallIntegerField) else 1e12
