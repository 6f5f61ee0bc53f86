"""What is kept about one person: which rows, in which tables, and which words name the person.

Everything kept about one person as one file: a ZIP with JSON and the photos.

Rows of a log-in and of a technician are found by walking the tables' own keys, so a new table is not
forgotten. A customer's rows hang on sites; they are listed below, and a test holds the list to all tables.
"""

import json
import zipfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from tempfile import SpooledTemporaryFile
from typing import IO, Any, Final

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import transaction
from django.db.models import CASCADE, BinaryField, Field, Model, Q, QuerySet
from django.utils.text import capfirst

from fleet.models import (
    AuditArea,
    AuditEntry,
    Correction,
    Customer,
    CustomerContact,
    FeedTest,
    Finding,
    Flush,
    FormerCustomer,
    LastHeard,
    Meter,
    MeterReading,
    Part,
    PartState,
    PerformanceReading,
    Person,
    Position,
    ReadinessChange,
    RemovalEvidence,
    Site,
    SitePlace,
    TreatmentUnit,
    UnitState,
    UnitStay,
    UnitSwap,
)
from fleet.people import audit
from scheduling.models import (
    AccessHours,
    CloseOut,
    CloseOutPart,
    CloseOutPhoto,
    FieldReport,
    InvoiceLine,
    Notice,
    PaidLine,
    PlanPeriod,
    PlanPrice,
    PlanTerms,
    RevenueEntry,
    ServicePlan,
    SiteClosure,
    StockMovement,
    Stop,
    StopOrder,
    Technician,
    ToldVisit,
    TravelCorrection,
    UnplacedOrder,
    Visit,
    WorkOrder,
    WorkOrderEvent,
    WorkOrderPart,
)
from shared.errors import DomainError
from shared.messages import message

MOST_FOUND: Final = 50
SECRETS: Final = frozenset(
    {"password", "secret_hash", "secret_start", "salt", "old_salt", "code_hash", "body_hash", "form_hash"}
)
"""Never taken out: they open doors, or are made from what does."""
_UNIT, _ORDER = "treatment_unit__site__customer", "order__site__customer"
CUSTOMER_ROWS: Final[tuple[tuple[type[Model], str], ...]] = (
    (CustomerContact, "customer"), (FormerCustomer, "customer"), (FormerCustomer, "site__customer"),
    (UnitStay, "site__customer"), (UnitSwap, "old__site__customer"), (UnitSwap, "new__site__customer"),
    (Site, "customer"), (SitePlace, "site__customer"), (AccessHours, "site__customer"),
    (SiteClosure, "site__customer"), (TreatmentUnit, "site__customer"),
    (RemovalEvidence, "part__treatment_unit__site__customer"),
    (Position, _UNIT), (Part, _UNIT), (Meter, _UNIT), (MeterReading, _UNIT), (PerformanceReading, _UNIT),
    (LastHeard, _UNIT), (FeedTest, "site__customer"), (Flush, _UNIT), (Finding, _UNIT), (PartState, _UNIT),
    (UnitState, _UNIT), (ReadinessChange, _UNIT), (Correction, _UNIT),
    (Correction, "site__customer"), (WorkOrder, "site__customer"), (WorkOrderEvent, _ORDER),
    (WorkOrderPart, _ORDER), (Visit, "site__customer"), (CloseOut, _ORDER),
    (CloseOutPart, "close_out__order__site__customer"),
    (CloseOutPhoto, "close_out__order__site__customer"), (StockMovement, "close_out__order__site__customer"),
    (Stop, "site__customer"), (StopOrder, "stop__site__customer"), (UnplacedOrder, _ORDER),
    (FieldReport, "site__customer"),
    (ToldVisit, "site__customer"), (Notice, "customer"), (ServicePlan, "site__customer"),
    (PlanPrice, "plan__site__customer"), (PlanPeriod, "plan__site__customer"),
    (PlanTerms, "plan__site__customer"), (RevenueEntry, "site__customer"),
    (InvoiceLine, "entry__site__customer"), (PaidLine, "line__entry__site__customer"),
    (TravelCorrection, "site_a__customer"), (TravelCorrection, "site_b__customer"),
)  # fmt: skip


class Kind(StrEnum):
    """As what a person is known here."""

    LOG_IN = "log-in"
    TECHNICIAN = "technician"
    CUSTOMER = "customer"


_CODES: Final = {
    Kind.LOG_IN: (Person, "username"),
    Kind.TECHNICIAN: (Technician, "code"),
    Kind.CUSTOMER: (Customer, "code"),
}


@dataclass(frozen=True)
class Subject:
    """One person: a log-in with its technician, if any; a technician without a log-in; or a customer."""

    kind: Kind
    person: Person | None = None
    technician: Technician | None = None
    customer: Customer | None = None

    @property
    def row(self) -> Model:
        """Return the row that names the person."""
        return next(one for one in (self.person, self.technician, self.customer) if one is not None)

    @property
    def code(self) -> str:
        """Return what the row is called by."""
        return str(getattr(self.row, _CODES[self.kind][1]))

    @property
    def name(self) -> str:
        """Return the name people know."""
        return str(self.row)

    @property
    def mark(self) -> str:
        """Return what stands in the name's place once it is erased."""
        return f"erased {self.kind} {self.row.pk}"


def subject_of(row: Model) -> Subject:
    """Return the person a row stands for; a technician with a log-in is that log-in."""
    if isinstance(row, Customer):
        return Subject(Kind.CUSTOMER, customer=row)
    if isinstance(row, Technician):
        if row.person is None:
            return Subject(Kind.TECHNICIAN, technician=row)
        return Subject(Kind.LOG_IN, person=row.person, technician=row)
    return Subject(Kind.LOG_IN, person=row, technician=Technician.objects.filter(person=row).first())


def find(kind: str, code: str) -> Subject:
    """Return the person of this kind and code (user name, technician's code, customer's number).

    Raises DomainError when there is none.
    """
    model, field = _CODES[Kind(kind)]
    row = model.objects.filter(**{field: code}).first()
    if row is None:
        raise DomainError(
            message("There is no {kind} {code!r}.", kind=kind, code=code),
            remedy=message("Look the person up on the page People's data."),
        )
    return subject_of(row)


def search(words: str) -> list[Subject]:
    """Return at most 50 people whose name, code, e-mail or telephone holds the words."""
    asked = {
        Person: ("username", "first_name", "last_name", "email", "phone"),
        Technician: ("code", "name"),
        Customer: ("code", "name", "email", "phone"),
    }
    found: dict[tuple[Kind, int], Subject] = {}
    for model, fields in asked.items():
        clause = Q()
        for field in fields:
            clause |= Q(**{f"{field}__icontains": words})
        for row in model.objects.filter(clause).order_by("pk")[:MOST_FOUND]:
            one = subject_of(row)
            found.setdefault((one.kind, one.row.pk), one)
    return list(found.values())[:MOST_FOUND]


def names_of(subject: Subject) -> list[str]:
    """Return the words that name the person in texts, longest first; short ones would hit other words."""
    person, technician, customer = subject.person, subject.technician, subject.customer
    words: list[str] = []
    if person is not None:
        words += [person.get_full_name(), person.email, person.phone]
    if technician is not None:
        words += [technician.name]
    if customer is not None:
        words += [customer.name, customer.email, customer.phone]
        for contact in customer.contacts.all():
            words += [contact.name, contact.email, contact.phone]
        if not is_served(customer):
            words += Site.objects.filter(customer=customer).values_list("name", flat=True)
            words += Site.objects.filter(customer=customer).values_list("address", flat=True)
    wanted = {word.strip() for word in words if len(word.strip()) >= 4 and not word.startswith("erased ")}
    return sorted(wanted, key=lambda word: (-len(word), word))


def trail_names_of(subject: Subject) -> list[str]:
    """Return the same for the trail of changes, which also holds user names."""
    own = [subject.person.username] if subject.person is not None else []
    return [word for word in (*names_of(subject), *own) if not word.startswith("erased")]


def is_served(customer: Customer) -> bool:
    """Say whether any site of the customer is still open: then visits need its name and addresses."""
    return Site.objects.filter(customer=customer, is_closed=False).exists()


def rows_pointing_at(row: Model, *, owned: bool | None = None) -> Iterator[tuple[str, QuerySet]]:
    """Yield (table and column, rows) of every key that points at a row.

    ``owned`` keeps those that go with the row (True), or those that stay (False).
    """
    for relation in row._meta.get_fields(include_hidden=True):
        if (
            not relation.auto_created
            or relation.concrete
            or not (relation.one_to_many or relation.one_to_one)
        ):
            continue
        model, field = relation.related_model, relation.field
        if model._meta.auto_created or (owned is not None and owned != (relation.on_delete is CASCADE)):
            continue
        yield f"{model._meta.label_lower}.{field.name}", model._base_manager.filter(**{field.name: row})


def kept_about(subject: Subject) -> Iterator[tuple[str, QuerySet]]:
    """Yield (table and column, rows) of all that is kept about a person, the person's own row first."""
    for row in (subject.person, subject.technician, subject.customer):
        if row is not None:
            yield type(row)._meta.label_lower, type(row)._base_manager.filter(pk=row.pk)
    if subject.customer is not None:
        for model, path in CUSTOMER_ROWS:
            rows = model._base_manager.filter(**{path: subject.customer}).order_by("pk")
            yield f"{model._meta.label_lower}.{path}", rows
    else:
        for row in (subject.person, subject.technician):
            if row is not None:
                yield from rows_pointing_at(row)
    named = Q(pk=None)
    for word in trail_names_of(subject):
        named |= Q(about__icontains=word) | Q(detail__icontains=word)
    yield "fleet.auditentry, naming the person", AuditEntry.objects.filter(named).order_by("pk")


def photos_of(subject: Subject) -> QuerySet:
    """Return the photos taken at a customer's sites, or by a technician."""
    if subject.customer is not None:
        return CloseOutPhoto.objects.filter(close_out__order__site__customer=subject.customer)
    if subject.technician is not None:
        return CloseOutPhoto.objects.filter(close_out__technician=subject.technician)
    return CloseOutPhoto.objects.none()


def columns_taken_out(model: type[Model]) -> list[Field]:
    """Return a table's columns without secrets and without packed bytes."""
    return [
        field
        for field in model._meta.concrete_fields
        if field.name not in SECRETS and not isinstance(field, BinaryField)
    ]


def counted(subject: Subject) -> list[tuple[str, int]]:
    """Return (kind of row in plain words, how many), without those that hold nothing.

    A row that tells of the person in two ways counts twice.
    """
    found: Counter[str] = Counter()
    for _name, rows in kept_about(subject):
        found[str(rows.model._meta.verbose_name_plural)] += rows.count()
    return [(capfirst(words), count) for words, count in found.items() if count]


def as_dicts(rows: QuerySet) -> Iterator[dict[str, Any]]:
    """Yield rows with the columns that are taken out."""
    names = [field.attname for field in columns_taken_out(rows.model)]
    yield from rows.values(*names).iterator(2000)


IN_MEMORY: Final = 8 * 1024 * 1024
READ_ME: Final = """What {company} keeps about {name}, as of {now:%Y-%m-%d %H:%M} UTC.

personal-data.json holds the rows of the database by table and column that points at the person; times are
UTC. Names of quantities end in their measure (_gal, _psi, _c …). photos/ holds the pictures. Passwords, keys
and what is made from them are left out. Log lines of the server hold no names. Backups hold what the database
held when they were made.
"""


@transaction.atomic
def take_out(subject: Subject, *, by: Person | None, now: datetime) -> IO[bytes]:
    """Return the file, open at its start, and write the taking out into the trail of changes."""
    audit.note(
        message("personal data taken out"),
        area=AuditArea.PEOPLE,
        about=f"{subject.kind} {subject.row.pk}",
        by=by,
        now=now,
    )
    file = SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        told = {"company": settings.COMPANY_NAME, "name": subject.name, "now": now}
        packed.writestr("read-me.txt", READ_ME.format(**told))
        with packed.open("personal-data.json", "w") as out:
            _write_json(out, subject, now)
        for photo in photos_of(subject).order_by("pk"):
            if photo.image.storage.exists(photo.image.name):
                with photo.image.open("rb") as image:
                    packed.writestr(f"photos/{photo.pk}.jpg", image.read())
    file.seek(0)
    return file


def _write_json(out: IO[bytes], subject: Subject, now: datetime) -> None:
    """Write row by row: a site's readings of years may be many."""
    head = {"kind": str(subject.kind), "code": subject.code, "name": subject.name, "made_at": now}
    out.write(b'{"about": ' + _text(head) + b', "tables": {')
    between_tables = b"\n"
    for name, rows in kept_about(subject):
        out.write(between_tables + _text(name) + b": [")
        between_rows = b"\n"
        for row in as_dicts(rows):
            out.write(between_rows + _text(row))
            between_rows = b",\n"
        out.write(b"]")
        between_tables = b",\n"
    out.write(b"}}\n")


def _text(value: object) -> bytes:
    return json.dumps(value, cls=DjangoJSONEncoder, ensure_ascii=False).encode()
