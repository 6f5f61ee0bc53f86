"""Records feed-water tests, in bulk."""

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from fleet.models import FeedTest
from fleet.readings.rows import ANOTHER_VALUE, BATCH, TESTED, Batch, NewFeedTest, RecordReport, chunks, same
from shared.messages import message


@transaction.atomic
def record_feed_tests(
    tests: Sequence[NewFeedTest],
    *,
    now: datetime,
    accept_good_rows: bool = False,
    sheet: str = "feed_tests",
) -> RecordReport:
    """Record feed tests. They are never corrected: a later test takes over. Otherwise as meter readings."""
    batch = Batch(sheet, now)
    for i, test in enumerate(tests):
        batch.check_moment(i, test.row, "sampled_at", test.sampled_at)
        batch.check_values(i, test.row, test.values, TESTED)
        if (test.site_id is None) == (test.supply_id is None):
            batch.refuse(i, test.row, "site", "", message("A feed test belongs to a site or to a supply."),
                         message("Name one of the two."))  # fmt: skip
        elif not test.values:
            batch.refuse(i, test.row, "sampled_at", "", message("Nothing was measured."),
                         message("Fill in at least one value, or leave the row out."))  # fmt: skip
    standing = _standing_tests(tests)
    report = RecordReport(problems=batch.problems)
    fresh: dict[tuple, NewFeedTest] = {}
    for i, test in enumerate(tests):
        if i in batch.refused:
            continue
        key = (test.site_id, test.supply_id, test.sampled_at)
        known = standing.get(key) or (fresh[key].values if key in fresh else None)
        if known is None:
            fresh[key] = test
        elif all(same(known.get(name), value) for name, value in test.values.items()):
            report.duplicates += 1
        else:
            batch.refuse(i, test.row, "sampled_at", test.sampled_at.isoformat(), f"{ANOTHER_VALUE}.",
                         message("A feed test is not overwritten: add a later one."))  # fmt: skip
    if batch.problems and not accept_good_rows:
        return report
    rows = [
        FeedTest(
            site_id=test.site_id, supply_id=test.supply_id, sampled_at=test.sampled_at,
            recorded_at=now, source=test.source, **test.values,
        )
        for test in fresh.values()
    ]  # fmt: skip
    FeedTest.objects.bulk_create(rows, batch_size=BATCH)
    report.recorded = len(rows)
    return report


def _standing_tests(tests: Sequence[NewFeedTest]) -> dict[tuple, dict[str, float | None]]:
    found = {}
    for name in ("site_id", "supply_id"):
        for part in chunks({getattr(test, name) for test in tests} - {None}):
            for test in FeedTest.objects.filter(**{f"{name}__in": part}):
                found[test.site_id, test.supply_id, test.sampled_at] = vars(test)
    return found
