"""What the log-in of this process may do in the database beyond reading and writing rows.

The two log-ins of PostgreSQL: the owner migrates; web and workers read and write rows and nothing else.

Least privilege as PostgreSQL's manual has it (chapters "Privileges" and ALTER DEFAULT PRIVILEGES). Whoever
takes over the web's log-in can neither alter a table nor wipe the trail of changes.
"""

import re
from collections.abc import Iterator
from typing import Final

from django.db import connection, models, transaction
from psycopg import sql

from shared.errors import DomainError
from shared.model_parts import history_models

TRAIL: Final = "fleet_auditentry"
_ASKED: Final = {
    "is a superuser": "(SELECT rolsuper FROM pg_roles WHERE rolname = current_user)",
    "may make tables": "has_schema_privilege(current_user, 'public', 'CREATE')",
    "may alter and drop tables": "EXISTS (SELECT FROM pg_class WHERE oid = to_regclass(%s) "
    "AND pg_has_role(current_user, relowner, 'USAGE'))",
    "may change history": "EXISTS (SELECT FROM unnest(%s::text[]) AS name WHERE "
    "to_regclass(name) IS NOT NULL AND "
    "has_table_privilege(current_user, to_regclass(name), 'UPDATE, DELETE, TRUNCATE'))",
}


def excess_rights() -> list[str]:
    """Return what this process's own log-in may do beyond rows, in words; empty when all is well."""
    if connection.vendor != "postgresql":
        return []
    with connection.cursor() as cursor:
        tables = [model._meta.db_table for model in history_models()]
        cursor.execute(f"SELECT {', '.join(_ASKED.values())}", [TRAIL, tables])
        answers = cursor.fetchone()
    return [told for told, is_so in zip(_ASKED, answers, strict=True) if is_so]


READ_ONLY: Final = ("django_migrations",)
CALLED_AS_OWNER: Final = ("fleet_auditentry_pseudonymise(text[], text)",)
"""Functions that do what the web's log-in may not, and only that."""
_NAME: Final = re.compile(r"[a-z_][a-z0-9_]{0,62}\Z")
_SCHEMA: Final = sql.Identifier("public")


def web_role_statements(name: str, password: str = "") -> list[str]:
    """Return SQL that makes the web's log-in, or puts an existing one right. May be run again any time.

    Parameters
    ----------
    name : str
        Of the log-in: small letters, digits and underscores.
    password : str
        Of a log-in that is made; empty: it is made without one, and the server's own rules say how it enters.

    Raises DomainError on SQLite, which knows no log-ins, and for a name that is none or that owns the tables.
    """
    if connection.vendor != "postgresql":
        raise DomainError("SQLite has no log-ins.", remedy="Set DATABASE_URL to a PostgreSQL database.")
    if not _NAME.match(name):
        raise DomainError(
            f"{name!r} is no name of a log-in.",
            remedy="Use small letters, digits and underscores, e.g. tapward_web.",
        )
    owner, known, is_mighty = _look_up(name)
    if name == owner:
        raise DomainError(f"{name} is the owner itself.", remedy="Name another log-in for web and workers.")
    if is_mighty:
        raise DomainError(
            f"{name} is a superuser or a member of {owner}, so that grants hold nothing back.",
            remedy="Take that away (ALTER ROLE … NOSUPERUSER, REVOKE … FROM …), or name another log-in.",
        )
    role = sql.Identifier(name)
    made = [] if known else [_create(role, password)]
    return [one.as_string(connection.connection) for one in (*made, *_grants(role, sql.Identifier(owner)))]


def grant_web_role(name: str, password: str = "") -> int:
    """Make the log-in and its grants, all or nothing. Returns how many statements ran. Raises DomainError."""
    statements = web_role_statements(name, password)
    with transaction.atomic(), connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)
    return len(statements)


def _look_up(name: str) -> tuple[str, bool, bool]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_user, EXISTS (SELECT FROM pg_roles WHERE rolname = %s), EXISTS (SELECT FROM "
            "pg_roles WHERE rolname = %s AND (rolsuper OR pg_has_role(oid, current_user, 'MEMBER')))",
            [name, name],
        )
        return cursor.fetchone()


def _create(role: sql.Identifier, password: str) -> sql.Composed:
    made = sql.SQL("CREATE ROLE {} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE").format(role)
    return made + sql.SQL(" PASSWORD {}").format(sql.Literal(password)) if password else made


def _grants(role: sql.Identifier, owner: sql.Identifier) -> list[sql.Composed]:
    """Everything is taken away first, so that a second run also takes back what should not be there."""
    database = sql.Identifier(str(connection.settings_dict["NAME"]))
    texts = [
        "REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC",
        "REVOKE ALL ON ALL TABLES IN SCHEMA {schema} FROM {role}",
        "REVOKE ALL ON SCHEMA {schema} FROM {role}",
        # A temporary table belongs to the session that made it; bulk writes stage rows in one.
        "GRANT CONNECT, TEMPORARY ON DATABASE {database} TO {role}",
        "GRANT USAGE ON SCHEMA {schema} TO {role}",
        "GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA {schema} TO {role}",
        "GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA {schema} TO {role}",
        # Tables of later migrations need no second run.
        "ALTER DEFAULT PRIVILEGES FOR ROLE {owner} IN SCHEMA {schema} "
        "GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {role}",
        "ALTER DEFAULT PRIVILEGES FOR ROLE {owner} IN SCHEMA {schema} "
        "GRANT USAGE, SELECT ON SEQUENCES TO {role}",
        *(text for model in history_models() for text in _added_to_only(model)),
        *(f"REVOKE INSERT, UPDATE, DELETE ON {{schema}}.{table} FROM {{role}}" for table in READ_ONLY),
        *(f"REVOKE ALL ON FUNCTION {{schema}}.{one} FROM PUBLIC" for one in CALLED_AS_OWNER),
        *(f"GRANT EXECUTE ON FUNCTION {{schema}}.{one} TO {{role}}" for one in CALLED_AS_OWNER),
    ]
    named = {"role": role, "owner": owner, "database": database, "schema": _SCHEMA}
    return [sql.SQL(text).format(**named) for text in texts]


def _added_to_only(model: type[models.Model]) -> Iterator[str]:
    """Rows are added and stay; what names people may give way to a mark, and a row may be taken back."""
    table = model._meta.db_table
    yield f"REVOKE UPDATE, DELETE, TRUNCATE ON {{schema}}.{table} FROM {{role}}"
    columns = [model._meta.get_field(name).column for name in model.history.changeable]
    if columns:
        yield f"GRANT UPDATE ({', '.join(columns)}) ON {{schema}}.{table} TO {{role}}"
