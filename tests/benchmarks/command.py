"""What ``manage.py benchmark`` runs: core, assess, routes, money, search, intake, telemetry or charts."""

import json
from dataclasses import asdict
from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.assessment.days import to_days
from fleet.telemetry.broker import BrokerSettings
from shared.errors import DomainError
from tests.benchmarks.assessment import (
    PARTS as ASSESS_PARTS,
)
from tests.benchmarks.assessment import (
    AssessFigures,
    measure_assessment,
    throwaway_database,
)
from tests.benchmarks.charts import measure_charts
from tests.benchmarks.core import BenchmarkRow, benchmark_core
from tests.benchmarks.intake import measure_intake
from tests.benchmarks.money import measure_money
from tests.benchmarks.route_report import PARTS, Wanted, measure_routes, use_one_core
from tests.benchmarks.searching import measure_search
from tests.benchmarks.synthetic import SIZES
from tests.benchmarks.telemetry import measure_telemetry

FILES = settings.BASE_DIR / "tests" / "data" / "vrptw"
"""Academic files that lie with the tests; measured when none are named."""


class Command(BaseCommand):
    help = "Measure how fast this machine assesses a fleet and how good its routes are. Changes no data."

    def add_arguments(self, parser):
        parser.add_argument("--json", action="store_true", help="answer for programs")
        which = parser.add_subparsers(dest="what", required=True)
        core = which.add_parser("core", help="the pure computation, in memory")
        core.add_argument("--units", type=int, nargs="+", default=[1_000, 10_000, 100_000])
        core.add_argument("--readings", type=int, default=52, help="weekly readings of each treatment unit")
        core.add_argument("--no-memory", action="store_true", help="leave out the slow measurement of memory")
        assess = which.add_parser("assess", help="a stored fleet, on PostgreSQL, in a database of its own")
        assess.add_argument("--units", type=int, default=10_000)
        assess.add_argument("--readings", type=int, default=52, help="of each treatment unit")
        assess.add_argument("--every-days", type=float, default=7.0, help="days between readings")
        assess.add_argument(
            "--parts", choices=ASSESS_PARTS, nargs="+", default=ASSESS_PARTS, help="all unless named"
        )
        assess.add_argument("--repeats", type=int, default=3, help="measurements of which the median counts")
        routes = which.add_parser("routes", help="planned weeks, a re-plan, and academic files")
        routes.add_argument("--parts", choices=PARTS, nargs="+", default=PARTS, help="all unless named")
        routes.add_argument("--file", type=Path, nargs="+", action="extend", help="academic routing files")
        routes.add_argument("--file-seconds", type=float, nargs="+", default=[10.0, 30.0])
        routes.add_argument("--size", choices=sorted(SIZES), nargs="+", default=["M"])
        routes.add_argument("--seconds", type=float, default=60.0, help="for each week")
        routes.add_argument("--reference-seconds", type=float, default=0.0, help="hold weeks against so long")
        routes.add_argument("--replan-seconds", type=float, default=10.0)
        routes.add_argument("--seed", type=int, default=1)
        money = which.add_parser("money", help="the owner's pages, on PostgreSQL, in a database of its own")
        money.add_argument("--sites", type=int, default=20_000)
        money.add_argument("--months", type=int, default=36, help="months of entries")
        money.add_argument("--repeats", type=int, default=3, help="measurements of which the median counts")

        search = which.add_parser("search", help="search, on PostgreSQL, in a database of its own")
        search.add_argument("--units", type=int, default=100_000)
        search.add_argument("--repeats", type=int, default=5, help="measurements of which the median counts")

        intake = which.add_parser("intake", help="readings by the bulk call, in a database of its own")
        intake.add_argument("--rows", type=int, default=100_000, help="of one call, at most 100 000")
        intake.add_argument("--repeats", type=int, default=3, help="measurements of which the median counts")
        charts = which.add_parser("charts", help="a page of six charts: first, new, seen before; memory")
        charts.add_argument("--repeats", type=int, default=5, help="measurements of which the median counts")

        telemetry = which.add_parser("telemetry", help="one listener at the broker of TAPWARD_MQTT_HOST")
        telemetry.add_argument("--messages", type=int, default=10_000)

    def handle(self, *args, **options):
        try:
            figures = getattr(self, f"_{options['what']}")(options)
        except (DomainError, ValueError) as error:
            raise CommandError(str(error)) from error
        if options["json"]:
            self.stdout.write(json.dumps(figures, default=str))

    def _say(self, text, options):
        if not options["json"]:
            self.stdout.write(text)

    def _core(self, options):
        self._say("treatment units   seconds   readings/s   units/s   working KiB/unit", options)
        rows = benchmark_core(
            options["units"],
            options["readings"],
            is_memory_measured=not options["no_memory"],
            tell=lambda row: self._say(_core_line(row), options),
        )
        return [asdict(row) for row in rows]

    def _assess(self, options):
        with throwaway_database():
            figures = measure_assessment(
                options["units"],
                options["readings"],
                every_days=options["every_days"],
                parts=options["parts"],
                # Midnight, so that the made-up year lies in the months that a fresh install has.
                now_d=float(int(to_days(timezone.now()))),
                repeats=options["repeats"],
                tell=lambda text: self.stderr.write(f"  {text}"),
            )
        self._say(_assess_text(figures), options)
        return asdict(figures)

    def _money(self, options):
        with throwaway_database():
            figures = measure_money(
                options["sites"],
                options["months"],
                today=timezone.localdate(),
                repeats=options["repeats"],
                tell=lambda text: self.stderr.write(f"  {text}"),
            )
        self._say(f"{'page':<18}{'queries':>8}{'seconds':>9}{'bare query':>12}{'ratio':>7}", options)
        for one in figures:
            self._say(
                f"{one.page:<18}{one.queries:>8}{one.seconds:>9.3f}{one.bare_seconds:>12.3f}{one.ratio:>7.1f}",
                options,
            )
        return [asdict(one) for one in figures]

    def _search(self, options):
        with throwaway_database():
            figures = measure_search(
                options["units"],
                today=timezone.localdate(),
                repeats=options["repeats"],
                tell=lambda text: self.stderr.write(f"  {text}"),
            )
        self._say(f"{'searched':<22}{'hits':>6}{'ms':>8}{'of a scan':>11}{'read by key':>13}", options)
        for one in figures:
            self._say(
                f"{one.what:<22}{one.hits:>6}{one.ms:>8.1f}{one.over_scan:>11.1%}{one.over_key:>11.1f} ×",
                options,
            )
        return [asdict(one) for one in figures]

    def _intake(self, options):
        with throwaway_database():
            found = measure_intake(
                options["rows"],
                now=timezone.now(),
                repeats=options["repeats"],
                tell=lambda text: self.stderr.write(f"  {text}"),
            )
        self._say(
            f"{found.rows:,} rows of {found.meters:,} meters in one call, an answer for each row\n"
            f"JSON lines {found.json_rows_per_second:,.0f} rows/s, CSV {found.csv_rows_per_second:,.0f} "
            f"rows/s\n"
            f"bare COPY of the same rows into the same table, in one transaction "
            f"{found.copy_rows_per_second:,.0f} rows/s; "
            f"for both its {found.indexes} indexes and {found.constraints} constraints "
            f"are in place\n"
            f"ratio JSON lines {found.json_over_copy:.2f}, CSV {found.csv_over_copy:.2f}\n"
            f"memory on top: {found.peak_mib:,.1f} MiB at most; {found.peak_mib_tenth:,.1f} MiB for a tenth "
            f"of the rows",
            options,
        )
        return asdict(found)

    def _charts(self, options):
        found = measure_charts(
            repeats=options["repeats"],
            settings_caches=settings.CACHES,
            tell=lambda text: self.stderr.write(f"  {text}"),
        )
        pages, drawing = (
            "unknown here" if mib is None else f"{mib:,.0f} MiB"
            for mib in (found.page_process_mib, found.renderer_mib)
        )
        self._say(
            f"the renderer starts and draws one chart {found.start_s:.2f} s\n"
            f"six charts, first page of a process {found.first_page_s:.2f} s, "
            f"new ones {found.new_page_s:.2f} s\n"
            f"seen before {found.seen_ms_a_chart:.2f} ms a chart; a new page takes {found.new_over_seen:.0f} "
            f"times as long\n"
            f"a process that shows pages holds on top {pages}; the one that draws for all {drawing}",
            options,
        )
        return asdict(found)

    def _telemetry(self, options):
        if not settings.MQTT_HOST:
            raise DomainError("There is no broker.", remedy="Set TAPWARD_MQTT_HOST to one of your own.")
        broker = BrokerSettings(
            host=settings.MQTT_HOST, port=settings.MQTT_PORT, user=settings.MQTT_USER,
            password=settings.MQTT_PASSWORD, tls=settings.MQTT_TLS, ca_file=settings.MQTT_CA_FILE,
        )  # fmt: skip
        with throwaway_database():
            found = measure_telemetry(
                options["messages"], broker, now=timezone.now(), read_clock=timezone.now
            )
        self._say(
            f"{found.messages:,} messages of one reading each, at least once, one listener\n"
            f"saved and then acknowledged {found.saved_per_second:,.0f} messages/s\n"
            f"acknowledged only, by the same client {found.bare_per_second:,.0f} messages/s; "
            f"ratio {found.saved_over_bare:.2f}\n"
            f"the broker took them from one sender at {found.published_per_second:,.0f} messages/s",
            options,
        )
        return asdict(found)

    def _routes(self, options):
        use_one_core()
        wanted = Wanted(
            parts=options["parts"],
            files=options["file"] or sorted(FILES.glob("*.txt")),
            file_seconds=options["file_seconds"],
            sizes=options["size"],
            week_s=options["seconds"],
            reference_s=options["reference_seconds"],
            replan_s=options["replan_seconds"],
            seed=options["seed"],
        )
        return measure_routes(wanted, lambda text: self._say(text, options))


def _core_line(row: BenchmarkRow) -> str:
    return (
        f"{row.units:>15,}{row.seconds:>10.2f}{row.readings_per_second:>13,.0f}{row.units_per_second:>10,.0f}"
        f"{row.working_kib_per_unit:>19.1f}"
    )


def _assess_text(found: AssessFigures) -> str:
    lines = [
        f"{found.units:,} treatment units, {found.readings:,} readings; loaded in {found.load_s:.0f} s",
        f"first assessment {found.first_assess_s:.1f} s",
    ]
    if found.rebuild_s:
        lines.append(
            f"a full rebuild {found.rebuild_s:.1f} s ({found.rebuild_processor_s:.1f} s of the worker's "
            f"processor time): {found.units_per_second:,.0f} treatment units/s"
        )
    if found.bare_copy_s:
        lines.append(
            f"bare COPY of the readings' columns {found.bare_copy_s:.2f} s "
            f"({found.copy_rows_per_second:,.0f} rows/s)"
            + (
                f"; the rebuild takes {found.rebuild_over_bare_copy:.2f} times that"
                if found.rebuild_s
                else ""
            )
        )
        lines.append(
            f"one object a row {found.orm_rows_per_second:,.0f} rows/s; COPY is {found.copy_over_orm:.1f} "
            f"times as fast"
        )
    if found.stale_all_s:
        lines.append(
            f"what is stale after a reading for each {found.stale_all_s:.1f} s"
            f"{_share(found.stale_all_over_rebuild)}; "
            f"after one for one in a hundred {found.stale_few_s:.1f} s"
            f"{_share(found.stale_few_over_rebuild)}, "
            f"{found.stale_few_units:,} treatment units"
        )
    if found.two_workers_s:
        lines.append(
            f"two workers {found.two_workers_s:.1f} s, {found.two_workers_gain:.2f} times as fast as one"
        )
    lines.append(f"peak memory of a worker {found.worker_peak_mib:,.0f} MiB")
    if found.stage_share:
        stages = ", ".join(f"{name} {share:.0%}" for name, share in found.stage_share.items())
        lines.append(f"where the rebuild's time goes: {stages}")
    return "\n".join(lines)


def _share(of_rebuild: float | None) -> str:
    return "" if of_rebuild is None else f" ({of_rebuild:.0%} of the rebuild)"
