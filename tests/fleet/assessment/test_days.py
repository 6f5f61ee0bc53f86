"""Calendar days at each place, against the standard library moment by moment."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from fleet.assessment.days import EPOCH, FURTHEST_DAYS, to_days, to_local_days, to_moment, to_moments

ZONES = ["America/Chicago", "America/St_Johns", "Europe/London", "Asia/Kathmandu", "Pacific/Auckland", "UTC"]
CHANGES = [(2026, 3, 8), (2026, 11, 1), (2027, 4, 3)]
"""Around these days the clocks change in America and New Zealand."""
NOW_D = to_days(datetime(2026, 11, 2, 15, 0, tzinfo=UTC))


def test_days_agree_with_the_standard_library_also_when_clocks_change():
    rng = np.random.default_rng(3)
    changes = [
        datetime(2026, 3, 8, tzinfo=UTC),
        datetime(2026, 11, 1, tzinfo=UTC),
        datetime(2027, 4, 3, tzinfo=UTC),
    ]
    days = np.concatenate([
        rng.uniform(8_000, NOW_D + 9_000, 3_000),
        *(to_days(change) + np.arange(0, 3, 1 / 48) for change in changes),
    ])  # fmt: skip
    zones = [ZONES[i % len(ZONES)] for i in range(len(days))]
    expected = [
        (EPOCH + timedelta(seconds=round(day * 86400))).astimezone(ZoneInfo(zone)).date()
        for day, zone in zip(days.tolist(), zones, strict=True)
    ]
    assert to_local_days(days, zones, NOW_D).tolist() == expected


def test_unknown_and_far_off_moments_have_no_day():
    days = np.array([np.nan, NOW_D + FURTHEST_DAYS + 1, np.inf, NOW_D])
    assert to_local_days(days, ["UTC"] * 4, NOW_D).tolist() == [None, None, None, date(2026, 11, 2)]
    assert to_local_days(np.array([]), [], NOW_D).tolist() == []


def test_moments_come_back_from_days():
    moment = datetime(2026, 7, 1, 12, 30, 15, tzinfo=UTC)
    assert to_moment(to_days(moment)) == moment
    back = to_moments(np.array([to_days(moment), np.nan])).tolist()
    assert back == [moment.replace(tzinfo=None), None]
    with pytest.raises(ValueError, match="time zone"):
        to_days(datetime(2026, 7, 1, 12))  # noqa: DTZ001
