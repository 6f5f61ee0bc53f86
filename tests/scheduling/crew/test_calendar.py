"""Absences by hours and every week, closures, public holidays: by one door, kept by the planner."""

from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet.models import AuditEntry
from scheduling.crew import calendar, calendar_entries
from scheduling.models import Absence, OrderState, Shift, SiteClosure, Stop
from scheduling.routes import problem as routes_problem
from scheduling.routes import promises, proposals
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
TUESDAY = TODAY + timedelta(days=1)
THURSDAY = TODAY + timedelta(days=3)
HOUR = 3600


@pytest.fixture
def crew():
    branch = factories.branch(time_zone="America/Chicago")
    who = factories.technician(branch=branch)
    orders = [
        factories.work_order(
            factories.treatment_unit(site=factories.site(branch=branch)), window_to=TODAY + timedelta(days=5)
        )
        for _ in range(6)
    ]
    return branch, who, orders


def away(who, **given):
    values = {"first_on": THURSDAY, "last_on": THURSDAY, "today": TODAY, "by": None, "now": NOW}
    return calendar_entries.add_absence(who, **values | given)


def shifts(branch, first_on, days=7):
    built = routes_problem.build(branch, first_on, days, NOW)
    return {shift.day: shift for shift in built.problem.shifts}


def test_thursday_ten_to_twelve_off_is_kept_by_the_plan(crew):
    branch, who, _ = crew
    away(who, starts_at=time(10), ends_at=time(12))
    assert shifts(branch, THURSDAY, 1)[THURSDAY].off == ((10 * HOUR, 12 * HOUR),)
    plan = proposals.propose(
        branch=branch, first_on=THURSDAY, days=1, seconds=1.5, now=NOW, max_iterations=20
    )
    zone = ZoneInfo(branch.time_zone)
    stops = list(Stop.objects.filter(route__proposal=plan))
    assert stops
    for stop in stops:
        begins, ends = (at.astimezone(zone).time() for at in (stop.starts_at, stop.leaves_at))
        assert ends <= time(10) or begins >= time(12)


def test_hours_off_at_the_end_of_a_day_shorten_it_and_every_week_means_until_the_date(crew):
    branch, who, _ = crew
    away(who, starts_at=time(15), ends_at=time(18), repeats_until=THURSDAY + timedelta(days=10))
    assert shifts(branch, THURSDAY, 1)[THURSDAY].end_s == 15 * HOUR
    assert shifts(branch, THURSDAY + timedelta(days=7), 1)[THURSDAY + timedelta(days=7)].end_s == 15 * HOUR
    assert shifts(branch, THURSDAY + timedelta(days=14), 1)[THURSDAY + timedelta(days=14)].end_s == 17 * HOUR
    assert shifts(branch, TUESDAY, 1)[TUESDAY].end_s == 17 * HOUR


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"last_on": THURSDAY - timedelta(days=1)}, "last_on"),
        ({"first_on": TODAY - timedelta(days=1)}, "first_on"),
        ({"starts_at": time(12), "ends_at": time(10)}, "ends_at"),
        ({"starts_at": time(12)}, "ends_at"),
        ({"repeats_until": TODAY}, "repeats_until"),
        (
            {"last_on": THURSDAY + timedelta(days=8), "repeats_until": THURSDAY + timedelta(days=60)},
            "repeats_until",
        ),
        ({"last_on": THURSDAY + timedelta(days=2000)}, "last_on"),
        ({"first_on": None}, "first_on"),
    ],
)
def test_an_absence_that_can_not_be_is_refused_with_its_field(crew, given, field):
    with pytest.raises(DomainError) as refused:
        away(crew[1], **given)
    assert (refused.value.field, bool(refused.value.remedy)) == (field, True)
    assert not Absence.objects.exists()


def test_hours_within_a_day_off_are_known_already_and_a_day_around_hours_is_not(crew):
    _, who, _ = crew
    away(who, starts_at=time(10), ends_at=time(12))
    away(who)
    with pytest.raises(DomainError, match="already"):
        away(who, starts_at=time(9), ends_at=time(11))


def test_an_absence_is_taken_back_from_today_on_and_what_has_been_stays(crew):
    _, who, _ = crew
    row = away(who, first_on=TODAY, last_on=THURSDAY)
    calendar_entries.end_absence(row, today=TUESDAY, by=None, now=NOW)
    row.refresh_from_db()
    assert row.last_on == TODAY
    with pytest.raises(DomainError, match="over"):
        calendar_entries.end_absence(row, today=TUESDAY, by=None, now=NOW)
    later = away(who)
    calendar_entries.end_absence(later, today=TUESDAY, by=None, now=NOW)
    assert Absence.objects.get() == row
    assert AuditEntry.objects.filter(what="absence taken back").count() == 2


def test_a_closed_site_is_not_visited_nor_promised_and_is_again_afterwards(crew):
    branch, _, orders = crew
    site = orders[0].site
    last = TUESDAY + timedelta(days=13)
    closure = calendar_entries.close_site(
        site, first_on=TUESDAY, last_on=last, today=TODAY, by=None, now=NOW, reason="Works"
    )
    plan = proposals.propose(branch=branch, first_on=TUESDAY, days=3, seconds=1.5, now=NOW, max_iterations=20)
    assert plan.unplaced.filter(order=orders[0]).exists()
    assert not Stop.objects.filter(route__proposal=plan, site=site).exists()
    with pytest.raises(DomainError, match="closed from"):
        promises.promise(orders[0], THURSDAY, by=None, now=NOW)
    with pytest.raises(DomainError, match="already"):
        calendar_entries.close_site(site, first_on=last, last_on=last, today=TODAY, by=None, now=NOW)
    with pytest.raises(DomainError, match="before"):
        calendar_entries.close_site(site, first_on=last, last_on=TUESDAY, today=TODAY, by=None, now=NOW)
    calendar_entries.reopen_site(closure, by=None, now=NOW)
    assert not SiteClosure.objects.exists()
    promises.promise(orders[0], THURSDAY, by=None, now=NOW)


def test_a_closure_leaves_other_days_and_the_hours_of_the_site(crew):
    branch, _, orders = crew
    site = orders[0].site
    site.access_hours.create(weekday=3, opens_at=time(9), closes_at=time(11))
    calendar_entries.close_site(site, first_on=TUESDAY, last_on=TUESDAY, today=TODAY, by=None, now=NOW)
    built = routes_problem.build(branch, TUESDAY, 3, NOW)
    access = {job.id: job.access for job in built.problem.jobs}[f"W{orders[0].pk:06d}"]
    assert [access.on(TUESDAY + timedelta(days=i)) for i in range(3)] == [(), (), ((9 * HOUR, 11 * HOUR),)]


def test_holidays_are_the_branchs_own_before_the_companys(crew):
    """Days: Texas Independence Day 2 March is a state holiday of Texas alone; 4 July and Thanksgiving are
    United States federal holidays, 5 U.S.C. 6103(a); 16 September is Independence Day in Mexico, Ley Federal
    del Trabajo, article 74."""
    branch = crew[0]
    days = [date(2027, 3, 2), date(2027, 7, 5), date(2027, 9, 16), date(2027, 11, 25)]
    assert calendar.days_off(branch, days) == {}
    given = {"by": None, "now": NOW}
    calendar_entries.set_region(None, country="us", subdivision="TX", **given)
    assert set(calendar.days_off(branch, days)) >= {days[1], days[3]}
    calendar_entries.set_region(branch, country="MX", subdivision="", **given)
    assert set(calendar.days_off(branch, days)) == {days[2]}
    calendar_entries.set_region(branch, country="", subdivision="", **given)
    assert calendar.days_off(branch, days) == {}


def test_nobody_works_on_a_holiday_unless_the_branch_says_so(crew):
    branch, _, orders = crew
    thanksgiving = date(2026, 11, 26)
    calendar_entries.set_region(None, country="US", subdivision="IA", by=None, now=NOW)
    assert thanksgiving not in shifts(branch, thanksgiving, 2)
    with pytest.raises(DomainError, match="Thanksgiving"):
        promises.promise(orders[0], thanksgiving, by=None, now=NOW)
    calendar_entries.set_day(branch, thanksgiving, is_worked=True, reason="On call", by=None, now=NOW)
    assert thanksgiving in shifts(branch, thanksgiving, 2)
    eve = date(2026, 11, 25)
    calendar_entries.set_day(branch, eve, is_worked=False, reason="Stocktaking", by=None, now=NOW)
    assert calendar.days_off(branch, [eve]) == {eve: "Stocktaking"}


@pytest.mark.parametrize(("country", "part", "field"), [("XX", "", "country"), ("US", "ZZ", "subdivision")])
def test_a_region_nobody_knows_is_refused(country, part, field):
    with pytest.raises(DomainError) as refused:
        calendar_entries.set_region(None, country=country, subdivision=part, by=None, now=NOW)
    assert refused.value.field == field


def test_a_new_pattern_holds_from_its_day_and_the_old_until_then(crew):
    branch, who, _ = crew
    Shift.objects.create(technician=who, from_on=THURSDAY, weekday=3, starts_at=time(6), ends_at=time(12))
    found = shifts(branch, TUESDAY, 7)
    assert sorted(found) == [TUESDAY, TUESDAY + timedelta(days=1), THURSDAY]
    assert (found[TUESDAY].start_s, found[THURSDAY].start_s) == (8 * HOUR, 6 * HOUR)


def test_nobody_is_planned_before_the_first_or_after_the_last_day(crew):
    branch, who, orders = crew
    who.works_from, who.last_on = TUESDAY + timedelta(days=1), THURSDAY
    who.save()
    assert sorted(shifts(branch, TUESDAY)) == [TUESDAY + timedelta(days=1), THURSDAY]
    assert all(order.state == OrderState.OPEN for order in orders)
