"""Tax rates by date: added, taken back while no invoice line rests on them, never changed."""

from collections.abc import Mapping
from datetime import date, datetime

from django.db import transaction

from fleet.models import Person
from scheduling.models import InvoiceLine, TaxRate
from shared.errors import CannotDo


@transaction.atomic
def add_rate(values: Mapping[str, object], *, from_on: date, by: Person | None, now: datetime) -> TaxRate:
    """Add a tax, or a new rate of one, from a day on. ``values`` are the other columns of ``TaxRate``.

    Raises CannotDo when the tax has a rate of that very day, or for a percentage outside 0 to 100.
    """
    code = str(values["code"])
    if not 0 <= values["percent"] <= 100:
        raise CannotDo(f"{values['percent']} percent is no tax.", remedy="Give 0 to 100.", field="percent")
    if TaxRate.objects.filter(code=code, from_on=from_on, taken_back_at__isnull=True).exists():
        raise CannotDo(
            f"{code} has a rate from {from_on} on already.",
            remedy="Take that one back first, or choose another day.",
            field="from_on",
        )
    return TaxRate.objects.create(**values, from_on=from_on, made_at=now, made_by=by)


@transaction.atomic
def take_back_rate(rate: TaxRate, *, by: Person | None, now: datetime) -> TaxRate:
    """Take a rate back; the row stays, with who took it back. Raises CannotDo when a batch has used it."""
    rate = TaxRate.objects.select_for_update().get(pk=rate.pk)
    if InvoiceLine.objects.filter(tax_rate=rate).exists():
        raise CannotDo(
            f"{rate.code} from {rate.from_on} stands on lines that were handed over.",
            remedy="Add a rate from a later day; 0 percent ends a tax.",
        )
    if rate.taken_back_at is None:
        rate.taken_back_at, rate.taken_back_by = now, by
        rate.save(update_fields=["taken_back_at", "taken_back_by"])
    return rate
