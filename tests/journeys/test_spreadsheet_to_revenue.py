"""The whole line through the real pages in a real browser: a spreadsheet goes in, revenue comes out."""

from datetime import timedelta

import pytest
from django.utils import timezone
from openpyxl import Workbook

from fleet.models import Part, Person, UnitState
from scheduling.models import CloseOut, OrderState, RevenueEntry, Stop, Technician, WorkOrder
from tests.journeys.phone_browser import unfold

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PASSWORD = "rowan-heron-slate-9"


def company_sheets(today):
    """One invented site whose carbon is past its months, a technician who works every day, a plan at 60."""

    def ago(days):
        return (today - timedelta(days=days)).isoformat()

    return {
        "branches": [
            {"code": "north", "name": "North (invented)", "time_zone": "UTC", "latitude": 41.05,
             "longitude": -98.3}
        ],
        "customers": [{"code": "K1", "name": "Amber Bakery (invented)"}],
        "supplies": [{"code": "COR", "name": "Corvane waterworks (invented)", "kind": "utility"}],
        "feed_tests": [
            {"supply": "COR", "sampled_at": f"{ago(40)} 09:30", "free_chlorine_mg_l": 1.0,
             "hardness_mg_l": 150}
        ],
        "sites": [
            {"code": "S1", "name": "High Street", "customer": "K1", "branch": "north", "supply": "COR",
             "time_zone": "UTC", "latitude": 41.06, "longitude": -98.31}
        ],
        "catalogue": [
            {"code": "CAR", "name": "Carbon", "role": "carbon", "rated_gal": 90000, "rated_months": 6,
             "rating_chlorine_mg_l": 2.0, "needs_flush": "yes", "flush_gal": 25, "flush_gpm": 1.25,
             "cost": "31.00", "price": "74.00"}
        ],
        "treatment_units": [
            {"serial": "TU-1", "site": "S1", "design_use_gal_per_day": 100, "design_permeate_gpm": 0.45,
             "commissioned_on": ago(400)}
        ],
        "parts": [
            {"treatment_unit": "TU-1", "position": "carbon", "order": 1, "water": "feed", "kind": "CAR",
             "installed_at": f"{ago(200)} 10:00", "lot": "OLD-1"}
        ],
        "flushes": [
            {"treatment_unit": "TU-1", "position": "carbon", "kind": "carbon_fines",
             "flushed_at": f"{ago(200)} 11:00", "volume_gal": 25, "minutes": 20, "ran_clear": "yes"}
        ],
        "meters": [{"treatment_unit": "TU-1", "serial": "M1", "installed_at": f"{ago(400)} 09:00"}],
        "meter_readings": [
            {"treatment_unit": "TU-1", "read_at": f"{ago(210 - 7 * week)} 10:15", "total": 5000 + 700 * week}
            for week in range(30)
        ],
        "technicians": [
            {"code": "ines", "name": "Ines Varga (invented)", "branch": "north", "start_latitude": 41.05,
             "start_longitude": -98.3, "weekdays": "Mon Tue Wed Thu Fri Sat Sun",
             "shift_starts_at": "08:00", "shift_ends_at": "16:30"}
        ],
        "plans": [
            {"code": "P1", "name": "Full care", "site": "S1", "treatment_unit": "TU-1",
             "starts_on": today.replace(day=1).isoformat(), "price": "60.00",
             "price_from_on": today.replace(day=1).isoformat()}
        ],
    }  # fmt: skip


def write_workbook(sheets, path):
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        heads = list(rows[0])
        sheet.append(heads)
        for row in rows:
            sheet.append([row.get(head) for head in heads])
    book.save(path)


def log_in(browser, url, name, width, height):
    """Open a browser of somebody's own and log in as they would."""
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.goto(f"{url}/log-in/")
    page.fill("[name=username]", name)
    page.fill("[name=password]", PASSWORD)
    page.click("button[type=submit]")
    page.wait_for_url(lambda address: "/log-in/" not in address)
    return page


def test_a_spreadsheet_becomes_work_a_route_a_close_out_and_revenue(browser, live_server, tmp_path):
    url, today = live_server.url, timezone.localdate()
    for name in ("planner", "technician", "owner"):
        Person.objects.create_user(name, password=PASSWORD, role=name)
    write_workbook(company_sheets(today), tmp_path / "fleet.xlsx")

    # Plans and technicians' hours are the owner's to bring in.
    page = log_in(browser, url, "owner", 1440, 900)
    page.goto(f"{url}/import/")
    page.set_input_files("[name=workbook]", tmp_path / "fleet.xlsx")
    page.get_by_role("button", name="Look at what would come of it").click()
    page.get_by_text("Nothing is wrong with this workbook").wait_for()
    page.locator("button[name=accept]").click()
    page.get_by_text("were written and the fleet assessed").wait_for()
    page.get_by_role("button", name="Raise the work that is due").click()
    page.get_by_text("1 work order raised").wait_for()
    order = WorkOrder.objects.get(kind="change_due")
    assert order.state == OrderState.OPEN
    page = log_in(browser, url, "planner", 1440, 900)
    page.goto(f"{url}/work-orders/{order.pk}/")
    assert "calendar" in page.inner_text("main")

    page.goto(f"{url}/plans/")
    page.fill("[name=first_on]", (today + timedelta(days=1)).isoformat())
    page.fill("[name=days]", "2")
    page.fill("[name=seconds]", "2")
    page.get_by_role("button", name="Create plan").click()
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Publish").click()
    page.get_by_role("button", name="Unpublish").wait_for()
    order.refresh_from_db()
    assert order.state == OrderState.ON_ROUTE

    Technician.objects.update(person=Person.objects.get(username="technician"))
    day = Stop.objects.get(orders__order=order).route.day
    page.context.close()
    page = log_in(browser, url, "technician", 390, 844)
    page.goto(f"{url}/phone/day/{day.isoformat()}/")
    page.get_by_role("link", name=f"Open W{order.pk:06d}").click()
    page.wait_for_url("**/phone/visit/**")
    unfold(page)
    for box in page.locator("input[name^=step__]:visible").all():
        box.check()
    page.fill("[name=lot__carbon]", "NEW-7")
    page.fill("[name=flush_volume]", "25")
    page.fill("[name=flush_minutes]", "20")
    page.check("[name=flush_clear][value=yes]")
    page.check("[name=outcome][value=done]")
    page.get_by_role("button", name=f"Close out W{order.pk:06d}").click()
    page.wait_for_url("**/phone/day/**")
    page.wait_for_function("() => navigator.onLine")
    for _ in range(100):
        if CloseOut.objects.exists():
            break
        page.wait_for_timeout(100)

    assert CloseOut.objects.get().order_id == order.pk
    new = Part.objects.in_place().get()
    assert new.lot == "NEW-7"
    assert Part.objects.get(lot="OLD-1").removal_reason == "worn"
    assert new.state.wear < 0.05, "the new part's life begins again"
    assert UnitState.objects.get().readiness == "in_service"
    order.refresh_from_db()
    assert order.state == OrderState.DONE

    page.context.close()
    page = log_in(browser, url, "owner", 1440, 900)
    page.goto(f"{url}/revenue/")
    assert "60.00" in page.inner_text("main")
    assert "High Street" in page.inner_text("main")
    earned = RevenueEntry.objects.get(kind="plan")
    assert earned.site.code == "S1"
    assert f"{earned.amount:.2f}" == "60.00"
    page.context.close()
