"""Records many meter readings in one call: batch by batch, good rows kept, bad rows returned."""

import gc
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from api import idempotency
from api.bulk_lines import BulkBody, csv_blocks, json_blocks, take_body
from api.bulk_rows import SHEET, KnownMeters, Sighted, read_rows, sight
from api.models import IdempotencyRecord
from api.parsers import CsvParser, JsonLinesAliasParser, JsonLinesParser
from api.permissions import meters_to_record
from fleet.models import AuditArea, ReadingSource
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.meters import MeterBook
from fleet.tasks import assess_units
from shared.errors import RowProblem
from shared.messages import message
from shared.roles import Permission

UNITS_PER_TASK: Final = 500
PARSERS: Final = (JsonLinesParser, CsvParser, JsonLinesAliasParser)
KEY: Final = OpenApiParameter(
    "Idempotency-Key", OpenApiTypes.STR, OpenApiParameter.HEADER, required=True,
    description="A new UUID for each new body; the same one to repeat a call.",
)  # fmt: skip


class RowProblemRow(serializers.Serializer):
    """What is wrong with one row."""

    row = serializers.IntegerField(help_text="Line of the body, from 1; a CSV header is line 1.")
    field = serializers.CharField()
    value = serializers.CharField()
    message = serializers.CharField()
    remedy = serializers.CharField()


class BulkAnswer(serializers.Serializer):
    """What came of each row: counts, and every refused row."""

    rows = serializers.IntegerField()
    recorded = serializers.IntegerField()
    corrected = serializers.IntegerField()
    duplicates = serializers.IntegerField()
    refused = serializers.IntegerField()
    problems = RowProblemRow(many=True)


@dataclass
class _Tally:
    """Counts of a whole call."""

    rows: int = 0
    recorded: int = 0
    corrected: int = 0
    duplicates: int = 0
    problems: list[RowProblem] = field(default_factory=list)
    unit_ids: set[int] = field(default_factory=set)
    book: MeterBook = field(default_factory=MeterBook)

    def as_answer(self) -> dict:
        """Return the answer's body."""
        counts = {name: getattr(self, name) for name in ("rows", "recorded", "corrected", "duplicates")}
        problems = [
            {"row": one.row, "field": one.field, "value": one.value[:80], "message": one.message,
             "remedy": one.remedy}
            for one in sorted(self.problems, key=lambda one: one.row)
        ]  # fmt: skip
        return counts | {"refused": len({one.row for one in self.problems}), "problems": problems}


class RecordsInBulk:
    """The bulk call, on the ViewSet of meter readings."""

    @extend_schema(
        operation_id="record_meter_readings",
        parameters=[KEY],
        request=dict.fromkeys((parser.media_type for parser in PARSERS), OpenApiTypes.STR),
        responses={
            200: BulkAnswer,
            422: OpenApiResponse(description="The Idempotency-Key was used with another body."),
        },
    )
    @action(detail=False, methods=["post"], parser_classes=PARSERS, throttle_scope="bulk")
    def bulk(self, request: Request) -> HttpResponse:
        """Record up to 100 000 register totals, as JSON lines or CSV.

        A row names its meter by ``meter_id``, or by ``treatment_unit_serial`` and ``water`` (permeate unless
        said otherwise); gives ``read_at`` with its zone, and one total: ``total_as_shown`` in the meter's own
        measure, or ``total_gal``, ``total_l``, ``total_m3``, ``total_ft3``. Good rows stay, bad rows return.
        The same value again is counted as a duplicate. Another value for a known moment is refused unless the
        row says ``is_correction``; it then becomes a higher revision and nothing is overwritten.
        """
        body = take_body(request.data, request.content_type.split(";")[0].strip().lower())
        try:
            key = request.headers.get("Idempotency-Key", "")
            kept = idempotency.acquire(request.user, key, body.body_hash, timezone.now())
            if kept.status is not None:
                answer = idempotency.answer_of(kept)
                repeated = {"Idempotency-Replayed": "true"}
                return HttpResponse(answer, "application/json", kept.status, headers=repeated)
            try:
                tally = record(body, meters_to_record(request), timezone.now())
            except BaseException:
                idempotency.release(kept)
                raise
        finally:
            body.close()
        answer = JSONRenderer().render(tally.as_answer())
        self._finish(kept, answer, tally)
        return HttpResponse(answer, "application/json")

    bulk.needs = (Permission.RECORD_READINGS,)

    @transaction.atomic
    def _finish(self, kept: IdempotencyRecord, answer: bytes, tally: _Tally) -> None:
        """Keep the answer and note the call, then have the touched treatment units assessed.

        Handing over may fail without failing the call: the readings stand, and the night's assessment takes
        them up.
        """
        idempotency.store(kept, status=200, body=answer, now=timezone.now())
        if tally.recorded or tally.corrected:
            told = (
                f"{tally.recorded} recorded, {tally.corrected} corrected, {tally.duplicates} known already; "
                f"Idempotency-Key {kept.key}"
            )
            self.note(
                message("meter readings recorded"),
                AuditArea.FLEET,
                message("{unit_ids} units", unit_ids=len(tally.unit_ids)),
                told,
            )
        listed = sorted(tally.unit_ids)
        for start in range(0, len(listed), UNITS_PER_TASK):
            transaction.on_commit(_assessment_of(listed[start : start + UNITS_PER_TASK]), robust=True)


def record(body: BulkBody, meters: QuerySet, now: datetime) -> _Tally:
    """Record a body block by block; each block is whole or not at all."""
    blocks = csv_blocks(body.file) if body.media_type == "text/csv" else json_blocks(body.file)
    sighted = map(sight, blocks)
    tally, known = _Tally(), KnownMeters(meters)
    # The next block is read while the database has this one: waiting for it leaves the processor free.
    with _no_collecting(), ThreadPoolExecutor(1) as reader:
        ahead = reader.submit(next, sighted, None)
        while block := ahead.result():
            ahead = reader.submit(next, sighted, None)
            _record_block(block, known, now, tally)
    return tally


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Keep the collector of cycles away: rows make none, and it would look at every one of them."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _record_block(sighted: Sighted, known: KnownMeters, now: datetime, tally: _Tally) -> None:
    readings, corrections, problems = read_rows(sighted, known)
    tally.rows += len(sighted.block.rows)
    tally.problems += problems
    for some, as_correction in ((readings, False), (corrections, True)):
        if not some:
            continue
        report = record_meter_readings(
            some, source=ReadingSource.API, now=now, as_correction=as_correction, accept_good_rows=True,
            sheet=SHEET, book=tally.book,
        )  # fmt: skip
        for name in ("recorded", "corrected", "duplicates"):
            setattr(tally, name, getattr(tally, name) + getattr(report, name))
        tally.problems += report.problems
        tally.unit_ids |= report.unit_ids


def _assessment_of(unit_ids: list[int]) -> Callable[[], None]:
    """Return a function with a name, which Django logs when handing over fails."""

    def ask_for_assessment() -> None:
        assess_units.delay(unit_ids=unit_ids)

    return ask_for_assessment
