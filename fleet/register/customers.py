"""Adds, changes and merges customers, with the people to speak to there."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction

from fleet.models import AuditArea, Customer, CustomerContact, FormerCustomer, Site
from fleet.people.audit import Actor
from fleet.register import rows
from shared.errors import DomainError
from shared.messages import message

CUSTOMER_DETAILS = ("name", "email", "phone", "billing_address", "wants_notices", "note")
CONTACT_DETAILS = ("name", "task", "phone", "email")


@transaction.atomic
def add_customer(
    *, actor: Actor, code: str = "", contacts: Sequence[Mapping[str, str]] = (), **details: Any
) -> Customer:
    """Add who pays; without a code it gets the next one. Takes CUSTOMER_DETAILS.

    Raises DomainError for a code that looks like another's, or a value a customer can't have.
    """
    code = code.strip() or rows.next_code(Customer, "C")
    rows.refuse_look_alike(Customer, code, what=message("customer"))
    made = rows.add(
        Customer(code=code, **details),
        what=message("customer added"),
        actor=actor,
        detail=str(details.get("name", "")),
    )
    set_contacts(made, contacts, actor=actor)
    return made


@transaction.atomic
def change_customer(
    customer: Customer, *, actor: Actor, seen: Mapping[str, Any] | None = None, **details: Any
) -> Customer:
    """Change some of CUSTOMER_DETAILS. Raises Overtaken, or DomainError for what no customer can have."""
    return rows.change(
        customer,
        details,
        known=CUSTOMER_DETAILS,
        what=message("customer changed"),
        actor=actor,
        seen=seen,
    )


@transaction.atomic
def set_contacts(customer: Customer, contacts: Sequence[Mapping[str, str]], *, actor: Actor) -> None:
    """Make these the people to speak to; each has CONTACT_DETAILS. Raises DomainError for a name twice."""
    list(Customer.objects.select_for_update().filter(pk=customer.pk).values_list("pk"))
    wanted = [{name: str(one.get(name, "")).strip() for name in CONTACT_DETAILS} for one in contacts]
    if nameless := [one for one in wanted if not one["name"] and any(one.values())]:
        raise DomainError(
            message("A contact has no name: {told}.", told=", ".join(filter(None, nameless[0].values()))),
            remedy=message("Say who it is, or clear the line."),
            field="contacts",
        )
    wanted = [one for one in wanted if one["name"]]
    names = [one["name"].casefold() for one in wanted]
    if twice := next((one["name"] for one in wanted if names.count(one["name"].casefold()) > 1), None):
        raise DomainError(
            message("{name} stands there twice.", name=twice),
            remedy=message("Keep one of the two lines."),
            field="contacts",
        )
    standing = [{name: getattr(one, name) for name in CONTACT_DETAILS} for one in customer.contacts.all()]
    if sorted(map(_told, standing)) == sorted(map(_told, wanted)):
        return
    made = [CustomerContact(customer=customer, **one) for one in wanted]
    customer.contacts.all().delete()
    for one in made:
        rows.check(one)
        one.save()
    told = f"{', '.join(map(_told, standing)) or '–'} → {', '.join(map(_told, wanted)) or '–'}"
    actor.note(message("customer's contacts changed"), area=AuditArea.FLEET, about=customer.code, detail=told)


def _told(contact: Mapping[str, str]) -> str:
    return " ".join(filter(None, (contact[name] for name in CONTACT_DETAILS)))


@transaction.atomic
def merge_customers(double: Customer, *, into: Customer, actor: Actor) -> Customer:
    """Make one customer of two that were entered for the same: sites and contacts go to ``into``.

    What ``into`` does not say is taken from the double, which stays on record and is offered no more.
    Raises DomainError for the same customer twice, one merged already, or sites of one name at both.
    """
    locked = {
        one.pk: one
        for one in Customer.objects.select_for_update(of=("self",))
        .order_by("pk")
        .filter(pk__in=[double.pk, into.pk])
    }
    if len(locked) < 2:
        raise DomainError(
            message("{name} can't be merged with itself.", name=double.name),
            remedy=message("Choose the other customer."),
            field="into",
        )
    double, into = locked[double.pk], locked[into.pk]
    for one in (double, into):
        if one.merged_into_id:
            raise DomainError(
                message("{name} ({code}) was merged already.", name=one.name, code=one.code),
                remedy=message("Go on with the customer it was merged into."),
                field="into",
            )
    mine = {name.casefold() for name in into.sites.values_list("name", flat=True)}
    if clash := next((site for site in double.sites.all() if site.name.casefold() in mine), None):
        raise DomainError(
            message("Both have a site {name!r}.", name=clash.name),
            remedy=message("Rename one of the two sites first, or move its treatment units and close it."),
            field="into",
        )
    codes = list(double.sites.order_by("code").values_list("code", flat=True))
    Site.objects.filter(customer=double).update(customer=into)
    FormerCustomer.objects.filter(customer=double).update(customer=into)
    known = {name.casefold() for name in into.contacts.values_list("name", flat=True)}
    for contact in double.contacts.all():
        if contact.name.casefold() not in known:
            CustomerContact.objects.filter(pk=contact.pk).update(customer=into)
    blanks = [
        name
        for name in ("email", "phone", "billing_address", "note")
        if not getattr(into, name) and getattr(double, name)
    ]
    for name in blanks:
        setattr(into, name, getattr(double, name))
    into.save(update_fields=blanks)
    double.merged_into = into
    double.save(update_fields=["merged_into"])
    Customer.objects.filter(merged_into=double).update(merged_into=into)
    actor.note(
        message("customers merged"),
        area=AuditArea.FLEET,
        about=into.code,
        detail=message(
            "{double} → {into}; sites: {sites}",
            double=double.code,
            into=into.code,
            sites=", ".join(codes) or "–",
        ),
    )
    return into
