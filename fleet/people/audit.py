"""The audit trail, for changes whose own table keeps no history: added to, never edited, never taken away."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Final, NoReturn

from django.db import connection, models
from django.utils.translation import gettext_lazy

from fleet.people.models import Person
from shared.errors import DomainError
from shared.messages import message
from shared.model_parts import History, known_values
from shared.security_log import tell, who
from shared.translation import MessageField

REMEDY: Final = gettext_lazy("Write a further entry that says what is right.")


class AuditArea(models.TextChoices):
    """What an entry of the audit trail is about."""

    FLEET = "fleet", gettext_lazy("Sites, treatment units, readings")
    WORK = "work", gettext_lazy("Work orders")
    PLANS = "plans", gettext_lazy("Plans and routes")
    STOCK = "stock", gettext_lazy("Stock")
    MONEY = "money", gettext_lazy("Prices and revenue")
    PEOPLE = "people", gettext_lazy("People and log-ins")
    OUTSIDE = "outside", gettext_lazy("Tokens, webhooks, telemetry")
    FILES = "files", gettext_lazy("Files taken out")


OPENS_DOORS: Final = (AuditArea.PEOPLE, AuditArea.OUTSIDE)
"""What the log's stream of security is told of as well."""


class AuditQuerySet(models.QuerySet):
    """Refuses what PostgreSQL refuses by a trigger, so that SQLite keeps the trail too."""

    def update(self, **changed) -> NoReturn:
        """Refuse."""
        raise DomainError(message("The audit trail is not changed."), remedy=REMEDY)

    def delete(self) -> NoReturn:
        """Refuse."""
        raise DomainError(message("Nothing is taken from the audit trail."), remedy=REMEDY)


class AuditEntry(models.Model):
    """One change: when, who, what to which thing. On PostgreSQL a trigger refuses UPDATE and DELETE."""

    history = History(unsealed=("about", "detail"))

    at = models.DateTimeField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    area = models.CharField(max_length=8, choices=AuditArea)
    what = models.CharField(max_length=80)
    about = models.CharField(max_length=200, blank=True)
    detail = MessageField(blank=True)

    objects = AuditQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "audit entries"
        ordering = ["-at", "-id"]
        constraints = [known_values("area", AuditArea, "fleet_auditentry_area_known")]
        indexes = [models.Index(fields=["at"], name="fleet_auditentry_at")]

    def __str__(self):
        return f"{self.at:%Y-%m-%d %H:%M} {self.what}"

    def save(self, *args, **kwargs) -> None:
        """Add a row; refuse to change one."""
        if not self._state.adding:
            raise DomainError(message("The audit trail is not changed."), remedy=REMEDY)
        super().save(*args, **kwargs)

    def delete(self, *args, **kwargs) -> NoReturn:
        """Refuse."""
        raise DomainError(message("Nothing is taken from the audit trail."), remedy=REMEDY)


_way: ContextVar[str] = ContextVar("way", default="")


@contextmanager
def by_way_of(way: str) -> Iterator[None]:
    """Have every entry written inside say by which door it came, such as a token."""
    before = _way.set(way)
    try:
        yield
    finally:
        _way.reset(before)


def note(
    what: str, *, area: AuditArea, about: object = "", detail: str = "", by: Person | None, now: datetime
) -> None:
    """Add one entry. Never give it a secret, or a value that may not be kept."""
    if way := _way.get():
        short = detail if len(detail) <= 1800 else detail[:1800]
        detail = message("{detail} ({way})", detail=short, way=way) if detail else way
    AuditEntry.objects.create(at=now, by=by, area=area, what=what[:80], about=str(about)[:200], detail=detail)
    if area in OPENS_DOORS:
        plain = getattr(what, "template", what)
        tell("change", what=plain, who=who(by.pk) if by else "server")


@dataclass(frozen=True)
class Actor:
    """Who does something, and when."""

    person: Person | None
    now: datetime

    def note(self, what: str, *, area: AuditArea, about: object, detail: str = "") -> None:
        """Add one entry for what this person just did."""
        note(what, area=area, about=about, detail=detail, by=self.person, now=self.now)


def put_marks(words: Sequence[str], mark: str) -> int:
    """Put a mark where the trail holds an erased person's names. Returns how many entries changed.

    The only change the trail takes. On PostgreSQL a function of the owner does it, which changes nothing but
    these words; the web's own log-in may call it and may not change an entry otherwise.
    """
    wanted = [word for word in words if len(word) >= 3]
    if not wanted:
        return 0
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT fleet_auditentry_pseudonymise(%s, %s)", [wanted, mark])
            return cursor.fetchone()[0]
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in wanted), re.IGNORECASE)
    # Not the table's own manager, which refuses.
    plain = models.QuerySet(AuditEntry)
    count = 0
    for entry in plain.all():
        about, detail = pattern.sub(mark, entry.about)[:200], pattern.sub(mark, entry.detail)
        if (about, detail) != (entry.about, entry.detail):
            count += plain.filter(pk=entry.pk).update(about=about, detail=detail)
    return count
