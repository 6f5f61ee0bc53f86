"""Many readings at once: bad cells are named, good rows may be kept, nothing is half-written or lost."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils.timezone import localtime

from fleet.models import MeterReading, PerformanceReading
from scheduling.entry.grid import enter_many, lines_of, meters_by_serial
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
AT = localtime(make.NOW).strftime("%Y-%m-%dT%H:%M")


@pytest.fixture(autouse=True)
def _standing_clock(monkeypatch, now):
    monkeypatch.setattr("django.utils.timezone.now", lambda: now)


@pytest.fixture
def site():
    return make.site(time_zone="UTC")


def fleet(site, count):
    meters = []
    for _ in range(count):
        meter = make.meter(make.treatment_unit(site=site))
        make.meter_reading(meter, 1000.0, make.NOW - timedelta(days=10))
        meters.append(meter)
    return meters


def new():
    return MeterReading.objects.filter(read_at__gte=make.NOW - timedelta(days=9))


def enter(text, *, keep_good, because="", listed=()):
    lines = lines_of(text, listed)
    meters = meters_by_serial((line.serial for line in lines), None)
    return enter_many(
        lines, meters, at=make.NOW, because=because, keep_good=keep_good, system="us", by=None, now=make.NOW
    )


def test_ten_thousand_lines_with_three_hundred_bad_cells(client, site):
    meters = fleet(site, 100)
    lines, bad = [], {}
    for n in range(10_000):
        meter, day = meters[n % 100], make.NOW - timedelta(days=1, minutes=99 - n // 100)
        cells = [meter.treatment_unit.serial, f"{1000 + n // 100:,}.0", day.strftime("%Y-%m-%d %H:%M")]
        if n % 100 == 7 and n // 100 < 100:
            cells[1], bad[n + 1] = "about 12", ("total", "about 12")
        if n % 100 == 8:
            cells[0], bad[n + 1] = "RO-nowhere", ("serial", "RO-nowhere")
        if n % 100 == 9:
            cells[2], bad[n + 1] = "2026-02-30", ("read_at", "2026-02-30")
        lines.append("\t".join(cells))
    text = "\n".join(lines)
    done = enter(text, keep_good=False)
    assert {problem.row: (problem.field, problem.value) for problem in done.problems} == bad
    assert len(bad) == 300
    assert all(problem.message and problem.remedy for problem in done.problems)
    assert (done.kept, new().count()) == (0, 0)
    client.force_login(make.person("planner", branch=site.branch))
    page = client.post(reverse("enter_grid"), {"paste": text, "read_at": AT, "do": "all"})
    assert page.status_code == 422
    assert "300 rows can’t be kept as they are" in page.content.decode()
    assert not new().exists()
    done = enter(text, keep_good=True)
    assert (done.kept, new().count(), len(done.bad_rows)) == (9_700, 9_700, 300)
    # The same again writes nothing.
    assert enter(text, keep_good=True).kept == 0


def test_columns_are_named_or_in_the_order_of_the_list_and_measures_may_stand_behind(site):
    first, second = fleet(site, 2)
    by_name = "Treatment unit;Register;Feed pressure psi\n" + f"{first.treatment_unit.serial};1,050;61.5"
    assert enter(by_name, keep_good=False).kept == 2
    assert PerformanceReading.objects.get().feed_pressure_psi == 61.5
    MeterReading.objects.filter(read_at=make.NOW).delete()
    litres = f"{3785.411784 * 1.1:.3f} L"
    assert enter(f"1.1K\n{litres}\n", keep_good=False, listed=[first.serial, second.serial]).kept == 2
    assert new().get(meter=second).total == pytest.approx(1100, abs=0.01)
    with pytest.raises(DomainError, match="does not fit the list"):
        lines_of("1100\n1200\n1300\n", [first.serial])
    with pytest.raises(DomainError, match="more than one paste takes"):
        lines_of("x\t1\n" * 10_001)


def test_the_page_keeps_the_good_and_gives_back_the_bad_with_why(client, site):
    good, bad, doubtful, typed = fleet(site, 4)
    client.force_login(make.person("planner", branch=site.branch))
    address = reverse("enter_grid")
    page = client.get(address).content.decode()
    for meter in (good, bad, doubtful, typed):
        assert f'name="t-{meter.pk}"' in page
    paste = (
        f"{good.treatment_unit.serial}\t1,040\n{bad.treatment_unit.serial}\tabout 12\n{doubtful.serial}\t12"
    )
    fields = {"read_at": AT, "paste": paste, f"t-{typed.pk}": "1060"}
    refused = client.post(address, {**fields, "do": "all"})
    told = refused.content.decode()
    assert refused.status_code == 422
    assert not new().exists()
    assert "about 12" in told
    assert "is below the last" in told
    assert 'value="1060"' in told
    assert all(line in told for line in paste.split("\n"))
    kept = client.post(address, {**fields, "do": "good"})
    assert {row.meter_id for row in new()} == {good.pk, typed.pk}
    left = re.search(r"<textarea.*?>\s*(.*?)</textarea>", kept.content.decode(), re.DOTALL)[1]
    assert left.split("\n") == paste.split("\n")[1:]
    assert 'value="1060"' not in kept.content.decode()
    client.post(address, {"read_at": AT, "paste": left, "because": "New meter head.", "do": "good"})
    assert "New meter head." in new().get(meter=doubtful).doubt


def test_another_branchs_units_are_neither_listed_nor_taken(client, site):
    (meter,) = fleet(site, 1)
    client.force_login(make.person("planner", branch=make.branch()))
    address = reverse("enter_grid")
    assert meter.treatment_unit.serial not in client.get(address).content.decode()
    told = client.post(address, {"read_at": AT, "paste": f"{meter.serial}\t1040", "do": "all"})
    assert "no such treatment unit or meter in your branch" in told.content.decode()
    assert not new().exists()
