"""``manage.py reset_log_in``: for who lost the phone or the password, and for who left."""

import os
from getpass import getpass

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from fleet.models import Person
from fleet.people import log_ins, second_factors


class Command(BaseCommand):
    help = "Set a new password, take a lost second factor away, or shut a log-in. Its sessions end."

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
        password = self._password(person) if options["password"] else ""
        now = timezone.now()
        with transaction.atomic():
            if password:
                log_ins.change_password(person, password, keep_key=None, by=None, now=now)
            if options["second_factor"]:
                second_factors.remove(person, by=None, now=now)
            if options["shut"]:
                log_ins.shut(person, by=None, now=now)
            log_ins.end_sessions(person, keep_key=None, by=None, now=now)
        self.stdout.write(f"{person.username}: {', '.join(wanted).replace('_', ' ')} done; sessions ended.")

    def _password(self, person: Person) -> str:
        password = os.environ.get("TAPWARD_NEW_PASSWORD") or getpass("New password: ")
        try:
            validate_password(password, person)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        return password
