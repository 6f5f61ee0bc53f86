"""Records meter readings, performance readings and feed tests: the public list.

Nothing is ever overwritten. The same value again is counted as a duplicate; another value for the same moment
is refused, or with ``as_correction`` added as a higher revision. By default a batch with a
problem writes nothing.
"""

from fleet.services.feed_tests import record_feed_tests
from fleet.services.meter_readings import record_meter_readings
from fleet.services.performance_readings import record_performance_readings
from fleet.services.reading_rows import NewFeedTest, NewMeterReading, NewPerformanceReading, RecordReport

__all__ = [
    "NewFeedTest",
    "NewMeterReading",
    "NewPerformanceReading",
    "RecordReport",
    "record_feed_tests",
    "record_meter_readings",
    "record_performance_readings",
]
