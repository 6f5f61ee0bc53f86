"""Reads a value as people write it: dates in several forms, "48.2K", "$24.00", "450ppm", "1.234,5"."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache

from dateutil import parser

from fleet.workbook.columns import measure_named
from shared.measures import Measure

_BLANK = {"", "-", "--", "?", "n/a", "na", "none", "nil", "unknown", "unk", "tbd", "x", "null", "s/d"}
_EXCEL_DAY_ZERO = datetime.combine(date(1899, 12, 30), time())
_EXCEL_DAYS = (20_000, 60_000)
"""1954 to 2064: a number in a column of dates that is a spreadsheet's day."""
_PARTS = re.compile(r"(\d{1,2})\s*[/.\-]\s*(\d{1,2})\s*[/.\-]\s*(\d{4}|\d{2})(?:\s+\d{1,2}:\d{2}.*)?")
_NAMED_DAY = re.compile(
    r"\d{1,2}(?:st|nd|rd|th)?[\s\-/.]*[a-z]{3,9}\.?,?[\s\-/.]*\d{2,4}"
    r"|[a-z]{3,9}\.?\s*\d{1,2}(?:st|nd|rd|th)?,?\s+\d{4}",
    re.IGNORECASE,
)
_NAMED_MONTH = re.compile(r"[a-z]{3,9}\.?\s+\d{4}", re.I)
_NUMBER = re.compile(
    r"(?P<about>[~<>≈]|ca\.?|approx\.?)?\s*(?P<sign>-)?\s*(?P<coin>[$€£])?\s*"
    r"(?P<digits>\d[\d.,'\s\u00a0]*|[.,]\d+)\s*(?P<kilo>k\b)?\s*(?P<rest>.*)",
    re.IGNORECASE,
)
_MORE_MEASURES = {
    "ppm": Measure.MG_PER_LITRE, "mg/l": Measure.MG_PER_LITRE, "gr": Measure.GRAIN_PER_GAL,
    "grain": Measure.GRAIN_PER_GAL, "grains": Measure.GRAIN_PER_GAL, "gals": Measure.GALLON,
    "ltr": Measure.LITRE, "ltrs": Measure.LITRE, "liter": Measure.LITRE,
}  # fmt: skip


class DateOrder(StrEnum):
    """What 3/4/2024 means."""

    MONTH_FIRST = "mdy"
    DAY_FIRST = "dmy"


@dataclass(frozen=True)
class Number:
    """A number as met: its measure, whether it stood as percent, and whether the writer was sure of it."""

    value: float
    measure: Measure | None = None
    is_percent: bool = False
    is_about: bool = False


def is_blank_word(raw: object) -> bool:
    """Say whether a cell holds nothing, or a word for nothing."""
    return raw is None or (isinstance(raw, str) and raw.replace("\u00a0", " ").strip().lower() in _BLANK)


def plain_text(raw: object) -> str:
    """Return a cell as text: no odd spaces, whole numbers without a point."""
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        raw = int(raw)
    if isinstance(raw, datetime):
        raw = raw.date() if raw.time() == time() else raw
    return " ".join(str("" if raw is None else raw).replace("\u00a0", " ").split())


def alike(text: str) -> str:
    """Return what look-alikes share: "ZZ 1", "zz1" and "ZZ-1" are one."""
    return re.sub(r"[\W_]+", "", text).upper()


def date_order_of(cells: Iterable[object]) -> DateOrder | None:
    """Return which order the dates of a column are in; None where both could be meant, or both are met."""
    pairs = [
        (int(m[1]), int(m[2]))
        for raw in cells
        if isinstance(raw, str) and (m := _PARTS.fullmatch(raw.strip()))
    ]
    days_first = any(first > 12 for first, _ in pairs)
    months_first = any(second > 12 for _, second in pairs)
    if days_first == months_first:
        return None
    return DateOrder.DAY_FIRST if days_first else DateOrder.MONTH_FIRST


def read_date(raw: object, order: DateOrder) -> datetime | None:
    """Return a day, or a moment, as a naive datetime; None when it can't be read as one."""
    if isinstance(raw, datetime):
        return raw.replace(tzinfo=None)
    if isinstance(raw, date):
        return datetime.combine(raw, time())
    if isinstance(raw, int | float) and not isinstance(raw, bool):
        return _EXCEL_DAY_ZERO + timedelta(days=int(raw)) if _EXCEL_DAYS[0] <= raw <= _EXCEL_DAYS[1] else None
    return _read_date(plain_text(raw), order)


@lru_cache(maxsize=50_000)
def _read_date(text: str, order: DateOrder) -> datetime | None:
    parts = _PARTS.fullmatch(text)
    is_named = _NAMED_DAY.fullmatch(text) or _NAMED_MONTH.fullmatch(text)
    if not (parts or is_named or re.fullmatch(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2})?)?", text)):
        return None
    day_first = order is DateOrder.DAY_FIRST
    if parts:
        day_first = int(parts[1]) > 12 or (day_first and int(parts[2]) <= 12)
    try:
        default = datetime.combine(date(2000, 1, 1), time())
        return parser.parse(text, dayfirst=bool(parts) and day_first, default=default).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return None


def read_number(raw: object, *, comma_is_point: bool = False) -> Number | None:
    """Return a number with what stands around it; None when it is none."""
    if isinstance(raw, bool | date | time | timedelta):
        return None
    if isinstance(raw, int | float):
        return Number(float(raw))
    match = _NUMBER.fullmatch(plain_text(raw))
    if match is None:
        return None
    digits = re.sub(r"[\s\u00a0']", "", match["digits"]).rstrip(".,")
    value = _digits(digits, comma_is_point)
    if value is None:
        return None
    rest = match["rest"].strip().rstrip("?").strip()
    is_percent = rest == "%"
    met = (
        None
        if is_percent or not rest
        else measure_named(rest) or _MORE_MEASURES.get(rest.lower().rstrip("."))
    )
    if rest and not is_percent and met is None and not _is_word_of_money(rest):
        return None
    value *= (1000 if match["kilo"] else 1) * (-1 if match["sign"] else 1)
    is_about = bool(match["about"]) or match["rest"].strip().endswith("?")
    return Number(value / 100 if is_percent else value, met, is_percent, is_about)


def commas_are_points(cells: Iterable[object]) -> bool:
    """Say whether a column writes 1234,5 for a number with a fraction."""
    texts = [plain_text(raw) for raw in cells if isinstance(raw, str)]
    points = any(re.fullmatch(r"\D*\d+(\.\d{3})*,(\d{1,2}|\d{4,})\D*", text) for text in texts)
    return points and not any(
        re.search(r",\d{3}(\.|,|\D|$)", text) and "." in text.rsplit(",", 1)[-1] for text in texts
    )


def _digits(text: str, comma_is_point: bool) -> float | None:
    if comma_is_point:
        text = text.replace(".", "").replace(",", ".")
    elif re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", text):
        text = text.replace(",", "")
    elif "," in text:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def _is_word_of_money(text: str) -> bool:
    return text.lower() in (
        "usd",
        "eur",
        "gbp",
        "/mo",
        "/month",
        "per month",
        "/yr",
        "/year",
        "monthly",
        "months",
        "mo",
    )
