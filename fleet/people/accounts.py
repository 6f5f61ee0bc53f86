"""Log-ins that an owner gives: made, changed, invited by a link that works once, shut and opened again."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.contrib.auth.tokens import default_token_generator
from django.db import transaction
from django.urls import reverse
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode

from fleet.models import AuditArea, Branch, Person, PersonRole
from fleet.people import audit
from shared.errors import DomainError
from shared.messages import message


@transaction.atomic
def add_person(
    username: str,
    *,
    role: str,
    branch: Branch | None,
    by: Person,
    now: datetime,
    first_name: str = "",
    last_name: str = "",
    phone: str = "",
) -> Person:
    """Make a log-in without a password; the person sets one by the invitation's link.

    Raises DomainError for a name that is taken, and for a branch the maker may not give.
    """
    name = username.strip()
    if not name or Person.objects.filter(username__iexact=name).exists():
        raise DomainError(
            message("The log-in {name} is taken.", name=name or "–"),
            remedy=message("Choose another name."),
            field="username",
        )
    _refuse_branch(branch, by)
    person = Person(
        username=name, role=role, branch=branch, first_name=first_name, last_name=last_name, phone=phone
    )
    person.set_unusable_password()
    person.full_clean()
    person.save()
    _note(message("log-in made"), person, person.role, by, now)
    return person


@transaction.atomic
def change_person(person: Person, changed: Mapping[str, Any], *, by: Person, now: datetime) -> Person:
    """Change name, telephone, role or branch. The trail keeps old and new role and branch.

    Raises DomainError for the own role or branch, the last owner's role, and a branch one may not give.
    """
    person = Person.objects.select_for_update(of=("self",)).select_related("branch").get(pk=person.pk)
    role, branch = changed.get("role", person.role), changed.get("branch", person.branch)
    if person.pk == by.pk and (role != person.role or branch != person.branch):
        raise DomainError(
            message("Nobody changes the own role or branch."),
            remedy=message("Ask another owner."),
            field="role",
        )
    _refuse_branch(branch, by)
    if role != PersonRole.OWNER:
        _refuse_last_owner(person)
    told = []
    for name, value in changed.items():
        old = getattr(person, name)
        if old != value:
            setattr(person, name, value)
            told.append(f"{name}: {old or '–'} → {value or '–'}" if name in ("role", "branch") else name)
    person.full_clean()
    person.save()
    if told:
        _note(message("log-in changed"), person, "; ".join(told), by, now)
    return person


@transaction.atomic
def invite(person: Person, *, by: Person, now: datetime) -> str:
    """Return the address at which a person sets the password: good once and for some days.

    Whoever has it can log in as this person, so it is shown once and kept nowhere. Raises DomainError for a
    log-in that is shut.
    """
    if not person.is_active:
        raise DomainError(
            message("The log-in {name} is shut.", name=person.username), remedy=message("Open it first.")
        )
    _note(message("invitation made"), person, "", by, now)
    uid = urlsafe_base64_encode(force_bytes(person.pk))
    return reverse("set_password", args=[uid, default_token_generator.make_token(person)])


def refuse_shutting(person: Person, by: Person) -> None:
    """Raise DomainError for the own log-in and for the last owner's."""
    if person.pk == by.pk:
        raise DomainError(message("Nobody shuts the own log-in."), remedy=message("Ask another owner."))
    _refuse_last_owner(person)


@transaction.atomic
def reopen(person: Person, *, by: Person, now: datetime) -> None:
    """Let a person in again, by a new password only."""
    person = Person.objects.select_for_update().get(pk=person.pk)
    if not person.is_active:
        person.is_active = True
        person.set_unusable_password()
        person.save(update_fields=["is_active", "password"])
        _note(message("log-in opened"), person, "", by, now)


def _refuse_branch(branch: Branch | None, by: Person) -> None:
    if by.branch_id is not None and (branch is None or branch.pk != by.branch_id):
        raise DomainError(
            message("You give log-ins of your own branch only."),
            remedy=message("Choose your branch."),
            field="branch",
        )


def _refuse_last_owner(person: Person) -> None:
    if person.role != PersonRole.OWNER or not person.is_active:
        return
    owners = Person.objects.select_for_update().filter(role=PersonRole.OWNER, is_active=True)
    if not owners.exclude(pk=person.pk).exists():
        raise DomainError(
            message("{name} is the only owner.", name=person.username),
            remedy=message("Make another person owner first."),
            field="role",
        )


def _note(what: str, person: Person, detail: str, by: Person, now: datetime) -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=person.username, detail=detail, by=by, now=now)
