"""The drill: a backup taken while others write restores to exactly what it says, on both databases."""

import hashlib
import io
import json
import tarfile
import threading
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, connections

from fleet.models import Customer, MeterReading, Site, TaskRun
from scheduling.operations import backup_databases, backups
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def company(settings, tmp_path):
    """A small company with a photo, its data below a folder of its own."""
    settings.MEDIA_ROOT = tmp_path / "data" / "media"
    settings.DATA_DIR = tmp_path / "data"
    photo = Path(settings.MEDIA_ROOT) / "photos" / "2026" / "one.jpg"
    photo.parent.mkdir(parents=True)
    photo.write_bytes(b"not really a photo")
    make.customer(code="C-1", name='Łódź – ünïcode, "quoted"\n\\N')
    make.weekly_readings(make.meter(make.treatment_unit()), weeks=60)
    return photo


@pytest.fixture
def writer(company):
    """Somebody who records readings the whole time; says how many were recorded."""
    meter, halt, wrote = make.meter(make.treatment_unit()), threading.Event(), []

    def write():
        while not halt.is_set():
            at = make.NOW + timedelta(minutes=len(wrote) + 1)
            wrote.append(make.meter_reading(meter, 1000.0 + len(wrote), at).pk)
        connections.close_all()

    thread = threading.Thread(target=write)
    thread.start()
    yield wrote
    halt.set()
    thread.join(60)


def empty_everything():
    call_command("flush", interactive=False, verbosity=0)


def test_a_backup_taken_while_others_write_restores_to_what_it_says(writer, company, tmp_path, capsys):
    while len(writer) < 5:
        pass
    call_command("back_up", tmp_path / "kept")
    assert "restored and compared" in capsys.readouterr().out
    (file,) = (tmp_path / "kept").glob("*.tar")
    assert file.stat().st_mode & 0o077 == 0
    assert TaskRun.objects.get(name="back_up").outcome == "done"


def test_the_drill_lose_everything_and_restore_it(company, tmp_path):
    before = list(MeterReading.objects.order_by("pk").values())
    names = list(Customer.objects.order_by("pk").values())
    file, manifest = backups.back_up(tmp_path / "kept", now=make.NOW)
    assert manifest.tables["fleet_meterreading"].rows == len(before) > 50
    empty_everything()
    company.unlink()
    assert not Site.objects.exists()

    call_command("restore", file)
    assert list(MeterReading.objects.order_by("pk").values()) == before
    assert list(Customer.objects.order_by("pk").values()) == names
    assert company.read_bytes() == b"not really a photo"
    # What numbers rows goes on where it was.
    assert make.customer().pk > max(row["id"] for row in names)


def test_nothing_is_restored_over_somebodys_data_without_saying_so(company, tmp_path):
    file, _ = backups.back_up(tmp_path / "kept", now=make.NOW)
    make.customer(code="C-LATER")
    with pytest.raises(CommandError, match=r"not empty.*--over"):
        call_command("restore", file)
    assert Customer.objects.filter(code="C-LATER").exists()
    call_command("restore", file, over=True)
    assert not Customer.objects.filter(code="C-LATER").exists()
    assert Customer.objects.filter(code="C-1").exists()


def test_a_check_proves_a_backup_and_changes_nothing(company, tmp_path):
    file, _ = backups.back_up(tmp_path / "kept", now=make.NOW, prove=False)
    make.customer(code="C-LATER")
    call_command("restore", file, check=True)
    assert Customer.objects.filter(code="C-LATER").exists()


def test_a_damaged_backup_is_refused_and_nothing_is_changed(company, tmp_path):
    file, _ = backups.back_up(tmp_path / "kept", now=make.NOW)
    whole = file.read_bytes()
    with tarfile.open(file) as tar:
        begin = next(one.offset_data + one.size // 2 for one in tar if one.name.startswith("database"))
    file.write_bytes(whole[:begin] + bytes([whole[begin] ^ 255]) + whole[begin + 1 :])
    for how in ({"check": True}, {"over": True}):
        with pytest.raises(CommandError, match="missing or damaged"):
            call_command("restore", file, **how)
    file.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(CommandError, match=r"backup"):
        call_command("restore", file, over=True)
    assert Customer.objects.filter(code="C-1").exists()


def test_a_list_that_promises_another_row_is_found_out(company, tmp_path, monkeypatch):
    database = backups.ENGINES[connection.vendor]
    real = database.copy_to

    def promise_more(self, target):
        tables, migrations = real(self, target)
        one = tables["fleet_customer"]
        return tables | {"fleet_customer": type(one)(one.rows + 1, one.checksum)}, migrations

    monkeypatch.setattr(database, "copy_to", promise_more)
    with pytest.raises(DomainError, match="fleet_customer has"):
        backups.back_up(tmp_path / "kept", now=make.NOW)
    assert list((tmp_path / "kept").iterdir()) == [], "what is not proved does not stay"


def with_members(file, wanted, listed=()):
    """Write a backup anew with more members, of which some stand in its list."""
    with tarfile.open(file) as tar:
        kept = {one.name: tar.extractfile(one).read() for one in tar if one.isreg()}
    given = json.loads(kept["manifest.json"])
    given["files"] |= {name: hashlib.sha256(b"x").hexdigest() for name in listed}
    kept |= {"manifest.json": json.dumps(given).encode()} | dict.fromkeys(wanted, b"x")
    with tarfile.open(file, "w") as tar:
        for name, content in kept.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            tar.addfile(member, io.BytesIO(content))
        link = tarfile.TarInfo("media/photos/link")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc"
        tar.addfile(link)


def test_only_what_the_list_names_is_unpacked_and_never_outside_its_folder(company, tmp_path):
    file, _ = backups.back_up(tmp_path / "kept", now=make.NOW, prove=False)
    room = tmp_path / "room" / "deep"
    room.mkdir(parents=True)
    with_members(file, ["media/not-listed.jpg", "media/../../outside.txt"])
    backups._unpack(file, room)
    found = {path.relative_to(room).as_posix() for path in room.rglob("*") if not path.is_dir()}
    assert found == {"media/photos/2026/one.jpg", backups.ENGINES[connection.vendor].file}
    with_members(file, ["media/../../outside.txt"], ["media/../../outside.txt"])
    with pytest.raises(DomainError, match="missing or damaged"):
        backups.check(file)
    assert not list(tmp_path.rglob("outside.txt"))


def test_a_backup_of_a_newer_release_is_refused(company, tmp_path, monkeypatch):
    file, _ = backups.back_up(tmp_path / "kept", now=make.NOW)
    known = backups._known_migrations() - {"fleet.0001_initial"}
    monkeypatch.setattr(backups, "_known_migrations", lambda: known)
    with pytest.raises(CommandError, match="newer release"):
        call_command("restore", file, over=True)


def test_a_file_that_is_no_backup_is_refused(tmp_path):
    (tmp_path / "a.tar").write_text("no tar")
    with pytest.raises(CommandError, match="no backup of ours"):
        call_command("restore", tmp_path / "a.tar", check=True)


def test_a_failed_backup_is_written_down_and_leaves_no_half_file(company, tmp_path, monkeypatch):
    def full(*args):
        raise DomainError("The backup could not be written: No space left on device.", remedy="Free space.")

    monkeypatch.setattr("scheduling.operations.backups._write", full)
    with pytest.raises(CommandError, match="No space left"):
        call_command("back_up", tmp_path / "kept")
    assert list((tmp_path / "kept").iterdir()) == []
    assert "The disk was full" in TaskRun.objects.get(name="back_up").problem


def test_a_missing_program_is_named_with_its_remedy(monkeypatch):
    monkeypatch.setattr(backup_databases.glob, "glob", lambda pattern: [])
    monkeypatch.setattr(backup_databases.shutil, "which", lambda name: None)
    with pytest.raises(DomainError, match=r"pg_dump is not on this machine.*postgresql-client"):
        backup_databases.find_tool("pg_dump")


@pytest.mark.postgres
def test_no_scratch_database_is_left_behind(company, tmp_path):
    backups.back_up(tmp_path / "kept", now=make.NOW)
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_database WHERE datname LIKE 'tapward_scratch_%%'")
        assert cursor.fetchone()[0] == 0
