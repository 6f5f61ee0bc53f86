"""What the log-in of this process may do in the database beyond reading and writing rows."""

from typing import Final

from django.db import connection

APPEND_ONLY: Final = ("fleet_auditentry",)
"""Tables whose rows are added and stay."""
_ASKED: Final = {
    "is a superuser": "(SELECT rolsuper FROM pg_roles WHERE rolname = current_user)",
    "may make tables": "has_schema_privilege(current_user, 'public', 'CREATE')",
    "may alter and drop tables": "EXISTS (SELECT FROM pg_class WHERE oid = to_regclass(%s) "
    "AND pg_has_role(current_user, relowner, 'USAGE'))",
    "may change the trail of changes": "to_regclass(%s) IS NOT NULL AND "
    "has_table_privilege(current_user, to_regclass(%s), 'UPDATE, DELETE, TRUNCATE')",
}


def excess_rights() -> list[str]:
    """Return what this process's own log-in may do beyond rows, in words; empty when all is well."""
    if connection.vendor != "postgresql":
        return []
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(_ASKED.values())}", [APPEND_ONLY[0]] * 3)
        answers = cursor.fetchone()
    return [told for told, is_so in zip(_ASKED, answers, strict=True) if is_so]
