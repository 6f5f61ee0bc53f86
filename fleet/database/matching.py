"""Text as it is searched: a row's words in capitals, its codes without the signs between them.

On PostgreSQL both have trigram indexes (pg_trgm); the expressions there must stay what these are.
"""

from typing import Final

from django.db import connection
from django.db.models import Func, Lookup, TextField

SIGNS: Final = " -().+/"
"""What people put into a serial or a telephone number, or leave out."""


class Words(Func):
    """Columns in capitals, one after the other."""

    arg_joiner = " || ' ' || "
    template = "UPPER(%(expressions)s)"
    output_field = TextField()


class Codes(Func):
    """Columns in capitals without SIGNS."""

    arg_joiner = " || '|' || "
    template = f"TRANSLATE(UPPER(%(expressions)s), '{SIGNS}', '')"
    output_field = TextField()

    def as_sqlite(self, compiler, connection, **context):
        """Replace sign by sign: SQLite has no TRANSLATE."""
        template = "UPPER(%(expressions)s)"
        for sign in SIGNS:
            template = f"REPLACE({template}, '{sign}', '')"
        return self.as_sql(compiler, connection, template=template, **context)


class HasWordLike(Lookup):
    """Some stretch of the text is spelled much like this (PostgreSQL: pg_trgm's word similarity)."""

    lookup_name = "has_word_like"

    def as_sql(self, compiler, connection):
        """Write it so that a trigram index serves."""
        text, text_params = self.process_lhs(compiler, connection)
        word, word_params = self.process_rhs(compiler, connection)
        return f"{word} <%% {text}", (*word_params, *text_params)


def squeezed(text: str) -> str:
    """Return what is typed as Codes has it."""
    return text.upper().translate({ord(sign): None for sign in SIGNS})


def has_trigrams() -> bool:
    """Say whether this database compares spellings itself."""
    if connection.vendor != "postgresql":
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
        return cursor.fetchone() is not None
