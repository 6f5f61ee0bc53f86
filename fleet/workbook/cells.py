"""One cell to one value, or a refusal that says what to write instead."""

import math
import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import NamedTuple, TypeVar

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from fleet.readings.rows import FIRST_YEAR
from fleet.workbook.columns import Column, Kind, convert, listed, measure_named
from shared.measures import Measure
from shared.messages import message

T = TypeVar("T")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\s\d.,].*)?")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:(?:,\d{3})+(?=\.\d)|(?:,\d{3}){2,}(?![\d,]))")
"""Commas that can't be meant as a decimal point: another point follows, or another comma."""
ERROR = re.compile(r"#(?:N/A|[A-Z0-9/]+[!?])")
"""What a spreadsheet shows where it has no value."""
_CODE = re.compile(r"[-a-zA-Z0-9_]+")
NO_TEXT = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
"""Characters that no text has: neither XML nor PostgreSQL takes them."""
_YES = {"yes", "y", "true", "1", "x"}
_NO = {"no", "n", "false", "0"}
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class BadCell(Exception):
    """A cell that can't be read: what is wrong and what cures it."""

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy


class Register(NamedTuple):
    """A register total and the measure it was written in; None: the meter's own."""

    total: float
    measure: Measure | None


def is_blank(raw: object) -> bool:
    """Say whether a cell holds nothing."""
    return raw is None or (isinstance(raw, str) and not raw.strip())


def plain_value(raw: object) -> object:
    """Return a number of an array library as Python's own; anything else as it is."""
    return raw.item() if getattr(raw, "ndim", None) == 0 and hasattr(raw, "item") else raw


def read_cell(column: Column, header_measure: Measure | None, raw: object) -> object:
    """
    Return the value of a cell that is not blank.

    Parameters
    ----------
    column : Column
        What the cell should hold.
    header_measure : Measure or None
        The measure named in the header's brackets.
    raw : object
        Text, number, flag, date or time as the file gives it.

    Returns
    -------
    object
        Text, float, int, Decimal, bool, date, datetime (naive when the cell has no zone), time, tuple of
        weekdays, or Register. Numbers are in the measure that the table holds.

    Raises
    ------
    BadCell
        With message and remedy.
    """
    raw = plain_value(raw)
    if isinstance(raw, str):
        raw = _clean(raw)
    return _READERS[column.kind](column, header_measure, raw)


def _clean(raw: str) -> str:
    if ERROR.fullmatch(raw.strip()):
        raise BadCell(
            message("This cell shows an error, or a formula that was never computed."),
            message("Correct the formula, type the value, or empty the cell."),
        )
    if NO_TEXT.search(raw):
        raise BadCell(message("This cell holds characters that are no text."), message("Type the cell anew."))
    return raw.strip()


def _text(column: Column, _: Measure | None, raw: object) -> str:
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        raw = int(raw)
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise BadCell(message("This is no text."), message("Format the cell as text and type it anew."))
    text = str(raw)
    if len(text) > column.max_length:
        raise BadCell(
            message(
                "The text has {text} characters; {max_length} fit.",
                text=len(text),
                max_length=column.max_length,
            ),
            message("Shorten it."),
        )
    return text


def _code(column: Column, measure: Measure | None, raw: object) -> str:
    text = _text(column, measure, raw)
    if not _CODE.fullmatch(text):
        raise BadCell(
            message("A code has letters, digits, - and _ only."), message("Leave out spaces and other signs.")
        )
    return text


def _email(column: Column, measure: Measure | None, raw: object) -> str:
    text = _text(column, measure, raw)
    try:
        validate_email(text)
    except ValidationError as error:
        raise BadCell(
            message("This is no e-mail address."), message("Write it as name@example.com.")
        ) from error
    return text


def _choice(column: Column, measure: Measure | None, raw: object) -> str:
    text = _text(column, measure, raw)
    wanted = text.lower().replace(" ", "_")
    for value, label in column.choices:
        if wanted in (value.lower(), label.lower().replace(" ", "_")):
            return value
    met = measure_named(text)
    if met is not None and any(met.value == value for value, _label in column.choices):
        return met.value
    allowed = ", ".join(value for value, _label in column.choices)
    raise BadCell(
        message("This value is not known here."), message("Write one of: {allowed}.", allowed=allowed)
    )


def _split_number(raw: object) -> tuple[float, str]:
    if isinstance(raw, bool | date | time | timedelta):
        raise BadCell(message("This is no number."), message("Format the cell as a number and type it anew."))
    if isinstance(raw, int | float | Decimal):
        return float(raw), ""
    text = _THOUSANDS.sub(lambda found: found[0].replace(",", ""), str(raw), count=1)
    match = _NUMBER.fullmatch(text)
    if match is None and "," in text:
        remedy = message("Write digits with a point, without thousands separators.")
        raise BadCell(message("A comma can be read in two ways."), remedy)
    if match is None:
        raise BadCell(message("This is no number."), message("Write digits only."))
    return float(match[1]), match[2] or ""


def _check_range(column: Column, value: float, measure: Measure | None) -> None:
    named = f" {measure.value}" if measure else ""
    if not math.isfinite(value):
        raise BadCell(
            message("This is no number that can be counted with."),
            message("Leave the cell blank if unknown."),
        )
    if column.lowest is not None and value < column.lowest:
        what = (
            message("can't be negative")
            if column.lowest == 0
            else message("can't be below {lowest:g}{named}", lowest=column.lowest, named=named)
        )
        raise BadCell(
            message("{name} {what}.", name=column.name, what=what),
            message("Check the value and its measure."),
        )
    if column.highest is not None and value > column.highest:
        raise BadCell(
            message(
                "{name} can't be above {highest:g}{named}; this value is not believable.",
                name=column.name,
                highest=column.highest,
                named=named,
            ),
            message("Check the value and its measure."),
        )


def _cell_measure(column: Column, header_measure: Measure | None, text: str) -> Measure | None:
    """Return the measure of one number; refuse a cell that contradicts its header."""
    if not text:
        return header_measure
    met = measure_named(text)
    if met is None or met not in column.measures:
        allowed = (
            message("one of {measures}", measures=listed(column.measures))
            if column.measures
            else message("the number alone")
        )
        raise BadCell(
            message("{text!r} is no measure of {name}.", text=text, name=column.name),
            message("Write {allowed}.", allowed=allowed),
        )
    if header_measure is not None and met is not header_measure:
        raise BadCell(
            message(
                "Mixed measures: the column is in {value}, this cell says {value2}.",
                value=header_measure.value,
                value2=met.value,
            ),
            message(
                "Write the number in {value}, or leave the brackets out of the header "
                "and give every cell its measure.",
                value=header_measure.value,
            ),
        )
    return met


def _number(column: Column, header_measure: Measure | None, raw: object) -> float:
    value, text = _split_number(raw)
    met = _cell_measure(column, header_measure, text)
    if column.measures and met is None:
        raise BadCell(
            message("It is not said in which measure this is."),
            message(
                "Name it in the header, e.g. '{header}', or in the cell; known: {measures}.",
                header=column.header,
                measures=listed(column.measures),
            ),
        )
    if met is not None:
        value = convert(value, met, column.measures[0])
    _check_range(column, value, column.measures[0] if column.measures else None)
    return value


def _register(column: Column, header_measure: Measure | None, raw: object) -> Register:
    value, text = _split_number(raw)
    met = _cell_measure(column, header_measure, text)
    _check_range(column, value, met)
    return Register(value, met)


def _whole(column: Column, _: Measure | None, raw: object) -> int:
    value, text = _split_number(raw)
    if text or not math.isfinite(value) or value != int(value):
        raise BadCell(message("This is no whole number."), message("Write digits only."))
    _check_range(column, value, None)
    return int(value)


def _money(column: Column, _: Measure | None, raw: object) -> Decimal:
    value, text = _split_number(raw)
    if text:
        raise BadCell(
            message("An amount is a number alone."), message("Leave the currency out; it is the company's.")
        )
    _check_range(column, value, None)
    written = repr(raw) if isinstance(raw, float) else str(raw).replace(",", "")
    amount = Decimal(written).quantize(Decimal("0.01"))
    if abs(amount - Decimal(written)) > Decimal("1e-6"):
        raise BadCell(message("An amount has at most two decimals."), message("Round it to the cent."))
    return amount


def _flag(_column: Column, _: Measure | None, raw: object) -> bool:
    if isinstance(raw, bool):
        return raw
    text = f"{raw:g}" if isinstance(raw, float) else str(raw).lower()
    if text in _YES:
        return True
    if text in _NO:
        return False
    raise BadCell(message("This is neither yes nor no."), message("Write yes or no."))


def _moment(_column: Column, _: Measure | None, raw: object) -> datetime:
    if isinstance(raw, datetime):
        met = raw
    elif isinstance(raw, date):
        met = datetime.combine(raw, time())
    else:
        met = _iso(datetime.fromisoformat, raw, "2026-03-31 14:30")
    if met.year < FIRST_YEAR or met.year > 9000:
        raise BadCell(
            message("The year {year} is not believable.", year=met.year), message("Check the date.")
        )
    return met


def _date(column: Column, measure: Measure | None, raw: object) -> date:
    met = _moment(column, measure, raw)
    if met.time() != time():
        raise BadCell(
            message("A day without a clock time is wanted here."), message("Write it as 2026-03-31.")
        )
    return met.date()


def _clock(_column: Column, _: Measure | None, raw: object) -> time:
    if isinstance(raw, time):
        return raw
    if isinstance(raw, datetime):
        return raw.time()
    return _iso(time.fromisoformat, str(raw).zfill(5) if ":" in str(raw) else raw, "08:30")


def _iso(reader: Callable[[str], T], raw: object, example: str) -> T:
    try:
        if not isinstance(raw, str) or raw.isdigit():
            raise ValueError
        return reader(raw)
    except ValueError as error:
        raise BadCell(
            message("This is no date or time that can be read in one way only."),
            message("Write it as {example}, or use a real date cell.", example=example),
        ) from error


def _weekdays(_column: Column, _: Measure | None, raw: object) -> tuple[int, ...]:
    if isinstance(raw, float | int) and not isinstance(raw, bool):
        raw = f"{raw:g}"
    days = set()
    for word in re.split(r"[\s,;]+", str(raw).strip()):
        short = word.lower()[:3]
        if short in WEEKDAYS:
            days.add(WEEKDAYS.index(short))
        elif word in "0123456" and len(word) == 1:
            days.add(int(word))
        else:
            raise BadCell(
                message("{word!r} is no weekday.", word=word),
                message("Write Mon Tue Wed Thu Fri Sat Sun, or 0 to 6."),
            )
    return tuple(sorted(days))


_READERS: dict[Kind, Callable[[Column, Measure | None, object], object]] = {
    Kind.TEXT: _text,
    Kind.CODE: _code,
    Kind.EMAIL: _email,
    Kind.CHOICE: _choice,
    Kind.NUMBER: _number,
    Kind.WHOLE: _whole,
    Kind.MONEY: _money,
    Kind.FLAG: _flag,
    Kind.DATE: _date,
    Kind.MOMENT: _moment,
    Kind.CLOCK: _clock,
    Kind.WEEKDAYS: _weekdays,
    Kind.REGISTER: _register,
}
