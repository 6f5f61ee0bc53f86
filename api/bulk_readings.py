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
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from api import kept_answers
from api.bulk_body import BulkBody, take_body
from api.bulk_lines import csv_blocks, json_blocks
from api.bulk_rows import SHEET, KnownMeters, Sighted, read_rows, sight
from api.models import KeptAnswer
from api.noting import note
from api.operations import Operation
from api.parsers import CsvParser, JsonLinesAliasParser, JsonLinesParser
from api.scope import meters_to_record
from fleet.models import AuditArea, ReadingSource
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.meters import MeterBook
from fleet.tasks import assess_units
from shared.errors import RowProblem
from shared.messages import message
from shared.roles import Permission

UNITS_PER_TASK: Final = 500
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
        problems = sorted(self.problems, key=lambda problem: problem.row)
        return {
            "rows": self.rows,
            "recorded": self.recorded,
            "corrected": self.corrected,
            "duplicates": self.duplicates,
            "refused": len({problem.row for problem in problems}),
            "problems": [
                {"row": p.row, "field": p.field, "value": p.value[:80], "message": p.message,
                 "remedy": p.remedy}
                for p in problems
            ],
        }  # fmt: skip


class RecordMeterReadings(Operation):
    """Record up to 100 000 register totals, as JSON lines or CSV.

    A row names its meter by ``meter_id``, or by ``treatment_unit_serial`` and ``water`` (permeate unless
    said otherwise); gives ``read_at`` with its zone, and one total: ``total_as_shown`` in the meter's own
    measure, or ``total_gal``, ``total_l``, ``total_m3``, ``total_ft3``. Good rows stay, bad rows return.
    The same value again is counted as a duplicate. Another value for a known moment is refused unless the
    row says ``is_correction``; it then becomes a higher revision and nothing is overwritten.
    """

    needs = (Permission.RECORD_READINGS,)
    parser_classes = [JsonLinesParser, CsvParser, JsonLinesAliasParser]
    serializer_class = BulkAnswer
    pagination_class = None
    throttle_scope = "bulk"

    @extend_schema(
        parameters=[KEY],
        request={
            "application/x-ndjson": OpenApiTypes.STR,
            "application/jsonl": OpenApiTypes.STR,
            "text/csv": OpenApiTypes.STR,
        },
        responses={
            200: BulkAnswer,
            422: OpenApiResponse(description="The Idempotency-Key was used with another body."),
        },
    )
    def post(self, request: Request) -> HttpResponse:
        """Record the rows, or send the answer of the same call before."""
        media_type = request.content_type.split(";")[0].strip().lower()
        body = take_body(request.data, media_type)
        try:
            key = request.headers.get("Idempotency-Key", "")
            kept = kept_answers.claim(request.user, key, body.body_hash, timezone.now())
            if kept.status is not None:
                return _answer(kept_answers.answer_of(kept), kept.status, is_repeat=True)
            try:
                tally = record(body, meters_to_record(request), timezone.now())
            except BaseException:
                kept_answers.let_go(kept)
                raise
        finally:
            body.close()
        answer = JSONRenderer().render(tally.as_answer())
        _finish(request, kept, answer, tally)
        return _answer(answer, 200)


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
    read = read_rows(sighted, known)
    tally.rows += len(sighted.block.rows)
    tally.problems += read.problems
    for readings, as_correction in ((read.readings, False), (read.corrections, True)):
        if not readings:
            continue
        report = record_meter_readings(
            readings, source=ReadingSource.API, now=now, as_correction=as_correction, accept_good_rows=True,
            sheet=SHEET, book=tally.book,
        )  # fmt: skip
        tally.recorded += report.recorded
        tally.corrected += report.corrected
        tally.duplicates += report.duplicates
        tally.problems += report.problems
        tally.unit_ids |= report.unit_ids


@transaction.atomic
def _finish(request: Request, kept: KeptAnswer, answer: bytes, tally: _Tally) -> None:
    """Keep the answer and note the call, then have the touched treatment units assessed.

    Handing over may fail without failing the call: the readings stand, and the night's assessment takes
    them up.
    """
    kept_answers.keep(kept, status=200, body=answer, now=timezone.now())
    if tally.recorded or tally.corrected:
        told = (
            f"{tally.recorded} recorded, {tally.corrected} corrected, {tally.duplicates} known already; "
            f"Idempotency-Key {kept.key}"
        )
        note(
            request,
            message("meter readings recorded"),
            AuditArea.FLEET,
            message("{unit_ids} units", unit_ids=len(tally.unit_ids)),
            told,
        )
    listed = sorted(tally.unit_ids)
    for start in range(0, len(listed), UNITS_PER_TASK):
        transaction.on_commit(_assessment_of(listed[start : start + UNITS_PER_TASK]), robust=True)


def _assessment_of(unit_ids: list[int]) -> Callable[[], None]:
    """Return a function with a name, which Django logs when handing over fails."""

    def ask_for_assessment() -> None:
        assess_units.delay(unit_ids=unit_ids)

    return ask_for_assessment


def _answer(body: bytes, status: int, *, is_repeat: bool = False) -> HttpResponse:
    response = HttpResponse(body, status=status, content_type="application/json")
    if is_repeat:
        response["Idempotency-Replayed"] = "true"
    return response
