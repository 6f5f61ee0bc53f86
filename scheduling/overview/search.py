"""Search everything: what is called so, what it is, where it is, and where it leads.

Words may be misspelled; serials and telephone numbers are compared without blanks and signs.
Whoever sees the fleet finds what lies in the own branch. A technician finds the own stops and what is on
the own van.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from django.db import connection, transaction
from django.db.models import Exists, FloatField, Func, Model, OuterRef, Q, QuerySet, Value
from django.urls import reverse
from django.utils.functional import Promise
from django.utils.http import urlencode
from django.utils.translation import gettext, gettext_lazy
from rapidfuzz import fuzz, process

from fleet.database.matching import Codes, HasWordLike, Words, has_trigrams, squeezed
from fleet.models import Customer, Meter, Part, Person, Site, TreatmentUnit
from scheduling.crew.day_load import technician_of
from scheduling.models import InvoiceBatch, Route, StockLevel, StopOrder, Technician, WorkOrder
from scheduling.visits.day import DAYS_AROUND
from shared.roles import Permission

FEWEST: Final = 3
"""Letters or figures of a search; a trigram has three."""
MOST: Final = 120
SHOWN: Final = 8
"""Of each kind."""
READ: Final = 50
"""Of each kind; the best of them are shown."""
LIKELY: Final = 0.35
"""Least word similarity (pg_trgm) of what is looked at closer; two letters exchanged in eight make 0.38."""
LIKE_ENOUGH: Final = 75
"""Least partial ratio (rapidfuzz, percent) of what is shown."""
NUMBER: Final = re.compile(r"([WB]?)0*([1-9]\d{0,8})(?:/\d+)?", re.IGNORECASE)
PHONE_END: Final = 9
"""Figures at the end of a telephone number that are compared: country and area codes come and go."""


@dataclass(frozen=True)
class Hit:
    """One thing found. ``rank``: the lower, the better it fits."""

    kind: str | Promise
    what: str
    where: str
    address: str
    rank: int = 0


@dataclass(frozen=True)
class Found:
    """An answer. ``is_like``: nothing is written so, these are written much like it."""

    hits: list[Hit]
    is_like: bool = False
    is_too_short: bool = False


@dataclass(frozen=True)
class Kind:
    """One kind of thing: own columns searched as words, those compared as codes, and how it is shown."""

    words: str | Promise
    rows: Callable[[int | None], QuerySet]
    columns: tuple[str, ...]
    codes: tuple[str, ...]
    show: Callable[[Any], tuple[str, str, str]]
    needs: Permission = Permission.SEE_FLEET
    unit: Callable[[Any], object] = lambda row: row.pk
    """What makes two rows one hit."""


@transaction.atomic
def search(text: str, *, by: Person, today: date) -> Found:
    """Return what is called so, best first within each kind; where nothing is, what is spelled like it."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # Compiling such a query takes longer than running it.
            cursor.execute("SET LOCAL jit = off")
    text = " ".join(text.split())[:MOST]
    asked = _Asked(text)
    if by.may(Permission.SEE_OWN_DAY) and not by.may(Permission.SEE_FLEET):
        return Found(_own(asked, by, today))
    numbered = list(_numbered(text, by))
    if not asked.is_long_enough:
        return Found(numbered, is_too_short=not numbered)
    kinds = [kind for kind in KINDS if by.may(kind.needs)]
    hits = numbered + [hit for kind in kinds for hit in _best(kind, _written(kind, asked, by), asked)]
    if hits:
        return Found(hits)
    return Found(
        [hit for kind in kinds if kind.columns for hit in _best(kind, _spelled_like(kind, asked, by), asked)],
        is_like=True,
    )  # fmt: skip


class _Asked:
    """What was typed, as it is compared."""

    def __init__(self, text: str):
        self.text = text.upper()
        self.words = self.text.split()
        code = squeezed(text)
        self.code = code[-PHONE_END:] if code.isdigit() else code

    @property
    def is_long_enough(self) -> bool:
        return len(self.code) >= FEWEST or any(len(word) >= FEWEST for word in self.words)

    def fit(self, values: Iterable[str]) -> int | None:
        """Return 0 for the very thing, 1 for one that begins so, 2 for one that holds it; None: neither."""
        codes = [squeezed(value) for value in values]
        if self.code and self.code in codes:
            return 0
        if self.code and any(code.startswith(self.code) for code in codes):
            return 1
        every = " ".join(values).upper()
        is_held = all(word in every for word in self.words) or (
            len(self.code) >= FEWEST and any(self.code in code for code in codes)
        )
        return 2 if self.words and is_held else None


def _written(kind: Kind, asked: _Asked, by: Person) -> list[Model]:
    rows = kind.rows(by.branch_id).alias(squeezed=Codes(*kind.codes))
    holds = Q(squeezed__contains=asked.code) if len(asked.code) >= FEWEST else Q(pk=None)
    if kind.columns:
        rows = rows.alias(written=Words(*kind.columns))
        holds |= Q(*(("written__contains", word) for word in asked.words))
    return list(rows.filter(holds).order_by()[:READ])


def _spelled_like(kind: Kind, asked: _Asked, by: Person) -> list[Model]:
    rows, text = kind.rows(by.branch_id), Words(*kind.columns)
    if has_trigrams():
        near = Func(Value(asked.text), text, function="WORD_SIMILARITY", output_field=FloatField())
        long = [word for word in asked.words if len(word) >= FEWEST]
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('pg_trgm.word_similarity_threshold', %s, true)", [str(LIKELY)])
            likely = rows.filter(*(HasWordLike(text, word) for word in long)).order_by(near.desc())
            texts = dict(likely.values_list("pk", text)[:READ])
    else:
        texts = dict(rows.order_by().values_list("pk", text))
    close = process.extract(
        asked.text, texts, scorer=fuzz.partial_ratio, score_cutoff=LIKE_ENOUGH, limit=SHOWN
    )
    places = {pk: place for place, (_, _, pk) in enumerate(close)}
    return sorted(rows.filter(pk__in=places), key=lambda row: places[row.pk])


def _best(kind: Kind, rows: list[Model], asked: _Asked) -> list[Hit]:
    hits: dict[object, Hit] = {}
    for row in rows:
        fit = asked.fit([str(getattr(row, name)) for name in (*kind.codes, *kind.columns)])
        hit = Hit(kind.words, *kind.show(row), rank=3 if fit is None else fit)
        kept = hits.setdefault(kind.unit(row), hit)
        if hit.rank < kept.rank:
            hits[kind.unit(row)] = hit
    return sorted(hits.values(), key=lambda hit: hit.rank)[:SHOWN]


def _numbered(text: str, by: Person) -> Iterator[Hit]:
    """Find orders and batches of invoices by their number, with its letter or without."""
    if not (given := NUMBER.fullmatch(text)):
        return
    letter, number = given[1].upper(), int(given[2])
    if letter != "B" and by.may(Permission.SEE_WORK):
        orders = WorkOrder.objects.filter(pk=number).select_related("site__customer", "treatment_unit")
        for order in orders.filter(site__branch_id=by.branch_id) if by.branch_id else orders:
            yield Hit(
                gettext_lazy("Work order"), f"W{order.pk:06d} {order.get_kind_display()}",
                _joined(order.treatment_unit.serial, order.site.name, order.get_state_display()),
                reverse("work_order", args=[order.pk]),
            )  # fmt: skip
    if letter != "W" and by.may(Permission.SEE_REVENUE):
        for batch in InvoiceBatch.objects.filter(pk=number):
            yield Hit(gettext_lazy("Invoices"), str(batch), f"{batch.made_at:%Y-%m-%d}", reverse("invoices"))


def _own(asked: _Asked, by: Person, today: date) -> list[Hit]:
    """Find among the stops of the own days, and the parts on the own van."""
    technician = technician_of(by.pk)
    if technician is None or not asked.text:
        return []
    around = (today - timedelta(days=DAYS_AROUND), today + timedelta(days=DAYS_AROUND))
    placed = StopOrder.objects.filter(
        stop__route__technician=technician, stop__route__is_in_force=True, stop__route__day__range=around
    ).select_related("stop__route", "order__site__customer", "order__treatment_unit")
    hits = []
    for row in placed.order_by("stop__route__day", "stop__place"):
        order, site = row.order, row.order.site
        values = [
            f"W{order.pk:06d}", str(order.pk), order.treatment_unit.serial, site.code, site.customer.phone,
            site.name, site.address, site.area, site.customer.name,
        ]  # fmt: skip
        if (fit := asked.fit(values)) is not None:
            where = _joined(order.treatment_unit.serial, site.name, site.address)
            hits.append(
                Hit(
                    gettext_lazy("My stop"), f"W{order.pk:06d} {order.get_kind_display()}",
                    _joined(f"{row.stop.route.day:%Y-%m-%d}", where),
                    reverse("close_out", args=[order.pk]), fit,
                )
            )  # fmt: skip
    for level in StockLevel.objects.filter(place__technician=technician, quantity__gt=0).select_related(
        "place", "kind"
    ):
        if (fit := asked.fit([level.lot, level.kind.code, level.kind.name])) is not None:
            hits.append(
                Hit(
                    gettext_lazy("On the van"), level.kind.name,
                    _joined(_lot(level.lot), str(level.quantity)),
                    reverse("stock_place", args=[level.place.code]), fit,
                )
            )  # fmt: skip
    return sorted(hits, key=lambda hit: hit.rank)[: 3 * SHOWN]


def _joined(*parts: str) -> str:
    return " · ".join(part for part in parts if part)


def _in_branch(rows: QuerySet, path: str) -> Callable[[int | None], QuerySet]:
    return lambda branch_id: rows.filter(**{f"{path}branch_id": branch_id}) if branch_id else rows.all()


def _customers(branch_id: int | None) -> QuerySet:
    sites = Site.objects.filter(customer=OuterRef("pk"))
    here = Exists(sites.filter(branch_id=branch_id)) | ~Exists(sites)
    return Customer.objects.filter(here) if branch_id else Customer.objects.all()


def _unit_of(row: Part | Meter) -> str:
    return _joined(row.treatment_unit.serial, row.treatment_unit.site.name)


def _show_part(part: Part) -> tuple[str, str, str]:
    serial = gettext("serial %(serial)s") % {"serial": part.serial}
    state = gettext("taken out") if part.removed_at else gettext("in place")
    return (
        _joined(part.kind.name, serial, _lot(part.lot)), _joined(_unit_of(part), state),
        reverse("treatment_unit", args=[part.treatment_unit.serial]),
    )  # fmt: skip


def _lot(lot: str) -> str:
    return gettext("lot %(lot)s") % {"lot": lot} if lot else ""


def _show_lot(part: Part) -> tuple[str, str, str]:
    return part.lot, part.kind.name, f"{reverse('recall')}?{urlencode({'lot': part.lot})}"


def _show_technician(technician: Technician) -> tuple[str, str, str]:
    route = Route.objects.filter(technician=technician, is_in_force=True).order_by("-day").first()
    address = reverse("route", args=[route.pk]) if route else reverse("proposals")
    phone = technician.person.phone if technician.person else ""
    return technician.name, _joined(technician.code, technician.branch.name, phone), address


KINDS: Final = (
    Kind(
        gettext_lazy("Customer"), _customers, ("code", "name", "email", "phone"), ("code", "phone"),
        lambda row: (row.name, _joined(row.code, row.phone, row.email),
                     reverse("customer_page", args=[row.code])),
    ),
    Kind(
        gettext_lazy("Site"), _in_branch(Site.objects.select_related("customer"), ""),
        ("code", "name", "address", "area"), ("code",),
        lambda row: (row.name, _joined(row.code, row.customer.name, row.address, row.area),
                     reverse("site_page", args=[row.code])),
    ),
    Kind(
        gettext_lazy("Treatment unit"),
        _in_branch(TreatmentUnit.objects.select_related("site__customer"), "site__"),
        ("serial", "label"), ("serial",),
        lambda row: (row.serial, _joined(row.label, row.site.name, row.site.customer.name),
                     reverse("treatment_unit", args=[row.serial])),
    ),
    Kind(
        gettext_lazy("Lot"),
        _in_branch(Part.objects.exclude(lot="").select_related("kind"), "treatment_unit__site__"),
        (), ("lot",), _show_lot, unit=lambda row: (row.lot, row.kind_id),
    ),
    Kind(
        gettext_lazy("Part"),
        _in_branch(Part.objects.select_related("kind", "treatment_unit__site"), "treatment_unit__site__"),
        (), ("serial",), _show_part,
    ),
    Kind(
        gettext_lazy("Meter"),
        _in_branch(Meter.objects.select_related("treatment_unit__site"), "treatment_unit__site__"),
        (), ("serial",),
        lambda row: (row.serial, _unit_of(row), reverse("treatment_unit", args=[row.treatment_unit.serial])),
    ),
    Kind(
        gettext_lazy("Technician"), _in_branch(Technician.objects.select_related("person", "branch"), ""),
        ("code", "name"), ("code",), _show_technician, needs=Permission.SEE_WORK,
    ),
)  # fmt: skip
