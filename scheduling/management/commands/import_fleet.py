"""``manage.py import_fleet``: bring in a workbook, or make the template."""

import json
from collections import Counter
from dataclasses import asdict
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from scheduling.workbook.importing import ImportReport, import_workbook, make_template, preview
from shared.errors import DomainError, RowProblem

SHOWN = 60


class Command(BaseCommand):
    help = (
        "Bring in customers, sites, treatment units, parts, readings, plans and technicians from a workbook."
    )

    told = ""
    """What is at hand, as it was told last."""

    def add_arguments(self, parser):
        parser.add_argument("file", nargs="?", help="an .xlsx, or a folder with one CSV per sheet")
        parser.add_argument("--template", metavar="PATH", help="write the workbook to fill in, and stop")
        parser.add_argument("--preview", action="store_true", help="say what would happen, write nothing")
        parser.add_argument(
            "--accept-good-rows", action="store_true", help="write the good rows although others are refused"
        )
        parser.add_argument("--rest", metavar="PATH", help="where the refused rows go (.xlsx)")
        parser.add_argument("--json", action="store_true", help="answer for programs")

    def handle(self, *args, **options):
        if options["template"]:
            make_template(Path(options["template"]))
            self.stdout.write(f"The workbook to fill in is {options['template']}.")
            return
        if not options["file"]:
            raise CommandError("Name a file to bring in, or --template PATH for an empty one.")
        try:
            report = self._bring_in(options)
        except DomainError as error:
            raise CommandError(str(error)) from error
        if not report.problems and not any(counts.read for counts in report.counts.values()):
            raise CommandError(
                "No row is filled in: nothing to bring in. Rows that begin with # are remarks."
            )
        if options["json"]:
            self.stdout.write(json.dumps(as_json(report)))
        else:
            self._tell(report)
        if report.problems and not (options["accept_good_rows"] or options["preview"]):
            raise CommandError(
                "Nothing was written. Correct the file, or use --accept-good-rows.", returncode=1
            )

    def _bring_in(self, options) -> ImportReport:
        now = timezone.now()
        progress = None if options["json"] else self._progress
        if options["preview"]:
            return preview(options["file"], now=now, on_progress=progress)
        accept = options["accept_good_rows"]
        rest = options["rest"]
        if accept and rest is None:
            source = Path(options["file"])
            rest = source.with_name(f"{source.stem}-rest.xlsx")
        return import_workbook(
            options["file"],
            accept_good_rows=accept,
            now=now,
            on_progress=progress,
            rest_path=Path(rest) if rest else None,
        )

    def _progress(self, part: float, words: str) -> None:
        at_hand = words.split(":")[0]
        if at_hand != self.told:
            self.told = at_hand
            self.stderr.write(f"  {at_hand} ({part:.0%} done)")

    def _tell(self, report: ImportReport) -> None:
        added, changed = ("added", "changed") if report.is_written else ("to add", "to change")
        for name, counts in report.counts.items():
            self.stdout.write(
                f"{name}: {counts.read} rows, {counts.added} {added}, {counts.changed} {changed}, "
                f"{counts.unchanged} unchanged, {counts.refused} refused"
            )
        first, following = split_consequences(report.problems)
        for problem in first[:SHOWN]:
            self.stdout.write(f"  {problem}")
        if len(first) > SHOWN:
            self.stdout.write(f"  … and {len(first) - SHOWN} more problems.")
        for message, count in Counter((p.sheet, p.message) for p in following).most_common(SHOWN):
            self.stdout.write(f"  {message[0]}: {count} rows. {message[1]}")
        if report.rest_path is not None:
            self.stdout.write(f"The refused rows are in {report.rest_path}.")
        if report.is_written:
            self.stdout.write(f"Written: {report.rows_written} rows added or changed.")


def split_consequences(problems: list[RowProblem]) -> tuple[list[RowProblem], list[RowProblem]]:
    """Part the problems that need a cure from those that go away with them."""
    following = [problem for problem in problems if problem.message.startswith("Depends on ")]
    first = [problem for problem in problems if not problem.message.startswith("Depends on ")]
    return first, following


def as_json(report: ImportReport) -> dict:
    """Return the report for a program."""
    return {
        "is_written": report.is_written,
        "counts": {name: asdict(counts) for name, counts in report.counts.items()},
        "problems": [asdict(problem) for problem in report.problems],
        "rest": str(report.rest_path) if report.rest_path else None,
    }
