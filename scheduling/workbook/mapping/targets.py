"""What a column of a company's own spreadsheet can mean, guessed from its header and values."""

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from django.utils.translation import gettext_lazy
from rapidfuzz import fuzz

from scheduling.workbook.mapping.tables import Table
from scheduling.workbook.mapping.values import DateOrder, plain_text, read_date, read_number

LIKELY = 78
"""Likeness of a header with a word from which the two are taken to mean the same. [0 to 100]"""
LOOKED_AT = 60
"""Cells of a column that are looked at to know its kind."""
Shape = Callable[[object], bool]
_WORDS: Final = tomllib.loads(Path(__file__).with_name("words.toml").read_text("utf-8"))


def _is_date(raw: object) -> bool:
    return read_date(raw, DateOrder.MONTH_FIRST) is not None


def _is_number(raw: object) -> bool:
    return read_number(raw) is not None or read_number(raw, comma_is_point=True) is not None


def _is_email(raw: object) -> bool:
    return bool(re.fullmatch(r"[^@\s]+@[^@\s]+\.[^@\s]+", plain_text(raw)))


def _is_phone(raw: object) -> bool:
    text = plain_text(raw)
    return bool(re.fullmatch(r"[\d\s()+./x-]{6,25}", text)) and sum(c.isdigit() for c in text) >= 6


def _is_text(raw: object) -> bool:
    return isinstance(raw, str) and any(c.isalpha() for c in raw)


def _is_code(raw: object) -> bool:
    return bool(re.fullmatch(r"[\w\s./-]{1,40}", plain_text(raw))) and not _is_date_text(raw)


def _is_date_text(raw: object) -> bool:
    return not isinstance(raw, int | float) and _is_date(raw)


@dataclass(frozen=True)
class Target:
    """One thing a column can hold."""

    key: str
    label: object
    words: tuple[str, ...]
    shape: Shape
    is_joined: bool = False
    """Several columns of a table may hold it; their texts are joined."""


def _t(key: str, label: object, shape: Shape, *, is_joined: bool = False) -> Target:
    return Target(key, label, tuple(_WORDS["columns"][key]), shape, is_joined)


TARGETS: Final = (
    _t("customers.code", gettext_lazy("Customer: number"), _is_code),
    _t("customers.name", gettext_lazy("Customer: name"), _is_text),
    _t("customers.email", gettext_lazy("Customer: e-mail"), _is_email),
    _t("customers.phone", gettext_lazy("Customer: telephone"), _is_phone),
    _t("sites.code", gettext_lazy("Site: number"), _is_code),
    _t("sites.name", gettext_lazy("Site: name"), _is_text),
    _t("sites.address", gettext_lazy("Site: address (street and number)"), _is_text, is_joined=True),
    _t("sites.area", gettext_lazy("Site: town"), _is_text),
    _t("sites.region", gettext_lazy("Site: state, postal code, country"), _is_code, is_joined=True),
    _t("sites.latitude", gettext_lazy("Site: latitude"), _is_number),
    _t("sites.longitude", gettext_lazy("Site: longitude"), _is_number),
    _t("sites.kind", gettext_lazy("Site: kind of business"), _is_text),
    _t("sites.access_note", gettext_lazy("Site: how to get in"), _is_text, is_joined=True),
    _t("treatment_units.serial", gettext_lazy("Unit: serial number"), _is_code),
    _t("treatment_units.label", gettext_lazy("Unit: model or where it stands"), _is_text, is_joined=True),
    _t("treatment_units.commissioned_on", gettext_lazy("Unit: first day of service"), _is_date),
    _t("treatment_units.design_use", gettext_lazy("Unit: use a day"), _is_number),
    _t("treatment_units.design_permeate", gettext_lazy("Unit: permeate flow while running"), _is_number),
    _t("treatment_units.design_recovery", gettext_lazy("Unit: recovery"), _is_number),
    _t("treatment_units.note", gettext_lazy("Unit: note"), _is_text, is_joined=True),
    _t("feed_tests.sampled_at", gettext_lazy("Feed test: day"), _is_date),
    _t("feed_tests.hardness", gettext_lazy("Feed test: hardness"), _is_number),
    _t("feed_tests.free_chlorine", gettext_lazy("Feed test: free chlorine"), _is_number),
    _t("feed_tests.chloramine", gettext_lazy("Feed test: chloramine"), _is_number),
    _t("feed_tests.tds", gettext_lazy("Feed test: dissolved solids"), _is_number),
    _t("feed_tests.ph", gettext_lazy("Feed test: pH"), _is_number),
    _t("feed_tests.iron", gettext_lazy("Feed test: iron"), _is_number),
    _t("meter_readings.total", gettext_lazy("Meter: register"), _is_number),
    _t("meter_readings.read_at", gettext_lazy("Meter: day it was read"), _is_date),
    _t("history.date", gettext_lazy("Past service: day"), _is_date),
    _t("history.work", gettext_lazy("Past service: what was done"), _is_text, is_joined=True),
    _t("history.technician", gettext_lazy("Past service: by whom"), _is_text),
    _t("parts.kind", gettext_lazy("Part: name or article"), _is_text),
    _t("parts.installed_at", gettext_lazy("Part: day it went in"), _is_date),
    _t("catalogue.code", gettext_lazy("Catalogue: article number"), _is_code),
    _t("catalogue.name", gettext_lazy("Catalogue: name"), _is_text),
    _t("catalogue.rated_volume", gettext_lazy("Catalogue: rated volume"), _is_number),
    _t("catalogue.rated_months", gettext_lazy("Catalogue: rated months"), _is_number),
    _t("catalogue.cost", gettext_lazy("Catalogue: what you pay"), _is_number),
    _t("catalogue.price", gettext_lazy("Catalogue: what the customer pays"), _is_number),
    _t("plans.price", gettext_lazy("Plan: price a month"), _is_number),
    _t("plans.starts_on", gettext_lazy("Plan: first day"), _is_date),
    _t("technicians.name", gettext_lazy("Technician: name"), _is_text),
)
BY_KEY: Final = {target.key: target for target in TARGETS}


def said_of(key: str) -> str:
    """Return what a target is called on the page, where a row has no column of its own for it."""
    return str(BY_KEY[key].label)


PART: Final = "part:"
"""A column with the day a part of a role last went in is ``part:carbon``; a second one ``part:carbon.2``."""

ROLE_WORDS: Final[dict[str, list[str]]] = _WORDS["roles"]
"""Words by which people name a part of a role; the first role that fits wins."""
_ALL_FILTERS = re.compile(
    r"\b(all (the )?filters?|filters?( set| changed| replaced| change)?|filter set|cartridges"
    r"|full service|annual service|pre[- ]?filters|filtros)\b",
    re.IGNORECASE,
)
_ONLY_LOOKED = re.compile(
    r"\b(not|no|didn'?t|did not|without|next visit|ordered|order|quoted?|needs?|due)\b[^.;,]{0,25}$",
    re.IGNORECASE,
)


_PUT_OFF = re.compile(
    r"^[^.;,]{0,20}\b(next (visit|time)|ordered|needed|due|ok|okay|fine|good|not (changed|done))\b",
    re.IGNORECASE,
)


def _was_done(before: str, after: str) -> bool:
    return not _ONLY_LOOKED.search(before) and not _PUT_OFF.search(after)


def roles_in(text: str) -> set[str]:
    """Return the roles of the parts a text names as changed; none after "not", "needs", "ordered"."""
    lowered = f" {plain_text(text).lower()} "
    found = set()
    for role, words in ROLE_WORDS.items():
        for word in sorted(words, key=len, reverse=True):
            match = re.search(rf"(?<![a-z]){re.escape(word)}(?:s|ed)?(?![a-z])", lowered)
            if match:
                if _was_done(lowered[: match.start()], lowered[match.end() :]):
                    found.add(str(role))
                # A post carbon is no carbon, and catalytic carbon no plain one.
                lowered = lowered[: match.start()] + " ; " + lowered[match.end() :]
                break
    return found


def names_all_filters(text: str) -> bool:
    """Say whether a free text speaks of the filters of a unit without naming one."""
    match = _ALL_FILTERS.search(text)
    return match is not None and _was_done(text[: match.start()], text[match.end() :])


def role_of(name: str) -> str | None:
    """Return the role of one part's free-text name."""
    for role, words in ROLE_WORDS.items():
        if any(re.search(rf"(?<![a-z]){re.escape(word)}s?(?![a-z])", name.lower()) for word in words):
            return str(role)
    return None


def guess(table: Table) -> list[str]:
    """Return the likely target of every column of a table, "" where none is likely."""
    chosen = [""] * len(table.headers)
    taken: set[str] = set()
    offers = []
    for index, header in enumerate(table.headers):
        cells = table.column(index, most=LOOKED_AT)
        if not header or not cells:
            continue
        role = role_of(header)
        if role is not None and _share(cells, _is_date) > 0.5:
            number = 1 + sum(target.startswith(PART + role) for target in chosen)
            chosen[index] = PART + role + (f".{number}" if number > 1 else "")
            continue
        offers += [
            (score, index, target) for target in TARGETS if (score := _likeness(header, cells, target))
        ]
    for _score, index, target in sorted(offers, key=lambda offer: -offer[0]):
        if not chosen[index] and (target.is_joined or target.key not in taken):
            chosen[index] = target.key
            taken.add(target.key)
    return _settled(chosen, taken)


def _settled(chosen: list[str], taken: set[str]) -> list[str]:
    """A list of past visits has a day and work; without both, its words mean something else."""
    if "history.work" in taken and "history.date" in taken:
        return ["history.work" if key == "treatment_units.note" else key for key in chosen]
    instead = {"history.date": "meter_readings.read_at" if "meter_readings.total" in taken else ""}
    if "parts.kind" in taken and "parts.installed_at" not in taken:
        instead["history.date"] = "parts.installed_at"
    return [instead.get(key, "" if key.startswith("history.") else key) for key in chosen]


def _likeness(header: str, cells: Sequence[object], target: Target) -> float:
    fits = _share(cells, target.shape)
    if fits < 0.5:
        return 0.0
    plain = re.sub(r"[^\w%/ ]+", " ", re.sub(r"[\[(].*?[\])]", " ", header.lower())).replace("_", " ").strip()
    best = max(
        max(fuzz.ratio(plain, word), 0.97 * fuzz.token_sort_ratio(plain, word), 0.9 * _within(plain, word))
        for word in target.words
    )
    return best + 5 * fits if best >= LIKELY else 0.0


def _within(header: str, word: str) -> float:
    """A longer header that has the word whole, or the other way round."""
    return 100.0 if len(word) > 2 and re.search(rf"\b{re.escape(word)}\b", header) else 0.0


def _share(cells: Sequence[object], shape: Shape) -> float:
    return sum(map(shape, cells)) / len(cells) if cells else 0.0
