"""``manage.py grant_web_role``: a log-in for web and workers that can alter no table."""

import os

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError

from fleet.database import rights
from shared.errors import DomainError


class Command(BaseCommand):
    help = (
        "Print the SQL that gives web and workers a PostgreSQL log-in of their own, without the right to "
        "alter tables; with --run carry it out. Run it as the owner of the tables, after migrate. A new "
        "log-in takes its password from TAPWARD_WEB_ROLE_PASSWORD."
    )

    def add_arguments(self, parser):
        parser.add_argument("name", help="e.g. tapward_web")
        parser.add_argument("--run", action="store_true", help="carry it out instead of printing it")

    def handle(self, *args, **options):
        try:
            if options["run"]:
                password = os.environ.get("TAPWARD_WEB_ROLE_PASSWORD", "")
                count = rights.grant_web_role(options["name"], password)
                self.stdout.write(
                    f"{options['name']} may read and write rows and nothing else ({count} statements). "
                    "Put it into DATABASE_URL of web and workers; migrate, backups and this command keep the "
                    "owner's."
                )
            else:
                for statement in rights.web_role_statements(options["name"]):
                    self.stdout.write(f"{statement};")
        except (DomainError, DatabaseError) as error:
            text = str(error).strip()
            if "permission denied to create role" in text:
                text += "\nRun it as a log-in with CREATEROLE, or have the log-in made first."
            raise CommandError(text) from error
