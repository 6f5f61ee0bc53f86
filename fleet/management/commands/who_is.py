"""``manage.py who_is NUMBER``: whose number stands in the log."""

from django.core.management.base import BaseCommand, CommandError

from fleet.models import Person
from shared.security_log import who


class Command(BaseCommand):
    help = "Say whose number (who) stands in log lines."

    def add_arguments(self, parser):
        parser.add_argument("number")

    def handle(self, *args, **options):
        for person in Person.objects.iterator():
            if who(person.pk) == options["number"]:
                self.stdout.write(f"{person.username} ({person.role})")
                return
        raise CommandError("Nobody here has this number. It changes with TAPWARD_SECRET_KEY.")
