"""What finished visits teach: shown, accepted by a planner, taken back, never counted in silence."""

from datetime import UTC, datetime, time, timedelta

import pytest
from django.urls import reverse

from scheduling.models import AcceptedPace, CloseOut, Outcome, Route, RouteProposal, Stop, StopOrder
from scheduling.orders.states import number_of
from scheduling.planning.duration_factor import NEEDED
from scheduling.routes import duration_factors, problem
from shared.errors import DomainError
from tests import factories as make
from tests.factories import NOW, TODAY
from tests.scheduling.hands import TUESDAY, crew

pytestmark = pytest.mark.django_db
VISIT_MIN = 8


def finished_visits(branch, technician, days, drive_factor=1.0, work_factor=1.0):
    """Two visits a day whose gap is the estimated drive times a factor, plus walking in."""
    sites = [
        make.site(branch=branch, latitude=41.0, longitude=-93.0),
        make.site(branch=branch, latitude=41.2, longitude=-93.1),
    ]
    units = [make.treatment_unit(site=site) for site in sites]
    for number in range(days):
        day = TODAY - timedelta(days=number + 1)
        clock = datetime.combine(day, time(14), tzinfo=UTC)
        route = Route.objects.create(
                technician=technician, day=day, leaves_at=clock, returns_at=clock,
                proposal=RouteProposal.objects.create(first_on=day, last_on=day, made_at=clock),
            )  # fmt: skip
        for place, unit in enumerate(units, start=1):
            order = make.work_order(unit, minutes=40)
            at = {"arrives_at": clock, "starts_at": clock, "leaves_at": clock + timedelta(minutes=40)}
            stop = route.stops.create(place=place, site=unit.site, drive_minutes=30, **at)
            StopOrder.objects.create(stop=stop, order=order)
            minutes = round(40 * work_factor)
            clock += timedelta(minutes=minutes)
            CloseOut.objects.create(
                order=order, stop=stop, technician=technician, outcome=Outcome.DONE, finished_at=clock,
                received_at=clock, minutes=minutes,
            )  # fmt: skip
            if place == 1:
                real = duration_factors._estimate_min(stop, Stop(site=sites[1])) * drive_factor
                clock += timedelta(minutes=VISIT_MIN + real)


def taught(branch, what):
    rows = duration_factors.suggestions(branch, now=NOW, site_visit_min=VISIT_MIN)
    return next(one for one in rows if one.what == what)


def test_slow_roads_and_long_work_are_suggested_but_not_counted_until_accepted():
    branch, (technician,), (order,) = crew(1, 1)
    before = problem.build(branch, TUESDAY, 1, NOW).problem
    finished_visits(branch, technician, NEEDED, drive_factor=1.3, work_factor=1.25)
    drives, work = taught(branch, "drive"), taught(branch, "change_due")
    assert drives.found.factor == pytest.approx(1.3, abs=0.02)
    assert work.found.factor == pytest.approx(1.25, abs=0.01)
    same = problem.build(branch, TUESDAY, 1, NOW).problem
    pair = before.technicians[0].start.id, before.jobs[0].place.id
    assert same.travel.seconds(*pair) == before.travel.seconds(*pair)
    for one in (drives, work):
        duration_factors.accept(
            branch, one.what, factor_seen=one.found.factor, by=None, now=NOW, site_visit_min=VISIT_MIN
        )
    paced = problem.build(branch, TUESDAY, 1, NOW).problem
    assert paced.travel.seconds(*pair) == pytest.approx(before.travel.seconds(*pair) * 1.3, rel=0.02)
    name = number_of(order.pk)
    assert paced.job(name).service_s == pytest.approx(before.job(name).service_s * 1.25, abs=60)
    duration_factors.give_back(branch, "drive", by=None, now=NOW + timedelta(minutes=1))
    again = problem.build(branch, TUESDAY, 1, NOW).problem
    assert again.travel.seconds(*pair) == before.travel.seconds(*pair)


def test_too_few_visits_teach_nothing_and_can_not_be_accepted():
    branch, (technician,), _ = crew(1, 1)
    finished_visits(branch, technician, 3, drive_factor=1.5)
    found = taught(branch, "drive").found
    assert f"3 finished, {NEEDED} are needed" in found.reason
    with pytest.raises(DomainError, match="nothing to accept"):
        duration_factors.accept(branch, "drive", factor_seen=1.5, by=None, now=NOW, site_visit_min=VISIT_MIN)
    assert not AcceptedPace.objects.exists()


def test_drives_over_lunch_and_visits_undone_are_left_out():
    branch, (technician,), _ = crew(1, 1)
    finished_visits(branch, technician, NEEDED)
    for route in technician.routes.all():
        first, second = route.stops.order_by("place")
        route.lunch_at = first.leaves_at + (second.starts_at - first.leaves_at) / 2
        route.save()
    assert taught(branch, "drive").found.visits == 0
    assert taught(branch, "change_due").found.visits == 2 * NEEDED
    CloseOut.objects.update(undone_at=NOW, undone_by=make.person("planner"), undone_because="wrong order")
    assert taught(branch, "change_due").found.visits == 0


def test_the_page_shows_accepts_and_takes_back(client, time_machine):
    time_machine.move_to(NOW, tick=False)
    branch, (technician,), _ = crew(1, 1)
    finished_visits(branch, technician, NEEDED, drive_factor=1.3)
    client.force_login(make.person("planner", branch=branch))
    text = client.get(reverse("travel_times")).content.decode()
    assert "× 1.3" in text
    shown = {"branch": branch.pk, "what": "drive", "factor": f"{taught(branch, 'drive').found.factor:.2f}"}
    assert "× 1.3" in client.post(reverse("accept_pace"), shown, follow=True).content.decode()
    assert AcceptedPace.objects.get().accepted_by.branch == branch
    client.post(reverse("give_back_pace"), shown)
    assert duration_factors.in_use_of(branch) == {}
    stale = {**shown, "factor": "0.90"}
    assert "Look again" in client.post(reverse("accept_pace"), stale, follow=True).content.decode()
    elsewhere = {**shown, "branch": make.branch().pk}
    assert client.post(reverse("accept_pace"), elsewhere).status_code == 404
