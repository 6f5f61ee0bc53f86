"""Makes rows of the template from a company's own tables and what their columns were said to mean."""

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Final

from fleet.models import PartRole
from fleet.workbook.columns import Column, Kind, Sheet
from fleet.workbook.columns import convert as convert_measure
from scheduling.workbook.mapping.lives import FLUSHED, FROM, Lives
from scheduling.workbook.mapping.tables import Table
from scheduling.workbook.mapping.targets import PART, role_of, said_of
from scheduling.workbook.mapping.values import (
    DateOrder,
    alike,
    commas_are_points,
    date_order_of,
    is_blank_word,
    plain_text,
    read_date,
    read_number,
)
from shared.measures import Measure
from shared.messages import Message, message

USUAL_MONTHS: Final = {
    PartRole.SEDIMENT: 6,
    PartRole.CARBON: 6,
    PartRole.CATALYTIC_CARBON: 6,
    PartRole.MEMBRANE: 24,
    PartRole.ANTISCALE: 12,
    PartRole.POST_CARBON: 12,
    PartRole.REMINERALISER: 6,
}
"""Months a new article is entered with until its rating is known (common practice). [months]"""


@dataclass(frozen=True)
class Choices:
    """What a person confirmed: the meaning of each column, by sheet, and what holds for the whole file."""

    columns: Mapping[str, Sequence[str]]
    """Targets by sheet name; a sheet that is missing is left out."""
    kinds: Mapping[str, str] = field(default_factory=dict)
    """Code of the catalogue by free-text part name (as ``alike`` has it); missing: an article is made."""
    date_order: DateOrder = DateOrder.MONTH_FIRST
    meter_measure: str = "gal"
    go_live_on: date | None = None
    """Parts that went in before it were flushed as they should be: nothing is owed for them."""
    supply: str = ""
    branch: str = ""
    use_gal_per_day: float = 50.0
    permeate_gpm: float = 0.5
    plan_name: str = "Service plan"


@dataclass(frozen=True)
class Known:
    """What the database has already, as far as the person may see it."""

    customers: Mapping[str, str] = field(default_factory=dict)
    """Code by name, both as ``alike`` has them."""
    sites: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """Code by customer code and name."""
    units: Mapping[str, str] = field(default_factory=dict)
    """Serial as it stands by serial as ``alike`` has it."""
    designs: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Use [gal/day] and permeate flow [gpm] by serial."""
    positions: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """Code of the position by serial and role."""
    kinds: Mapping[str, str] = field(default_factory=dict)
    """Role by code of the catalogue."""
    taken: frozenset[str] = frozenset()
    """Codes of customers and sites."""


@dataclass(frozen=True)
class Doubt:
    """A value that was taken, or left out, and should be looked at."""

    sheet: str
    row: int
    column: str
    value: str
    message: Message


@dataclass
class Conversion:
    """Rows of the template by sheet, and what should be looked at."""

    sheets: dict[str, list[dict[str, object]]]
    doubts: list[Doubt]

    def write_order(self, sheets: Iterable[Sheet]) -> Iterator[tuple[Sheet, list[dict[str, object]]]]:
        """Yield the sheets that have rows, in the template's order."""
        for sheet in sheets:
            if self.sheets.get(sheet.name):
                yield sheet, self.sheets[sheet.name]


def convert_tables(
    tables: Sequence[Table], choices: Choices, known: Known, sheets: Sequence[Sheet]
) -> Conversion:
    """
    Make rows of the template from tables whose columns have a meaning.

    Parameters
    ----------
    tables : sequence of Table
    choices : Choices
    known : Known
        What rows may refer to beside what the file itself has.
    sheets : sequence of Sheet
        The template's, for the kinds and measures of its columns.

    Returns
    -------
    Conversion
        Values are in the first measure of their column. A row of a machine brings its customer, site, parts,
        reading, test and plan along; what can't be read is left out and told as a doubt, never guessed.
    """
    return _Converter(choices, known, {sheet.name: sheet for sheet in sheets}).convert(tables)


class _Converter:
    def __init__(self, choices: Choices, known: Known, sheets: Mapping[str, Sheet]) -> None:
        self.choices, self.known = choices, known
        self.columns = {
            f"{sheet.name}.{column.name}": column for sheet in sheets.values() for column in sheet.columns
        }
        self.rows: dict[str, dict[object, dict[str, object]]] = defaultdict(dict)
        self.doubts: list[Doubt] = []
        self.taken = set(known.taken)
        self.customers = dict(known.customers)
        self.sites = dict(known.sites)
        self.units = dict(known.units)
        self.unit_sites: dict[str, str] = {}
        self.at_site: dict[str, list[str]] = defaultdict(list)
        self.kinds = dict(known.kinds)
        self.kind_of: dict[tuple[str, str], str] = {}
        self.lives = Lives(known.positions, choices.go_live_on)
        self.here: tuple[str, int] = ("", 0)
        self.order = choices.date_order
        self.comma_is_point = False

    def convert(self, tables: Sequence[Table]) -> Conversion:
        used = [table for table in tables if any(self.choices.columns.get(table.name, ()))]
        # Past visits name machines of the other sheets, so they come last.
        used.sort(key=lambda table: "history.work" in self.choices.columns[table.name])
        for table in used:
            self._take(table, list(self.choices.columns[table.name]))
        parts, flushes = self.lives.rows(self._kind, self.kinds)
        for sheet, made in (("parts", parts), ("flushes", flushes)):
            if made:
                self.rows[sheet] = dict(enumerate(made))
        rows = {name: list(by_key.values()) for name, by_key in self.rows.items()}
        return Conversion(rows, self.doubts)

    def _take(self, table: Table, targets: list[str]) -> None:
        orders, points = {}, {}
        for index, target in enumerate(targets):
            cells = table.column(index) if target else []
            orders[index] = date_order_of(cells) or self.choices.date_order
            points[index] = commas_are_points(cells)
        for row in table.rows:
            self.here = (table.name, row.number)
            met: dict[str, object] = {}
            for index, target in enumerate(targets):
                raw = row.cells[index] if target and index < len(row.cells) else None
                if is_blank_word(raw):
                    continue
                self.order, self.comma_is_point = orders[index], points[index]
                value = self._value(target, raw, table.headers[index])
                if value is not None:
                    joined = target in met and isinstance(value, str)
                    met[target] = f"{met[target]}, {value}" if joined else value
            self._place(met)

    def _value(self, target: str, raw: object, header: str) -> object | None:
        if isinstance(raw, str) and raw.strip().startswith("#") and raw.strip().rstrip("!?").isupper():
            self._doubt(header, raw, message("This cell shows an error; it was left out."))
            return None
        column = self.columns.get(target)
        if (
            target.startswith(PART)
            or target == "history.date"
            or (column and column.kind in (Kind.DATE, Kind.MOMENT))
        ):
            day = read_date(raw, self.order)
            if day is None and re.search(r"\d", plain_text(raw)):
                self._doubt(header, raw, message("This can't be read as a date; it was left out."))
            return day
        if column is not None and column.kind in (Kind.NUMBER, Kind.WHOLE, Kind.MONEY, Kind.REGISTER):
            return self._number(column, raw, header)
        return plain_text(raw)

    def _number(self, column: Column, raw: object, header: str) -> float | str | None:
        number = read_number(raw, comma_is_point=self.comma_is_point)
        if number is None:
            self._doubt(header, raw, message("This can't be read as a number; it was left out."))
            return None
        if number.is_about:
            self._doubt(
                header, raw, message("Taken as {value:g}; the writer was not sure.", value=number.value)
            )
        value, met = number.value, number.measure or self._header_measure(header, column)
        if column.name == "design_recovery" and value > 1:
            value /= 100
        if column.kind is Kind.REGISTER:
            wanted = Measure(self.choices.meter_measure)
            return (
                convert_measure(value, met, wanted) if met in column.measures and met is not wanted else value
            )
        if not column.measures:
            return round(value, 2) if column.kind is Kind.MONEY else value
        if met is None or met not in column.measures:
            met = column.measures[0]
            if column.name == "hardness" and value <= 40:
                # Hardness over 40 mg/L is common, under 40 it is nearly always written in grains.
                met = Measure.GRAIN_PER_GAL
                self._doubt(header, raw, message("Taken as grains per gallon; no measure is given."))
        return convert_measure(value, met, column.measures[0])

    def _header_measure(self, header: str, column: Column) -> Measure | None:
        for word in re.findall(r"[\w/µ°³]+", header.lower()):
            number = read_number(f"1 {word}")
            if number is not None and number.measure in column.measures:
                return number.measure
        return None

    def _doubt(self, column: str, raw: object, text: Message) -> None:
        self.doubts.append(Doubt(*self.here, column, plain_text(raw)[:60], text))

    def _place(self, met: dict[str, object]) -> None:
        """Turn one row of the company's own into the rows it is made of."""
        if any(key.startswith("catalogue.") for key in met) and "treatment_units.serial" not in met:
            self._enter_article(met)
            return
        if "technicians.name" in met:
            name = str(met["technicians.name"])
            self._add(
                "technicians", name, code=self._code(name, "T"), name=name, branch=self.choices.branch or None
            )
            return
        customer = self._customer(met)
        site = self._site(met, customer)
        serial = self._unit(met, site)
        if "history.work" in met and "history.date" in met:
            self._note_visit(met, serial)
            return
        if serial is None:
            return
        self._enter_reading(met, serial)
        for key, value in met.items():
            if key.startswith(PART):
                role, _, number = key.removeprefix(PART).partition(".")
                kind = self._kind(self._article_in(met, role), role)
                self.lives.change(serial, role, number, value, kind, self._from())
        if "parts.kind" in met and isinstance(met.get("parts.installed_at"), datetime):
            name = str(met["parts.kind"])
            role = self._role_of(name)
            if role is None:
                self._doubt(
                    said_of("parts.kind"),
                    name,
                    message("It is not known what this part does; it was left out."),
                )
            else:
                self.lives.change(
                    serial, role, "", met["parts.installed_at"], self._kind(name, role), self._from()
                )
        price = met.get("plans.price")
        if isinstance(price, int | float) and price > 0:
            starts = (
                met.get("plans.starts_on")
                or met.get("treatment_units.commissioned_on")
                or self.choices.go_live_on
            )
            self._add(
                "plans",
                serial,
                code=f"P-{alike(serial)}"[:40],
                name=self.choices.plan_name,
                site=self.unit_sites.get(serial),
                treatment_unit=serial,
                starts_on=_day(starts),
                price=price,
            )

    def _customer(self, met: dict[str, object]) -> str | None:
        given, name = met.get("customers.code"), met.get("customers.name")
        if given is None and name is None:
            return None
        key = alike(str(name or given))
        code = self.customers.get(key) or (_code_of(str(given)) if given else self._code(str(name), "C"))
        self.customers[key] = code
        row = self._add("customers", code, code=code, name=name or given)
        for field_name in ("email", "phone"):
            value = met.get(f"customers.{field_name}")
            if value is not None:
                row.setdefault(
                    field_name, re.split(r"[;,\s]+", str(value))[0] if field_name == "email" else value
                )
        return code

    def _site(self, met: dict[str, object], customer: str | None) -> str | None:
        given = met.get("sites.code")
        address = ", ".join(
            str(met[key]) for key in ("sites.address", "sites.area", "sites.region") if key in met
        )
        name = met.get("sites.name") or (
            " ".join(filter(None, [str(met.get("customers.name", "")), str(met.get("sites.area", ""))]))
            if address
            else None
        )
        if given is None and name is None:
            places = [code for (owner, _), code in self.sites.items() if owner == customer]
            if len(places) == 1 or customer is None:
                return places[0] if places else None
            name = met.get("customers.name")
            if name is None:
                return None
        key = (
            customer or "",
            alike(str(given or name) + ("" if met.get("sites.name") or given else address)),
        )
        code = self.sites.get(key) or (_code_of(str(given)) if given else self._code(str(name), "S"))
        self.sites[key] = code
        row = self._add(
            "sites",
            code,
            code=code,
            name=name or given,
            customer=customer,
            branch=self.choices.branch or None,
            supply=self.choices.supply or None,
        )
        if address:
            row.setdefault("address", address)
        for name_, value in met.items():
            if name_.startswith("sites.") and name_ not in (
                "sites.code",
                "sites.name",
                "sites.address",
                "sites.region",
            ):
                row.setdefault(name_.removeprefix("sites."), value)
        return code

    def _unit(self, met: dict[str, object], site: str | None) -> str | None:
        given = met.get("treatment_units.serial")
        if given is None:
            if "history.work" in met or "parts.kind" in met:
                units = self.at_site.get(site or "", [])
                return units[0] if len(units) == 1 else None
            if site is None or not any(key.startswith(("treatment_units.", PART, "meter_")) for key in met):
                return None
            given = f"{site}-{len(self.at_site[site]) + 1}"
            self._doubt(
                said_of("treatment_units.serial"),
                "",
                message("No serial number is given; it was named {serial}.", serial=given),
            )
        text, key = str(given), alike(str(given))
        serial = self.units.get(key)
        if serial is None and ("history.work" in met or site is None):
            self._doubt(
                said_of("treatment_units.serial"),
                text,
                message("No unit of this serial number is in the file or here; the row was left out."),
            )
            return None
        if serial is not None and serial != text and "history.work" not in met:
            self._doubt(
                said_of("treatment_units.serial"),
                text,
                message("Taken for the same unit as {serial}.", serial=serial),
            )
        serial = self.units.setdefault(key, serial or text)
        if site is None or "history.work" in met:
            return serial
        if self.unit_sites.get(serial, site) != site:
            self._doubt(
                said_of("treatment_units.serial"),
                text,
                message("This unit stands at another site in an earlier row; this row was left out."),
            )
            return None
        if serial not in self.unit_sites:
            self.unit_sites[serial] = site
            self.at_site[site].append(serial)
        row = self._add("treatment_units", serial, serial=serial, site=site)
        for name, value in met.items():
            if name.startswith("treatment_units.") and name != "treatment_units.serial":
                row.setdefault(
                    name.removeprefix("treatment_units."),
                    _day(value) if isinstance(value, datetime) else value,
                )
        fallback = (self.choices.use_gal_per_day, self.choices.permeate_gpm)
        use, permeate = self.known.designs.get(serial, fallback)
        row.setdefault("design_use", use)
        row.setdefault("design_permeate", permeate)
        self._enter_test(met, site)
        return serial

    def _enter_test(self, met: dict[str, object], site: str) -> None:
        tested = {
            key.removeprefix("feed_tests."): value
            for key, value in met.items()
            if key.startswith("feed_tests.")
        }
        sampled_at = tested.pop("sampled_at", None) or met.get("treatment_units.commissioned_on")
        if tested and isinstance(sampled_at, datetime):
            self._add("feed_tests", (site, sampled_at), site=site, sampled_at=sampled_at, **tested)
        elif tested:
            self._doubt(
                said_of("feed_tests.sampled_at"),
                "",
                message("The day of the feed test is not known; the test was left out."),
            )

    def _enter_reading(self, met: dict[str, object], serial: str) -> None:
        total, read_at = met.get("meter_readings.total"), met.get("meter_readings.read_at")
        if total is None:
            return
        if not isinstance(read_at, datetime):
            self._doubt(
                said_of("meter_readings.read_at"),
                total,
                message("The day of the reading is not known; the reading was left out."),
            )
            return
        meter = self._add("meters", serial, treatment_unit=serial, measure=self.choices.meter_measure)
        began = met.get("treatment_units.commissioned_on")
        began = min(began, read_at) if isinstance(began, datetime) else read_at - timedelta(days=1)
        before = meter.get("installed_at")
        meter["installed_at"] = min(before, began) if isinstance(before, datetime) else began
        self._add("meter_readings", (serial, read_at), treatment_unit=serial, read_at=read_at, total=total)

    def _enter_article(self, met: dict[str, object]) -> None:
        values = {
            key.removeprefix("catalogue."): value
            for key, value in met.items()
            if key.startswith("catalogue.")
        }
        name = str(values.get("name") or values.get("code"))
        role = self._role_of(name)
        if role is None:
            self._doubt(
                said_of("catalogue.name"),
                name,
                message("It is not known what this part does; it was left out."),
            )
            return
        code = _code_of(str(values["code"])) if "code" in values else self._kind(name, role)
        self.kinds[code] = role
        self.rows["catalogue"][code] = {
            **_article(code, name, role),
            **values,
            "code": code,
            FROM: self._from(),
        }
        self.kind_of.setdefault((alike(name), role), code)

    def _article_in(self, met: dict[str, object], role: str) -> str:
        return str(met["parts.kind"]) if "parts.kind" in met else role

    def _role_of(self, name: str) -> str | None:
        chosen = self.choices.kinds.get(alike(name))
        return self.kinds.get(chosen or "") or role_of(name)

    def _kind(self, name: str, role: str) -> str:
        """Return the article a free-text name means; a new one is made where none was chosen."""
        chosen = self.choices.kinds.get(alike(name)) or self.kind_of.get((alike(name), role))
        if chosen and self.kinds.get(chosen) == role:
            return chosen
        if alike(name) == alike(role):
            like = [code for code, its_role in self.kinds.items() if its_role == role]
            code = like[0] if len(like) == 1 else role.upper().replace("_", "-")
        else:
            code = _code_of(name)[:40]
        if code not in self.kinds:
            self.kinds[code] = role
            self._add(
                "catalogue",
                code,
                **_article(code, name if alike(name) != alike(role) else str(PartRole(role).label), role),
            )
        self.kind_of[alike(name), role] = code
        return code

    def _note_visit(self, met: dict[str, object], serial: str | None) -> None:
        work, at = str(met["history.work"]), met["history.date"]
        if serial is None:
            text = message("It is not known which unit this visit was for; it was left out.")
            self._doubt(said_of("history.work"), work, text)
        elif isinstance(at, datetime):
            self.lives.visit(serial, at, work, self._from())

    def _add(self, sheet: str, key: object, **values: object) -> dict[str, object]:
        """Return the row of a key, made where it is new; what stands in it stays."""
        row = self.rows[sheet].setdefault(key, {FROM: self._from()})
        for name, value in values.items():
            if value is not None:
                row.setdefault(name, value)
        return row

    def _from(self) -> str:
        return f"{self.here[0]} {self.here[1]}"

    def _code(self, name: str, letter: str) -> str:
        """Make a short code out of a name, one that nobody has."""
        base = f"{letter}-{_code_of(name)[:24].upper()}".rstrip("-")
        code, number = base, 1
        while code in self.taken:
            number += 1
            code = f"{base}-{number}"
        self.taken.add(code)
        return code


def _article(code: str, name: str, role: str) -> dict[str, Any]:
    article = {
        "code": code,
        "name": name,
        "role": role,
        "needs_flush": role in FLUSHED,
        "rated_months": USUAL_MONTHS.get(PartRole(role)),
    }
    if role == PartRole.MEMBRANE:
        article["membrane_type"] = "polyamide"
    return article


def _code_of(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]+", "-", plain_text(text)).strip("-") or "X"


def _day(value: object) -> object:
    return value.date() if isinstance(value, datetime) else value
