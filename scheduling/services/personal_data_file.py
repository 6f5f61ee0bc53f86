"""Everything kept about one person as one file: a ZIP with JSON and the photos."""

import json
import zipfile
from datetime import datetime
from tempfile import SpooledTemporaryFile
from typing import IO, Final

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import transaction

from fleet.models import AuditArea, Person
from fleet.services import audit
from scheduling.services import personal_data_rows as personal_data
from scheduling.services.personal_data_rows import Subject

IN_MEMORY: Final = 8 * 1024 * 1024
READ_ME: Final = """What {company} keeps about {name}, as of {now:%Y-%m-%d %H:%M} UTC.

personal-data.json holds the rows of the database by table and column that points at the person; times are
UTC. Names of quantities end in their measure (_gal, _psi, _c …). photos/ holds the pictures. Passwords, keys
and what is made from them are left out. Log lines of the server hold no names. Backups hold what the database
held when they were made.
"""


@transaction.atomic
def take_out(subject: Subject, *, by: Person | None, now: datetime) -> IO[bytes]:
    """Return the file, open at its start, and write the taking out into the trail of changes."""
    audit.note(
        "personal data taken out",
        area=AuditArea.PEOPLE,
        about=f"{subject.kind} {subject.row.pk}",
        by=by,
        now=now,
    )
    file = SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        told = {"company": settings.COMPANY_NAME, "name": subject.name, "now": now}
        packed.writestr("read-me.txt", READ_ME.format(**told))
        with packed.open("personal-data.json", "w") as out:
            _write_json(out, subject, now)
        for photo in personal_data.photos_of(subject).order_by("pk"):
            if photo.image.storage.exists(photo.image.name):
                with photo.image.open("rb") as image:
                    packed.writestr(f"photos/{photo.pk}.jpg", image.read())
    file.seek(0)
    return file


def _write_json(out: IO[bytes], subject: Subject, now: datetime) -> None:
    """Write row by row: a site's readings of years may be many."""
    head = {"kind": str(subject.kind), "code": subject.code, "name": subject.name, "made_at": now}
    out.write(b'{"about": ' + _text(head) + b', "tables": {')
    between_tables = b"\n"
    for name, rows in personal_data.kept_about(subject):
        out.write(between_tables + _text(name) + b": [")
        between_rows = b"\n"
        for row in personal_data.as_dicts(rows):
            out.write(between_rows + _text(row))
            between_rows = b",\n"
        out.write(b"]")
        between_tables = b",\n"
    out.write(b"}}\n")


def _text(value: object) -> bytes:
    return json.dumps(value, cls=DjangoJSONEncoder, ensure_ascii=False).encode()
