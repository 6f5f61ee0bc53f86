"""One visit as the phone sends it: the close-out and, where feed water was tested, the test."""

from datetime import datetime

from django.db import transaction

from fleet.models import Person
from fleet.services.feed_tests import record_feed_tests
from fleet.services.reading_rows import NewFeedTest
from scheduling.models import CloseOut, WorkOrder
from scheduling.services.close_outs import CloseOutForm, close_out
from shared.errors import CannotDo

SOURCE = "technician's visit"


@transaction.atomic
def record_visit(
    form: CloseOutForm, *, feed_test: dict[str, float], by: Person | None, now: datetime
) -> CloseOut:
    """Close an order and record the feed water tested at it. Sending it again changes nothing.

    Raises CannotDo, with nothing written, for what ``close_out`` or the test refuses.
    """
    if feed_test:
        _record_test(form, feed_test, now)
    return close_out(form, by=by, now=now)


def _record_test(form: CloseOutForm, feed_test: dict[str, float], now: datetime) -> None:
    """Write the test first, so that the assessment that follows the close-out knows it."""
    site_id = WorkOrder.objects.filter(pk=form.order_id).values_list("site_id", flat=True).first()
    report = record_feed_tests([NewFeedTest(site_id, None, form.finished_at, feed_test, SOURCE)], now=now)
    if report.problems:
        first = report.problems[0]
        raise CannotDo(
            f"{first.field} = {first.value}: {first.message}",
            remedy=first.remedy,
            field=f"test__{first.field}",
        )
