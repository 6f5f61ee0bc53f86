"""The watched numbers as Prometheus gauges. Names end in their unit, as its naming guide asks."""

from collections.abc import Iterator
from datetime import datetime

from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from scheduling.operations.watching import Numbers

AGES = {
    "tapward_oldest_unassessed_age_seconds": (
        "oldest_assessed_at", "Age of the oldest assessment of a treatment unit."
    ),
    "tapward_oldest_work_age_seconds": ("oldest_work_at", "How long the oldest piece of work has waited."),
    "tapward_outbox_age_seconds": ("oldest_notice_due_at", "How long the oldest due notice has waited."),
    "tapward_webhook_outbox_age_seconds": ("oldest_event_at", "How long the oldest untold event has waited."),
    "tapward_last_assessment_age_seconds": ("last_run_finished_at", "Since the last assessment ended."),
    "tapward_last_night_age_seconds": ("last_night_at", "Since the last night's run began."),
    "tapward_last_backup_age_seconds": ("last_backup_at", "Since the last good backup began."),
}  # fmt: skip
COUNTS = {
    "tapward_treatment_units": ("units", "Treatment units known."),
    "tapward_units_never_assessed": ("units_never_assessed", "Treatment units without an assessment."),
    "tapward_standing_orders": ("standing_orders", "Work orders still to be done."),
    "tapward_orders_past_window": ("orders_past_window", "Work orders past their window."),
    "tapward_silent_meters": ("silent_meters", "Treatment units not read for 45 days."),
    "tapward_notices_waiting": ("notices_waiting", "Notices waiting to be sent."),
    "tapward_notices_failed": ("notices_failed", "Notices that failed for good."),
    "tapward_notices_cut_off": ("notices_cut_off", "Notices whose sender died while sending."),
    "tapward_shards_waiting": ("shards_waiting", "Shards of open assessments not done."),
    "tapward_shards_begun_again": ("shards_begun_again", "Shards of the newest run begun more than once."),
    "tapward_tasks_failed_in_a_day": ("tasks_failed_in_a_day", "Tasks that failed in the last day."),
    "tapward_tasks_cut_off_in_a_day": ("tasks_cut_off_in_a_day", "Tasks of the last day without an end."),
    "tapward_tasks_handed_out_again": (
        "tasks_handed_out_again",
        "Tasks of the last day that workers were handed more than once.",
    ),
    "tapward_nights_called": (
        "nights_called",
        "Calls of the timetable for the night; more than 1: two timetables.",
    ),
    "tapward_dead_letters": ("refused_messages", "Telemetry messages that wait for a person."),
    "tapward_telemetry_silent": (
        "telemetry_silent",
        "Meters and gauges whose telemetry fell silent.",
    ),
    "tapward_webhook_events_waiting": ("events_waiting", "Deliveries to other programs that wait."),
    "tapward_webhooks_off": ("webhooks_off", "Webhooks switched off because they kept failing."),
    "tapward_disk_free_bytes": ("disk_free_bytes", "Free space where the data lies."),
}


class WatchedNumbers(Collector):
    """Hands the numbers of one moment over. An age is left out where there is nothing to be old."""

    def __init__(self, found: Numbers, now: datetime):
        self.found = found
        self.now = now

    def collect(self) -> Iterator[GaugeMetricFamily]:
        for name, (field, told) in COUNTS.items():
            yield GaugeMetricFamily(name, told, value=getattr(self.found, field))
        for name, (field, told) in AGES.items():
            if at := getattr(self.found, field):
                yield GaugeMetricFamily(name, told, value=(self.now - at).total_seconds())
        queue = self.found.queue
        yield GaugeMetricFamily(
            "tapward_queue_answers", "1 when the queue answers.", value=int(queue.answers)
        )
        if queue.answers:
            yield GaugeMetricFamily("tapward_queue_waiting", "Tasks nobody has taken.", value=queue.waiting)
            yield GaugeMetricFamily("tapward_queue_taken", "Tasks taken and not done.", value=queue.taken)
