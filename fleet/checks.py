"""What ``check --deploy`` asks of the database."""

from typing import Any

from django.core.checks import CheckMessage, Warning
from django.db import DatabaseError

from fleet.queries.database_rights import excess_rights


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
