"""What ``check --deploy`` asks of the database."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Info, Warning
from django.db import DatabaseError

from fleet.database.rights import excess_rights


def check_database_rights(app_configs: Any, databases: Any, **_: Any) -> list[CheckMessage]:
    """Warn when the log-in this process has can do more than read and write rows."""
    del app_configs, databases
    try:
        found = excess_rights()
    except DatabaseError as error:
        return [
            Warning(
                "The database could not be asked what its log-in may do.",
                hint=str(error)[:200],
                id="fleet.W002",
            )
        ]
    if not found:
        return []
    return [
        Warning(
            f"The database log-in of this process {', '.join(found)}.",
            hint="Make one for web and workers: manage.py grant_web_role tapward_web --run, and put it into "
            "their DATABASE_URL. Only migrate, backups and grant_web_role need the owner's.",
            id="fleet.W001",
        )
    ]


def check_log_ins(app_configs: Any, databases: Any = None, **_: Any) -> list[CheckMessage]:
    """Say what guards log-ins less than it could. Notes, no faults: who runs it decides."""
    del app_configs, databases
    notes: list[CheckMessage] = []
    if not settings.SECOND_FACTOR_ROLES:
        notes.append(
            Info(
                "No role has to show a second factor.",
                hint="Leave TAPWARD_SECOND_FACTOR_ROLES empty (planners, owners behind TLS) or name roles.",
                id="fleet.I001",
            )
        )
    if not settings.LEAKED_PASSWORDS:
        notes.append(
            Info(
                "New passwords are not looked up in a list of leaked ones.",
                hint="Point TAPWARD_LEAKED_PASSWORDS at a file of SHA-1 sums, one a line, in order.",
                id="fleet.I002",
            )
        )
    return notes
