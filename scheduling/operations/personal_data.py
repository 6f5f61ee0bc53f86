"""Puts a mark where texts hold a person's name, in every column that people's names get into.

Erases one person: names give way to a mark; money, lots and the trail of changes stay.

All of it in one transaction. Doing it again changes nothing, unless more was kept since.
"""

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from django.db import transaction
from django.db.models import JSONField, Model, Q

from fleet.models import (
    AuditArea,
    Correction,
    Customer,
    CustomerContact,
    GeocodedAddress,
    Person,
    PersonRole,
    ReadinessChange,
    Site,
    SitePlace,
    TreatmentUnit,
    WebhookEvent,
)
from fleet.people import audit, services
from fleet.register.geocoder import address_of, digest_of
from scheduling.models import (
    Absence,
    AccessHours,
    CalendarDay,
    CloseOut,
    CloseOutPhoto,
    FieldReport,
    InvoiceLine,
    LongJob,
    NewCustomerDraft,
    Notice,
    NoticeState,
    OrderState,
    PlanPeriod,
    PlanRevision,
    PriceChange,
    Replan,
    RevenueEntry,
    RouteProposal,
    SavedView,
    SiteClosure,
    StockMovement,
    StockPlace,
    Stop,
    StopOrder,
    Technician,
    ToldVisit,
    TravelCorrection,
    TravelLeg,
    UnplacedOrder,
    WorkOrder,
    WorkOrderEvent,
)
from scheduling.operations.personal_data_rows import (
    Kind,
    Subject,
    is_served,
    names_of,
    photos_of,
    rows_pointing_at,
    trail_names_of,
)
from shared.errors import DomainError
from shared.messages import Message, message
from shared.periods import local_day

TEXTS: Final[tuple[tuple[type[Model], tuple[str, ...]], ...]] = (
    (WorkOrder, ("why", "withdrawn_because", "numbers")),
    (WorkOrderEvent, ("detail",)),
    (CloseOut, ("note", "signed_by", "undone_because", "steps")),
    (FieldReport, ("text", "offer", "answer")),
    (RouteProposal, ("problems", "progress_text", "totals")),
    (PlanRevision, ("what", "effect", "before")),
    (Replan, ("lost", "effect")),
    (Stop, ("why",)),
    (StopOrder, ("why",)),
    (UnplacedOrder, ("text",)),
    (ToldVisit, ("technician",)),
    (Notice, ("subject", "body", "calendar")),
    (StockMovement, ("note",)),
    (StockPlace, ("name",)),
    (RevenueEntry, ("text",)),
    (InvoiceLine, ("text", "customer_name", "site_name")),
    (PlanPeriod, ("why",)),
    (LongJob, ("given", "answer", "problem")),
    (TravelCorrection, ("because",)),
    (Absence, ("reason",)),
    (SiteClosure, ("reason",)),
    (CalendarDay, ("reason",)),
    (PriceChange, ("chosen",)),
    (SavedView, ("name", "query")),
    (TreatmentUnit, ("label", "note", "out_of_service_reason", "retired_because")),
    (CustomerContact, ("name", "task", "phone")),
    (NewCustomerDraft, ("fields",)),
    (ReadinessChange, ("because",)),
    (Correction, ("reason",)),
    (WebhookEvent, ("body",)),
)
"""A test walks every text column and asks that it stand here, or be named as one that holds no names."""
_BATCH: Final = 500


def put_marks(marks: Mapping[str, str]) -> int:
    """Replace each word by its mark, whole words only, whatever the case. Returns how many rows changed.

    Parameters
    ----------
    marks : mapping of word to mark
        Longer words first, so that a name within a longer one does not break it.
    """
    if not marks:
        return 0
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in marks), re.IGNORECASE)
    by_small = {word.casefold(): mark for word, mark in marks.items()}

    def marked(text: str) -> str:
        return pattern.sub(lambda hit: by_small.get(hit[0].casefold(), "erased"), text)

    return sum(_mark_table(model, fields, marks, marked) for model, fields in TEXTS)


def _mark_table(model: type[Model], fields: tuple[str, ...], marks: Mapping[str, str], marked: Any) -> int:
    clause = Q()
    for field in fields:
        is_json = isinstance(model._meta.get_field(field), JSONField)
        for word in marks:
            clause |= Q(**{f"{field}__icontains": word})
            if is_json:
                # SQLite keeps JSON with other letters escaped.
                clause |= Q(**{f"{field}__icontains": json.dumps(word)[1:-1]})
    changed = []
    for row in model._base_manager.filter(clause).only("pk", *fields):
        before = [getattr(row, field) for field in fields]
        after = [
            _fitting(model, field, _marked_all(value, marked))
            for field, value in zip(fields, before, strict=True)
        ]
        if before != after:
            for field, value in zip(fields, after, strict=True):
                setattr(row, field, value)
            changed.append(row)
    model._base_manager.bulk_update(changed, fields, batch_size=_BATCH)
    return len(changed)


def _marked_all(value: Any, marked: Any) -> Any:
    if isinstance(value, Message):
        return Message(value.template, _marked_all(value.figures, marked))
    if isinstance(value, str):
        return marked(value)
    if isinstance(value, list):
        return [_marked_all(one, marked) for one in value]
    if isinstance(value, dict):
        return {key: _marked_all(one, marked) for key, one in value.items()}
    return value


def _fitting(model: type[Model], field: str, value: Any) -> Any:
    longest = model._meta.get_field(field).max_length
    return value[:longest] if longest and isinstance(value, str) else value


STAYS: Final = {
    Kind.LOG_IN: (
        (
            message(
                "What this person did: work closed out, plans, prices, entries of the trail, under the mark"
            ),
            message("it is the record of parts, lots and money, which must hold"),
        ),
        (
            message("Photos and signatures of visits"),
            message("they are the customers'; their places are erased"),
        ),
    ),
    Kind.TECHNICIAN: (
        (
            message("Work closed out, routes, stock moved, under the mark"),
            message("it is the record of parts, lots and money, which must hold"),
        ),
        (
            message("Photos and signatures of visits"),
            message("they are the customers'; their places are erased"),
        ),
    ),
    Kind.CUSTOMER: (
        (
            message("The customer's and sites' numbers, amounts, months and taxes of entries and invoices"),
            message("accounts are kept for as long as the law asks; names in them give way to the mark"),
        ),
        (
            message("Treatment units, parts with lot and serial, readings and feed tests"),
            message("a recall must find each lot; without name and address they tell of no person"),
        ),
        (
            message("Name and addresses while a site is open"),
            message("visits need them; close the sites (sheet “sites” of the workbook) and erase again"),
        ),
    ),
}
STAYS_ANYHOW: Final = (
    (
        message("Backups made until now"),
        message("they are erased as they grow old; restore none without erasing again"),
    ),
    (
        message("A name somebody typed in another spelling than ours"),
        message("no rule finds it; look through Activity"),
    ),
    (message("What was sent to other programs, books or people"), message("it is theirs; ask them")),
)


@dataclass(frozen=True)
class Erasure:
    """What came of it: the mark, and how many of what changed. Nothing counted: it was erased before."""

    mark: str
    counts: dict[str, int]

    @property
    def told(self) -> str:
        """Say it in words."""
        return ", ".join(f"{count} {what}" for what, count in self.counts.items()) or message(
            "nothing was left to erase"
        )


@transaction.atomic
def erase(subject: Subject, *, by: Person | None, now: datetime) -> Erasure:
    """Erase what names a person. Raises DomainError, with nothing changed, where that must wait.

    That is: oneself, the last owner who can log in, and a technician with stops to come.
    """
    type(subject.row)._base_manager.select_for_update().get(pk=subject.row.pk)
    _check(subject, by, now)
    marks = dict.fromkeys(names_of(subject), subject.mark)
    trail_names = trail_names_of(subject)
    done: Counter[str] = Counter()
    if subject.customer is not None:
        _erase_customer(subject.customer, subject.mark, done)
    else:
        if subject.technician is not None:
            _erase_technician(subject.technician, done)
        if subject.person is not None:
            _erase_log_in(subject.person, by, now, done)
    done["texts"] += put_marks(marks)
    done["entries of the trail"] += audit.put_marks(trail_names, subject.mark)
    counts = {what: count for what, count in done.items() if count}
    erasure = Erasure(subject.mark, counts)
    if counts:
        audit.note(
            message("personal data erased"),
            area=AuditArea.PEOPLE,
            about=subject.mark,
            detail=erasure.told,
            by=by,
            now=now,
        )
    return erasure


def _check(subject: Subject, by: Person | None, now: datetime) -> None:
    person = subject.person
    if person is not None and by is not None and person.pk == by.pk:
        raise DomainError(
            message("Nobody erases the own log-in."), remedy=message("Have another owner do it.")
        )
    if person is not None and person.role == PersonRole.OWNER:
        others = Person.objects.select_for_update().filter(role=PersonRole.OWNER, is_active=True)
        if not others.exclude(pk=person.pk).exists():
            raise DomainError(
                message("This is the last owner who can log in."), remedy=message("Add another owner first.")
            )
    if subject.technician is not None:
        to_come = StopOrder.objects.filter(
            is_in_force=True,
            stop__route__technician=subject.technician,
            stop__route__day__gte=local_day(now, subject.technician.branch.time_zone),
            order__state=OrderState.ON_ROUTE,
        ).count()
        if to_come:
            raise DomainError(
                message(
                    "{name} has {to_come} order{to_come2} on routes to come.",
                    name=subject.name,
                    to_come=to_come,
                    to_come2="s" if to_come > 1 else "",
                ),
                remedy=message("Re-plan those days without this technician first."),
            )


def _erase_log_in(person: Person, by: Person | None, now: datetime, done: Counter[str]) -> None:
    services.end_sessions(person, keep_key=None, by=by, now=now)
    done["things of the log-in's own"] += _delete_owned(person)
    blank = {
        "username": f"erased-{person.pk}", "first_name": "erased", "last_name": f"log-in {person.pk}",
        "email": "", "phone": "", "is_active": False, "is_staff": False, "is_superuser": False,
        "last_login": None,
    }  # fmt: skip
    if any(getattr(person, field) != value for field, value in blank.items()):
        for field, value in blank.items():
            setattr(person, field, value)
        person.set_unusable_password()
        person.save(update_fields=[*blank, "password"])
        done["log-in"] += 1


def _erase_technician(technician: Technician, done: Counter[str]) -> None:
    done["things of the technician's own"] += _delete_owned(technician)
    technician.skills.clear()
    home = (technician.start_latitude, technician.start_longitude)
    depot = (technician.branch.latitude or 0.0, technician.branch.longitude or 0.0)
    if home != depot:
        done["driving times"] += _forget_drives([home])
    code = f"erased-technician-{technician.pk}"
    blank = {
        "name": f"erased technician {technician.pk}", "code": code, "start_latitude": depot[0],
        "start_longitude": depot[1], "is_active": False,
    }  # fmt: skip
    if any(getattr(technician, field) != value for field, value in blank.items()):
        Technician.objects.filter(pk=technician.pk).update(**blank)
        done["technician"] += 1
    van = StockPlace.objects.filter(technician=technician).exclude(code=f"van-{code}")
    done["van"] += van.update(code=f"van-{code}", name=f"Van of {blank['name']}")
    photos = photos_of(Subject(Kind.TECHNICIAN, technician=technician)).exclude(latitude=None)
    done["places of photos"] += photos.update(latitude=None, longitude=None)


def _erase_customer(customer: Customer, mark: str, done: Counter[str]) -> None:
    served = is_served(customer)
    done["contacts"] += customer.contacts.all().delete()[0]
    blank = {"email": "", "phone": "", "wants_notices": False, "billing_address": "", "note": ""} | (
        {} if served else {"name": mark}
    )
    if any(getattr(customer, field) != value for field, value in blank.items()):
        Customer.objects.filter(pk=customer.pk).update(**blank)
        done["customer"] += 1
    notices = Notice.objects.filter(customer=customer)
    waiting = notices.filter(state=NoticeState.WAITING)
    done["notices held back"] += waiting.update(state=NoticeState.NOT_WANTED)
    done["notices"] += notices.exclude(to_email="", body=mark).update(
        to_email="", subject=mark, body=mark, calendar=""
    )
    visits = CloseOut.objects.filter(order__site__customer=customer)
    signed = visits.exclude(signed_by__in=["", mark]) | visits.exclude(signature="")
    done["signatures"] += CloseOut.objects.filter(pk__in=signed.values("pk")).update(
        signed_by=mark, signature=""
    )
    if not served:
        _erase_places(customer, mark, done)
        done["notes of visits"] += visits.exclude(note__in=["", mark]).update(note=mark)
        _delete_photos(photos_of(Subject(Kind.CUSTOMER, customer=customer)), done)
        _erase_field_reports(customer, mark, done)


def _erase_places(customer: Customer, mark: str, done: Counter[str]) -> None:
    sites = Site.objects.filter(customer=customer)
    asked = [digest_of(address_of(site)) for site in sites]
    done["places"] += GeocodedAddress.objects.filter(digest__in=asked).delete()[0]
    done["places"] += SitePlace.objects.filter(site__customer=customer).delete()[0]
    done["opening hours"] += AccessHours.objects.filter(site__customer=customer).delete()[0]
    done["closures"] += SiteClosure.objects.filter(site__customer=customer).delete()[0]
    done["driving times"] += _forget_drives(
        sites.exclude(latitude=None).exclude(longitude=None).values_list("latitude", "longitude")
    )
    for site in sites:
        blank = {
            "name": f"erased site {site.pk}", "address": "", "access_note": "",
            "latitude": None, "longitude": None,
        }  # fmt: skip
        if any(getattr(site, field) != value for field, value in blank.items()):
            Site.objects.filter(pk=site.pk).update(**blank)
            done["sites"] += 1
    blank = {"label": "", "note": "", "out_of_service_reason": ""}
    units = TreatmentUnit.objects.filter(site__customer=customer).exclude(**blank)
    done["notes of treatment units"] += units.update(**blank)
    retired = TreatmentUnit.objects.filter(site__customer=customer, retired_on__isnull=False)
    done["reasons of retirements"] += retired.exclude(retired_because=mark).update(retired_because=mark)


def _delete_photos(photos, done: Counter[str]) -> None:
    files = [(photo.image.storage, photo.image.name) for photo in photos]
    done["photos"] += CloseOutPhoto.objects.filter(pk__in=[photo.pk for photo in photos]).delete()[0]

    def remove_files() -> None:
        for storage, name in files:
            storage.delete(name)

    # Only once the rows are gone for good; a file left behind by a crash opens by no page.
    transaction.on_commit(remove_files)


def _erase_field_reports(customer: Customer, mark: str, done: Counter[str]) -> None:
    reports = FieldReport.objects.filter(site__customer=customer)
    files = [(row.image.storage, row.image.name) for row in reports.exclude(image="")]
    done["reports from the field"] += reports.exclude(text=mark, offer="", image="").update(
        text=mark, offer="", image=""
    )
    transaction.on_commit(lambda: [storage.delete(name) for storage, name in files])


def _delete_owned(row: Person | Technician) -> int:
    """Take away what belongs to the log-in or technician alone: views, tokens, hours, absences, calendar."""
    return sum(rows.delete()[0] for _, rows in rows_pointing_at(row, owned=True))


def _forget_drives(places) -> int:
    texts = [f"{latitude:.5f},{longitude:.5f}" for latitude, longitude in places]
    return TravelLeg.objects.filter(Q(from_place__in=texts) | Q(to_place__in=texts)).delete()[0]
