"""Long work from pages: told, stopped, repeated, lost; nothing is half-written."""

import io
from datetime import timedelta

import pytest
from django.core.cache import caches
from django.db import connection
from django.urls import reverse
from openpyxl import Workbook

from fleet.models import AssessmentRun, Customer
from scheduling.models import JobKind, JobState, LongJob
from scheduling.operations import jobs
from scheduling.workbook import importing
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def own_folder(settings, tmp_path, monkeypatch):
    settings.DATA_DIR = tmp_path
    caches["progress"].clear()
    # Every word is told, so that a test need not wait for the next one.
    monkeypatch.setattr(jobs, "TELL_EVERY_S", 0.0)


def upload(planner, count=3):
    book = Workbook()
    sheet = book.active
    sheet.title = "customers"
    sheet.append(["code", "name"])
    for number in range(count):
        sheet.append([f"C{number}", f"Customer {number} (invented)"])
    file = io.BytesIO()
    book.save(file)
    return jobs.keep_upload("fleet.xlsx", [file.getvalue()], person_id=planner.pk, now=NOW)


def wanted(planner, kind=JobKind.IMPORT_WRITE, **given):
    return jobs.begin(kind, given=given, upload=upload(planner), by=planner, now=NOW)


def do(job):
    return jobs.carry_out(job.pk, clock=lambda: NOW)


def test_a_look_writes_nothing_and_keeps_its_answer():
    job = do(wanted(make.person("planner"), JobKind.IMPORT_LOOK))
    assert job.state == JobState.DONE
    assert job.answer["counts"]["customers"]["added"] == 3
    assert not Customer.objects.exists()


def test_a_look_counts_the_sites_that_come_without_coordinates(client):
    planner = make.person("planner")
    branch = make.branch(code="north")
    book = Workbook()
    sheet = book.active
    sheet.title = "sites"
    sheet.append(["code", "name", "customer", "branch", "latitude", "longitude"])
    code = make.customer().code
    sheet.append(["S1", "Here (invented)", code, branch.code, 41.0, -93.0])
    sheet.append(["S2", "Somewhere (invented)", code, branch.code, None, None])
    file = io.BytesIO()
    book.save(file)
    token = jobs.keep_upload("fleet.xlsx", [file.getvalue()], person_id=planner.pk, now=NOW)
    do(jobs.begin(JobKind.IMPORT_LOOK, given={}, upload=token, by=planner, now=NOW))
    client.force_login(planner)
    page = client.get(reverse("import_preview", args=[token])).content.decode()
    assert "1 site in this file has no coordinates" in page


def test_a_job_that_runs_twice_writes_once_and_still_says_what_it_wrote():
    job = do(wanted(make.person("planner")))
    again = do(job)
    assert job.answer["rows_written"] == again.answer["rows_written"] == 3
    assert Customer.objects.count() == 3
    assert AssessmentRun.objects.count() == 1


def test_a_worker_that_died_after_the_rows_were_written_is_taken_up_where_it_was(monkeypatch):
    job = wanted(make.person("planner"))

    def dies(*given):
        raise SystemExit

    with monkeypatch.context() as patched:
        patched.setattr(jobs, "assess_fleet", dies)
        # A process that dies writes no end either.
        patched.setattr(jobs, "_end", lambda *given, **more: None)
        with pytest.raises(SystemExit):
            do(job)
    job = do(job)
    assert job.state == JobState.DONE
    assert job.answer["rows_written"] == 3
    assert AssessmentRun.objects.count() == 1


@pytest.mark.parametrize("at", ["reading the file", "looking at", "writing", "all rows"])
def test_stopped_anywhere_before_the_end_nothing_is_written(monkeypatch, at):
    job = wanted(make.person("planner"))
    tell = jobs.Watch.tell

    def stop_there(self, part, words):
        if words.startswith(at):
            jobs.cancel(job, now=NOW)
        tell(self, part, words)

    monkeypatch.setattr(jobs.Watch, "tell", stop_there)
    assert do(job).state == JobState.STOPPED
    assert not Customer.objects.exists()
    assert not AssessmentRun.objects.exists()
    assert jobs.kept_file(job.upload, job.made_by_id), "the file is still there for another look"


def test_once_the_rows_are_written_a_wish_to_stop_comes_too_late(monkeypatch):
    job = wanted(make.person("planner"))
    write = importing.write_prepared

    def write_and_stop(*given, **more):
        report = write(*given, **more)
        jobs.cancel(job, now=NOW)
        return report

    monkeypatch.setattr(importing, "write_prepared", write_and_stop)
    done = do(job)
    assert done.state == JobState.DONE
    assert Customer.objects.count() == done.answer["rows_written"] == 3
    assert AssessmentRun.objects.count() == 1


def test_what_nobody_has_begun_is_stopped_at_once_and_never_begun():
    job = wanted(make.person("planner"))
    jobs.cancel(job, now=NOW)
    assert do(job).state == JobState.STOPPED
    assert not Customer.objects.exists()


def test_what_was_lost_with_its_process_can_be_stopped(monkeypatch):
    job = wanted(make.person("planner"))
    jobs.Watch(job.pk).tell(0.4, "writing")
    jobs.cancel(job, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.RUNNING, "it was heard of just now"
    monkeypatch.setattr(jobs, "SILENT_S", 0)
    jobs.cancel(job, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.STOPPED


def test_one_upload_is_worked_on_once_at_a_time():
    planner = make.person("planner")
    job = wanted(planner)
    with pytest.raises(DomainError, match="being worked on"):
        jobs.begin(JobKind.IMPORT_WRITE, upload=job.upload, by=planner, now=NOW)
    do(job)
    jobs.begin(JobKind.IMPORT_LOOK, upload=job.upload, by=planner, now=NOW)


def test_an_error_of_ours_is_told_without_its_text_and_raised(monkeypatch):
    job = wanted(make.person("planner"))

    def breaks(*given, **more):
        raise RuntimeError("secret words")

    monkeypatch.setattr(importing, "prepare", breaks)
    with pytest.raises(RuntimeError):
        do(job)
    job.refresh_from_db()
    assert job.state == JobState.FAILED
    assert "secret" not in job.problem


def test_an_upload_nobody_wrote_is_thrown_away_after_a_week():
    planner = make.person("planner")
    token = upload(planner)
    jobs.keep_upload("other.xlsx", [b"x"], person_id=planner.pk, now=NOW + timedelta(days=3650))
    assert jobs.kept_file(token, planner.pk) is None


def test_a_name_longer_than_the_file_system_takes_is_cut():
    planner = make.person("planner")
    for name in ("é" * 250 + ".xlsx", "x" * 251 + ".csv"):
        kept = jobs.kept_file(jobs.keep_upload(name, [b"x"], person_id=planner.pk, now=NOW), planner.pk)
        assert kept.read_bytes() == b"x"
        assert (kept.suffix, kept.stem) == (name[name.rindex(".") :], name[: len(kept.stem)])


def test_upkeep_is_told_stage_by_stage_and_stops_between_stages(monkeypatch):
    make.treatment_unit()
    planner = make.person("planner")
    words = []
    tell = jobs.Watch.tell
    monkeypatch.setattr(
        jobs.Watch, "tell", lambda self, part, told: (words.append(told), tell(self, part, told))
    )
    done = do(jobs.begin(JobKind.UPKEEP, by=planner, now=NOW))
    assert done.answer["units"] == 1
    assert words[-1] == "entering what was earned"
    stopped = jobs.begin(JobKind.UPKEEP, by=planner, now=NOW)
    jobs.Watch(stopped.pk).tell(0, "begun")
    jobs.cancel(stopped, now=NOW)
    assert do(stopped).state == JobState.STOPPED
    assert LongJob.objects.count() == 2


def test_a_number_used_before_does_not_bring_an_older_jobs_wish_to_stop():
    planner = make.person("planner")
    older = wanted(planner)
    jobs.cancel(older, now=NOW)
    number = older.pk
    older.delete()
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(
                "UPDATE sqlite_sequence SET seq = %s WHERE name = %s", [number - 1, LongJob._meta.db_table]
            )
        else:
            cursor.execute(
                "SELECT setval(pg_get_serial_sequence(%s, 'id'), %s, false)", [LongJob._meta.db_table, number]
            )
    job = wanted(planner)
    assert job.pk == number, "as after a database was put back"
    assert do(job).state == JobState.DONE
