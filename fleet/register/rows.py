"""What every act on a row of the register shares: locked, held against what was seen, checked, kept, told.

Two people at one row: each says what they saw. What somebody else changed meanwhile is never overwritten
unseen; what the two changed apart is kept both.
"""

import math
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, Final, TypeVar

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Model

from fleet.models import AuditArea
from fleet.people.audit import Actor
from shared.errors import DomainError
from shared.messages import message

FIRST_DAY: Final = date(1950, 1, 1)
"""No treatment unit or contract is believed to be older."""
LOOK_AGAIN: Final = message("Look at it again; save once more to keep yours, or take over what stands now.")
_Row = TypeVar("_Row", bound=Model)


class Overtaken(DomainError):
    """Somebody else changed the same thing since it was seen. ``now`` are the values that stand."""

    def __init__(self, row: Model, seen: Mapping[str, Any], now: Mapping[str, Any]) -> None:
        field = next(iter(now))
        told = message(
            "{row} was changed meanwhile: {field} was {was}, now it is {now}.",
            row=str(row),
            field=label_of_field(type(row), field),
            was=shown(seen[field]),
            now=shown(now[field]),
        )
        super().__init__(told, remedy=LOOK_AGAIN, field=field)
        self.now = dict(now)


def change(
    row: _Row,
    details: Mapping[str, Any],
    *,
    known: Iterable[str],
    what: str,
    actor: Actor,
    seen: Mapping[str, Any] | None = None,
) -> _Row:
    """Change some of the ``known`` columns of a row and write it into the trail; nothing new writes nothing.

    ``seen`` are the values the person had before them. Raises Overtaken where somebody else has changed one
    that is to be changed, DomainError for a value the row can't have. Asks for a transaction.
    """
    if unknown := sorted(set(details) - set(known)):
        raise DomainError(
            message("{unknown} can't be changed here.", unknown=unknown[0]),
            remedy=message("Change one of: {list}.", list=", ".join(known)),
        )
    row = type(row)._base_manager.select_for_update(of=("self",)).get(pk=row.pk)
    stands = {name: getattr(row, name) for name in details}
    if seen is not None:
        details = {name: value for name, value in details.items() if not same(value, seen.get(name))}
        other = {
            name: stands[name]
            for name, value in details.items()
            if not same(stands[name], seen.get(name)) and not same(stands[name], value)
        }
        if other:
            raise Overtaken(row, seen, other)
    differing = [name for name, value in details.items() if not same(stands[name], value)]
    for name in differing:
        setattr(row, name, details[name])
    check(row)
    if differing:
        row.save(update_fields=differing)
        told = (f"{name}: {shown(stands[name])} → {shown(details[name])}" for name in differing)
        actor.note(what, area=AuditArea.FLEET, about=name_of(row), detail="; ".join(told))
    return row


def add(row: _Row, *, what: str, actor: Actor, detail: str = "") -> _Row:
    """Save a new row and write it into the trail. Raises DomainError for what it can't be, or is already."""
    save_new(row)
    actor.note(what, area=AuditArea.FLEET, about=name_of(row), detail=detail)
    return row


def save_new(row: Model) -> None:
    """Save a new row. Raises DomainError for what it can't be, or is already."""
    check(row)
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        raise DomainError(
            message("Somebody else has just added {row}.", row=name_of(row)),
            remedy=message("Look it up in the list; add another one under its own name."),
        ) from error


def check(row: Model) -> None:
    """Ask the row itself. Raises DomainError with the first thing that is wrong."""
    try:
        row.full_clean()
    except ValidationError as error:
        field, words = next(iter(error.message_dict.items()))
        known = "" if field == NON_FIELD_ERRORS else field
        raise DomainError(words[0], remedy=message("Correct this value."), field=known) from error


def refuse_look_alike(model: type[Model], code: str, *, field: str = "code", what: str) -> None:
    """Refuse a code that differs from another only in case, spaces or signs. Raises DomainError."""
    mine = plain_code(code)
    for other in model._base_manager.values_list(field, flat=True).iterator():
        if plain_code(other) == mine:
            raise DomainError(
                message("{code!r} looks like the {what} {other!r}, which is there.", code=code, what=what,
                        other=other),
                remedy=message("Look at that one first; if this is another, give it a code of its own."),
                field=field,
            )  # fmt: skip


def plain_code(code: str) -> str:
    """Return a code without what people write now this way, now that: "zz 1" and "ZZ-1" are "zz1"."""
    return "".join(sign for sign in code.casefold() if sign.isalnum())


def next_code(model: type[Model], start: str) -> str:
    """Return a code nobody has, e.g. C0042: one beyond the highest of this form."""
    found = model._base_manager.filter(code__startswith=start).values_list("code", flat=True)
    numbers = [int(code[len(start) :]) for code in found if code[len(start) :].isdecimal()]
    return f"{start}{max(numbers, default=0) + 1:04d}"


def check_day(day: date, *, today: date, field: str, first: date | None = None) -> None:
    """Refuse a day to come, one before ``first``, or in an unbelievable year. Raises DomainError."""
    if day > today:
        raise DomainError(
            message("{day:%d %b %Y} has not come yet.", day=day),
            remedy=message("Give today or an earlier day."),
            field=field,
        )
    least = first or FIRST_DAY
    if day < least:
        raise DomainError(
            message("{day:%d %b %Y} is before {least:%d %b %Y}.", day=day, least=least),
            remedy=message("Give that day or a later one."),
            field=field,
        )


def same(one: Any, other: Any) -> bool:
    """Say whether two values of a column are the same, however they were typed."""
    if isinstance(one, float) and isinstance(other, float | int) and not isinstance(other, bool):
        return math.isclose(one, other, rel_tol=1e-5)
    if isinstance(one, str) and isinstance(other, str):
        return _plain(one) == _plain(other)
    return bool(one == other)


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").strip()


def shown(value: Any) -> str:
    """Return a value as the trail and a refusal name it."""
    return getattr(value, "code", None) or str(value)


def name_of(row: Model) -> str:
    """Return what a row is called in the trail: its serial or code, else itself."""
    return str(getattr(row, "serial", "") or getattr(row, "code", "") or row)


def label_of_field(model: type[Model], name: str) -> str:
    """Return a column's name in words."""
    return str(model._meta.get_field(name).verbose_name)
