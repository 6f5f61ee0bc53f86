"""``manage.py reset_log_in``: for who lost the phone or the password, and for who left."""

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from api.keys import KEPT_PAGES, end_keys
from fleet.management.passwords import ask_password
from fleet.models import Person
from fleet.people import services


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
            way = "manage.py reset_log_in"
            ended = end_keys(person, by=None, way=way, now=now) if password or options["shut"] else []
        told = "; ".join([f"{sessions} session{'' if sessions == 1 else 's'}", *ended, KEPT_PAGES])
        self.stdout.write(f"{person.username}: {', '.join(wanted).replace('_', ' ')} done. Ended: {told}.")
