"""What opens a door without a log-in: a person's tokens, calendar and webhooks, ended together."""

from datetime import datetime
from typing import Final

from django.db import transaction

from api.tokens import revoke_tokens_of
from fleet.models import AuditArea, Person, Webhook
from fleet.people import audit, services
from fleet.people.accounts import refuse_shutting
from fleet.webhooks import hooks
from scheduling.customers.calendars import switch_off_of
from shared.messages import Message, message

KEPT_PAGES: Final = message("pages kept on a phone: gone as soon as it has signal")
"""The phone throws them away where its calls are sent to the log-in."""


@transaction.atomic
def end_keys(person: Person, *, by: Person | None, way: str, now: datetime) -> list[Message]:
    """End what this person's keys open without a log-in; return what ended, a line of the trail each."""
    entered = list(Webhook.objects.filter(made_by=person, is_on=True))
    for hook in entered:
        hooks.switch(hook, False, by=by or way, now=now)
    ended = {
        message("token revoked"): (AuditArea.OUTSIDE, revoke_tokens_of(person, now=now)),
        message("calendar switched off"): (AuditArea.PEOPLE, switch_off_of(person)),
        message("webhook switched off"): (AuditArea.OUTSIDE, [hook.name for hook in entered]),
    }
    for what, (area, names) in ended.items():
        for name in names:
            audit.note(what, area=area, about=name, by=by, now=now)
    return [
        message("{what}: {name}", what=what, name=name)
        for what, (_, names) in ended.items()
        for name in names
    ]


@transaction.atomic
def shut_out(person: Person, *, by: Person, now: datetime) -> list[Message]:
    """Let a person in no more: sessions, tokens, calendar and the webhooks they entered end. Return them.

    Raises DomainError for the own log-in and for the last owner's.
    """
    refuse_shutting(person, by)
    services.deactivate(person, by=by, now=now)
    sessions = services.end_sessions(person, keep_key=None, by=by, now=now)
    ended = end_keys(person, by=by, way="", now=now)
    return [message("sessions: {count}", count=sessions), *ended, KEPT_PAGES]
