"""``manage.py add_person``: a log-in with a role, from the first one on."""

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from fleet.management.passwords import ask_password
from fleet.models import AuditArea, Branch, Person, PersonRole
from fleet.people import audit


class Command(BaseCommand):
    help = "Make a log-in. The password is asked for, or read from TAPWARD_NEW_PASSWORD."

    def add_arguments(self, parser):
        parser.add_argument("user_name")
        parser.add_argument("--role", choices=PersonRole.values, required=True)
        parser.add_argument("--first-name", default="")
        parser.add_argument("--last-name", default="")
        parser.add_argument("--branch", help="code of the branch; without it the person sees every branch")

    def handle(self, *args, **options):
        if Person.objects.filter(username=options["user_name"]).exists():
            raise CommandError(f"{options['user_name']} is taken. Choose another name.")
        person = Person(
            username=options["user_name"],
            role=options["role"],
            first_name=options["first_name"],
            last_name=options["last_name"],
            branch=self._branch(options["branch"]),
        )
        person.set_password(ask_password(person))
        person.full_clean()
        with transaction.atomic():
            person.save()
            told = f"{person.get_role_display()}, at the shell"
            now = timezone.now()
            audit.note(
                "log-in made", area=AuditArea.PEOPLE, about=person.username, detail=told, by=None, now=now
            )
        self.stdout.write(f"{person.get_role_display()} {person.username} can log in.")

    def _branch(self, code: str | None) -> Branch | None:
        if not code:
            return None
        try:
            return Branch.objects.get(code=code)
        except Branch.DoesNotExist as error:
            known = ", ".join(Branch.objects.values_list("code", flat=True)) or "none yet"
            raise CommandError(f"There is no branch {code!r}. Known: {known}.") from error
