"""``manage.py reset_log_in``: for who lost the phone or the password, and for who left."""

from datetime import datetime

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from api.tokens import revoke_tokens_of
from fleet.management.passwords import ask_password
from fleet.models import AuditArea, Person, Webhook
from fleet.people import audit, services
from fleet.webhooks import hooks
from scheduling.customers.calendars import switch_off_of


class Command(BaseCommand):
    help = (
        "Set a new password, take a lost second factor away, or shut a log-in. Its sessions end; with "
        "--password and --shut also its tokens, its calendar's address and the webhooks it entered."
    )

    def add_arguments(self, parser):
        parser.add_argument("user_name")
        parser.add_argument("--password", action="store_true", help="asked for, or TAPWARD_NEW_PASSWORD")
        parser.add_argument("--second-factor", action="store_true", help="take it away")
        parser.add_argument("--shut", action="store_true", help="let this log-in in no more")

    def handle(self, *args, **options):
        wanted = [one for one in ("password", "second_factor", "shut") if options[one]]
        if not wanted:
            raise CommandError("Say what to reset: --password, --second-factor or --shut.")
        person = Person.objects.filter(username=options["user_name"]).first()
        if person is None:
            raise CommandError(
                f"There is no log-in {options['user_name']!r}. manage.py add_person makes one."
            )
        password = ask_password(person) if options["password"] else ""
        now = timezone.now()
        with transaction.atomic():
            sessions = services.end_sessions(person, keep_key=None, by=None, now=now)
            if password:
                services.change_password(person, password, keep_key=None, by=None, now=now)
            if options["second_factor"]:
                services.remove_factor(person, by=None, now=now)
            if options["shut"]:
                services.deactivate(person, by=None, now=now)
            ended = _end_keys(person, now) if password or options["shut"] else []
        told = "; ".join([f"{sessions} session{'' if sessions == 1 else 's'}", *ended])
        self.stdout.write(f"{person.username}: {', '.join(wanted).replace('_', ' ')} done. Ended: {told}.")


@transaction.atomic
def _end_keys(person: Person, now: datetime) -> list[str]:
    """End what this person's keys open without a log-in; return it, a line of the trail each."""
    entered = list(Webhook.objects.filter(made_by=person, is_on=True))
    for hook in entered:
        hooks.switch(hook, False, by="manage.py reset_log_in", now=now)
    ended = {
        "token revoked": (AuditArea.OUTSIDE, revoke_tokens_of(person, now=now)),
        "calendar switched off": (AuditArea.PEOPLE, switch_off_of(person)),
        "webhook switched off": (AuditArea.OUTSIDE, [hook.name for hook in entered]),
    }
    for what, (area, names) in ended.items():
        for name in names:
            audit.note(what, area=area, about=name, by=None, now=now)
    return [f"{what}: {name}" for what, (_, names) in ended.items() for name in names]
