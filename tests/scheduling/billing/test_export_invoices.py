"""The hand-over by command."""

import io
from datetime import date

import pytest
from django.core.management import CommandError, call_command

from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _standing_moment(time_machine):
    time_machine.move_to(make.NOW, tick=False)


def run(*arguments) -> None:
    call_command("export_invoices", *arguments, stderr=io.StringIO())


def test_the_same_batch_gives_the_same_bytes_again(tmp_path):
    make.plan(make.site(), amount="60.00", starts_on=date(2026, 9, 1))
    run("--end-month", "2026-09", "--out", str(tmp_path / "first.csv"))
    run("--end-month", "2026-10", "--out", str(tmp_path / "second.csv"))
    first, second = ((tmp_path / name).read_bytes() for name in ("first.csv", "second.csv"))
    number = first.decode("utf-8-sig").splitlines()[1].split(",")[0].removeprefix("B")
    run("--batch", str(int(number)), "--out", str(tmp_path / "again.csv"))
    assert (tmp_path / "again.csv").read_bytes() == first != second
    assert first.count(b"\r\n") == 2


def test_what_can_not_be_done_says_what_would_cure_it():
    with pytest.raises(CommandError, match="no month"):
        run("--end-month", "yesterday")
    with pytest.raises(CommandError, match="not over yet"):
        run("--end-month", "2026-11")
    with pytest.raises(CommandError, match="no such batch"):
        run("--batch", "77")


def test_every_column_is_documented():
    out = io.StringIO()
    call_command("export_invoices", "--columns", stdout=out)
    assert "amount" in out.getvalue()
    assert len(out.getvalue().splitlines()) == 15
