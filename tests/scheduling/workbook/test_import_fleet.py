"""A fleet in a spreadsheet goes in: whole, once, or not at all, with every problem named."""

from datetime import UTC, datetime, time
from decimal import Decimal

import pytest
from django.apps import apps

from fleet.models import (
    Cartridge,
    FeedTest,
    Flush,
    Membrane,
    MeterReading,
    Part,
    PerformanceReading,
    Site,
    TreatmentUnit,
)
from scheduling.models import AccessHours, PlanPrice, ServicePlan, Shift, Technician
from scheduling.workbook.importing import import_workbook, preview
from tests.scheduling.small_fleet import sheets

pytestmark = pytest.mark.django_db
ROOMS = ("fleet", "scheduling")


def rows_in_all_tables() -> int:
    return sum(m.objects.count() for room in ROOMS for m in apps.get_app_config(room).get_models())


def bring_in(source, now, *, accept_good_rows=False, **given):
    return import_workbook(source, accept_good_rows=accept_good_rows, now=now, **given)


def only_problem(source, now):
    """Import what has one fault: it is found, and nothing at all is written."""
    before = rows_in_all_tables()
    report = bring_in(source, now)
    assert len(report.problems) == 1, [str(problem) for problem in report.problems]
    assert not report.is_written
    assert rows_in_all_tables() == before
    (problem,) = report.problems
    assert problem.message
    assert problem.remedy
    return problem


def test_every_sheet_fills_its_table(now):
    report = bring_in(sheets(), now)
    assert report.problems == []
    assert {name: counts.added for name, counts in report.counts.items()} == {
        name: len(rows) for name, rows in sheets().items()
    }
    assert Cartridge.objects.count() == 2
    assert Membrane.objects.get().factory_rejection == 0.97
    assert Flush.objects.get().part == Part.objects.in_place().get(position__code="carbon")
    assert AccessHours.objects.count() == 2
    assert list(PlanPrice.objects.values_list("amount", flat=True)) == [Decimal("49.00"), Decimal("52.00")]
    assert list(Technician.objects.get().skills.values_list("code", flat=True)) == ["licensed_electrician"]


def test_measures_named_in_headers_are_converted(now):
    bring_in(sheets(), now)
    gauges = PerformanceReading.objects.get()
    # NIST SP 811, B.8: 1 bar = 14.50377 psi; °C = (°F - 32)/1.8; 1 gal = 3.785412 L.
    assert gauges.feed_pressure_psi == pytest.approx(116.0302, abs=1e-3)
    assert gauges.feed_temperature_c == pytest.approx(10.0)
    assert gauges.permeate_flow_gpm == pytest.approx(0.422675, abs=1e-6)
    # The grain per US gallon is 17.118 mg/L (64.79891 mg over 3.785411784 L).
    assert FeedTest.objects.get().hardness_mg_l == pytest.approx(171.18, abs=0.01)
    # 212.4 m3 at 264.1721 gal.
    reading = MeterReading.objects.get(meter__serial="M2")
    assert (reading.total, reading.total_gal) == (212.4, pytest.approx(56_110.15, abs=0.01))


def test_a_clock_time_without_zone_is_the_sites_own(now):
    spoiled = sheets()
    spoiled["sites"][0]["time_zone"] = "America/Denver"
    bring_in(spoiled, now)
    read_at = MeterReading.objects.filter(treatment_unit__serial="TU-1").order_by("read_at")[0].read_at
    assert read_at == datetime(2026, 1, 15, 17, 15, tzinfo=UTC)


def test_a_second_time_changes_nothing(now):
    bring_in(sheets(), now)
    before = rows_in_all_tables()
    report = bring_in(sheets(), now)
    assert report.problems == []
    assert {name: c.unchanged for name, c in report.counts.items()} == {
        n: len(r) for n, r in sheets().items()
    }
    assert report.rows_written == 0
    assert rows_in_all_tables() == before


def test_master_data_is_corrected_by_a_later_file(now):
    bring_in(sheets(), now)
    later = {
        "sites": [{"code": "S1", "name": "High Street 12", "customer": "K1"}],
        "technicians": [sheets()["technicians"][0] | {"weekdays": "Mon Tue", "shift_ends_at": "15:00"}],
    }
    report = bring_in(later, now)
    assert report.problems == []
    assert report.counts["sites"].changed == report.counts["technicians"].changed == 1
    site = Site.objects.get(code="S1")
    assert (site.name, site.supply.code) == ("High Street 12", "COR")
    assert list(Shift.objects.values_list("weekday", "ends_at")) == [(0, time(15)), (1, time(15))]


def test_a_removal_and_the_new_part_come_in_one_file(now):
    bring_in(sheets(), now)
    old = sheets()["parts"][1]
    report = bring_in(
        {
            "parts": [
                old | {"removed_at": "2026-10-01 10:00", "removal_reason": "early"},
                old | {"installed_at": "2026-10-01 10:05"},
            ]
        },
        now,
    )
    assert report.problems == []
    assert (report.counts["parts"].added, report.counts["parts"].changed) == (1, 1)
    assert Part.objects.in_place().filter(position__code="carbon").count() == 1


def test_a_preview_says_the_same_and_writes_nothing(now):
    report = preview(sheets(), now=now)
    assert not report.is_written
    assert report.counts["treatment_units"].added == 2
    assert rows_in_all_tables() == 0


def test_every_problem_comes_in_one_go(now):
    spoiled = sheets()
    spoiled["customers"][0]["name"] = ""
    spoiled["catalogue"][0]["role"] = "carbonn"
    spoiled["absences"][0]["last_on"] = "2026-12-01"
    spoiled["fountains"] = [{"code": "x"}]
    report = bring_in(spoiled, now)
    assert {(p.sheet, p.row, p.field) for p in report.problems} >= {
        ("customers", 2, "name"),
        ("catalogue", 2, "role"),
        ("absences", 2, "last_on"),
        ("fountains", 1, ""),
    }
    assert rows_in_all_tables() == 0


def test_a_meter_that_runs_backwards_is_refused_with_its_remedy(now):
    spoiled = sheets()
    spoiled["meter_readings"][1]["total"] = 12_000
    problem = only_problem(spoiled, now)
    assert (problem.sheet, problem.row, problem.field) == ("meter_readings", 3, "total")
    assert "runs backwards" in problem.message
    assert "48,210.5 gal on 2026-01-15 (row 2)" in problem.message
    assert "declare the meter swap" in problem.remedy


def test_a_fall_marked_accept_goes_in(now):
    spoiled = sheets()
    spoiled["meter_readings"][1] |= {"total": 12_000, "accept": "yes"}
    assert bring_in(spoiled, now).problems == []


def test_a_declared_meter_swap_goes_in(now):
    spoiled = sheets()
    spoiled["meters"][0]["removed_at"] = "2026-01-20 09:00"
    spoiled["meters"].append({"treatment_unit": "TU-1", "serial": "M9", "installed_at": "2026-01-20 09:05"})
    spoiled["meter_readings"][1]["total"] = 40
    assert bring_in(spoiled, now).problems == []
    assert MeterReading.objects.get(total=40).meter.serial == "M9"


def test_negative_values_are_refused(now):
    spoiled = sheets()
    spoiled["performance_readings"][0]["feed_pressure [bar]"] = -2
    problem = only_problem(spoiled, now)
    assert problem.message == "feed_pressure can't be negative."
    assert problem.value == "-2"


def test_absurd_values_are_refused(now):
    spoiled = sheets()
    spoiled["performance_readings"][0]["feed_temperature [°F]"] = 500
    assert "can't be above 60 °C; this value is not believable" in only_problem(spoiled, now).message


def test_a_total_the_register_can_not_show_is_refused(now):
    spoiled = sheets()
    spoiled["meter_readings"][1]["total"] = 49_600_000
    assert "ends below 10,000,000 gal" in only_problem(spoiled, now).message


@pytest.mark.parametrize(
    ("sheet", "column"),
    [
        ("meter_readings", "read_at"),
        ("performance_readings", "read_at"),
        ("feed_tests", "sampled_at"),
        ("flushes", "flushed_at"),
    ],
)
def test_a_date_in_the_future_is_refused(now, sheet, column):
    spoiled = sheets()
    spoiled[sheet][-1][column] = "2027-01-15 10:15"
    problem = only_problem(spoiled, now)
    assert (problem.field, problem.message) == (column, "This date is in the future.")


def test_an_unknown_part_kind_is_refused(now):
    spoiled = sheets()
    spoiled["parts"][2]["kind"] = "MEMB"
    problem = only_problem(spoiled, now)
    assert "There is no part kind 'MEMB'" in problem.message
    assert "catalogue" in problem.remedy


@pytest.mark.parametrize("site", ["", None])
def test_a_treatment_unit_without_a_site_is_refused(now, site):
    spoiled = sheets()
    spoiled["treatment_units"].append(spoiled["treatment_units"][1] | {"serial": "TU-3", "site": site})
    problem = only_problem(spoiled, now)
    assert (problem.sheet, problem.row, problem.field) == ("treatment_units", 4, "site")
    assert problem.message == "A treatment unit needs a site."


def test_a_treatment_unit_at_an_unknown_site_is_refused(now):
    spoiled = sheets()
    spoiled["treatment_units"].append(spoiled["treatment_units"][1] | {"serial": "TU-3", "site": "S9"})
    assert "There is no site 'S9'" in only_problem(spoiled, now).message


def test_a_row_with_two_faults_tells_both_at_once(now):
    spoiled = sheets()
    spoiled["meter_readings"].append(
        spoiled["meter_readings"][1] | {"treatment_unit": "TU-9", "total": "lots"}
    )
    told = [problem for problem in bring_in(spoiled, now).problems if problem.sheet == "meter_readings"]
    assert {problem.field for problem in told} == {"treatment_unit", "total"}
    assert len({problem.row for problem in told}) == 1
    assert len(told) == 2


def test_two_parts_in_one_position_are_refused(now):
    spoiled = sheets()
    spoiled["parts"].append(spoiled["parts"][1] | {"installed_at": "2026-03-01 10:00"})
    problem = only_problem(spoiled, now)
    assert "Two parts in one position: CAR is there from 2026-01-10 and was not taken out (row 3)" in (
        problem.message
    )


def test_a_part_beside_the_one_in_the_database_is_refused(now):
    bring_in(sheets(), now)
    part = sheets()["parts"][1] | {"installed_at": "2026-03-01 10:00"}
    assert "(in the database)" in only_problem({"parts": [part]}, now).message


@pytest.mark.parametrize(("made_on", "is_refused"), [("2026-03-01", False), ("2026-03-02", True)])
def test_a_part_is_made_no_later_than_the_day_it_went_in_at_its_site(now, made_on, is_refused):
    spoiled = sheets()
    # Past midnight in Greenwich, not yet where the site is.
    spoiled["parts"][0]["removed_at"] = spoiled["parts"][1]["installed_at"] = "2026-03-01 20:00"
    spoiled["parts"][1]["made_on"] = made_on
    spoiled["flushes"] = []
    if is_refused:
        assert only_problem(spoiled, now).field == "made_on"
    else:
        bring_in(spoiled, now)


def test_a_removal_needs_its_reason(now):
    spoiled = sheets()
    spoiled["parts"][0]["removal_reason"] = ""
    assert only_problem(spoiled, now).field == "removal_reason"


def test_mixed_measures_in_one_column_are_refused(now):
    spoiled = sheets()
    for row in spoiled["meter_readings"]:
        row["total [gal]"] = row.pop("total")
    spoiled["meter_readings"][1]["total [gal]"] = "187756 L"
    problem = only_problem(spoiled, now)
    assert "Mixed measures: the column is in gal, this cell says L." in problem.message


def test_a_column_without_brackets_takes_cells_with_their_own_measure(now):
    spoiled = sheets()
    spoiled["meter_readings"][1]["total"] = "187756.4245 L"
    assert bring_in(spoiled, now).problems == []
    assert MeterReading.objects.filter(meter__serial="M1").latest("read_at").total == pytest.approx(
        49_600, abs=0.1
    )


def test_a_number_whose_measure_nobody_says_is_refused(now):
    spoiled = sheets()
    spoiled["performance_readings"][0]["feed_pressure"] = spoiled["performance_readings"][0].pop(
        "feed_pressure [bar]"
    )
    problem = only_problem(spoiled, now)
    assert "not said in which measure" in problem.message
    assert "psi, bar, kPa" in problem.remedy


def test_a_measure_of_another_quantity_is_refused(now):
    spoiled = sheets()
    row = spoiled["performance_readings"][0]
    row["feed_pressure [gal]"] = row.pop("feed_pressure [bar]")
    assert "does not fit feed_pressure" in only_problem(spoiled, now).message


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "nan", "1,5", "12 345", "9" * 400])
def test_what_is_no_number_is_refused(now, value):
    spoiled = sheets()
    spoiled["performance_readings"][0]["permeate_flow [L/min]"] = value
    assert only_problem(spoiled, now).field == "permeate_flow"


@pytest.mark.parametrize(
    ("written", "read"),
    [("1,048,210", 1_048_210.0), ("48,210.5", 48_210.5), ("1,048,210.25 gal", 1_048_210.25)],
)
def test_commas_that_can_only_part_thousands_are_read(now, written, read):
    spoiled = sheets()
    spoiled["meter_readings"] = [spoiled["meter_readings"][0] | {"total": written}]
    assert bring_in(spoiled, now).problems == []
    assert MeterReading.objects.get().total == read


@pytest.mark.parametrize("written", ["48,210", "48,210 gal", "1,5", "1,048,2105"])
def test_a_comma_that_may_be_a_decimal_point_is_refused_in_plain_words(now, written):
    spoiled = sheets()
    spoiled["meter_readings"][2]["total"] = written
    problem = only_problem(spoiled, now)
    assert problem.message == "A comma can be read in two ways."
    assert "without thousands separators" in problem.remedy


@pytest.mark.parametrize("sheet", ["sites", "branches"])
@pytest.mark.parametrize(("given", "missing"), [("latitude", "longitude"), ("longitude", "latitude")])
def test_half_a_place_is_refused(now, sheet, given, missing):
    spoiled = sheets()
    spoiled[sheet][-1][given] = 41.0
    first = bring_in(spoiled, now).problems[0]
    assert (first.sheet, first.field) == (sheet, missing)


def test_the_missing_half_of_a_place_may_stand_already(now):
    whole = sheets()
    whole["sites"][0] |= {"latitude": 41.0, "longitude": -98.0}
    bring_in(whole, now)
    later = {"sites": [{"code": "S1", "name": "High Street", "customer": "K1", "latitude": 41.5}]}
    assert bring_in(later, now).problems == []


@pytest.mark.parametrize("value", ["01/02/2026", "20260115", "soon", "1900-01-01", True])
def test_a_date_that_can_be_read_in_two_ways_is_refused(now, value):
    spoiled = sheets()
    spoiled["performance_readings"][0]["read_at"] = value
    assert only_problem(spoiled, now).field == "read_at"


def test_a_cell_with_a_nul_is_refused(now):
    spoiled = sheets()
    spoiled["sites"].append(spoiled["sites"][0] | {"code": "S3", "name": "Mill\x00Road"})
    assert "characters that are no text" in only_problem(spoiled, now).message


def test_a_price_that_stands_is_not_overwritten(now):
    bring_in(sheets(), now)
    plan = sheets()["plans"][0] | {"price": "10.00"}
    assert "is 49.00 already" in only_problem({"plans": [plan]}, now).message


def test_a_plan_for_a_machine_elsewhere_is_refused(now):
    spoiled = sheets()
    for row in spoiled["plans"]:
        row["site"] = "S2"
    report = bring_in(spoiled, now)
    told = {problem.message for problem in report.problems if problem.sheet == "plans"}
    assert told == {"TU-1 does not stand at site S2."}
    assert not ServicePlan.objects.exists()


def test_an_unknown_column_is_named_and_nothing_of_its_sheet_is_written(now):
    spoiled = sheets()
    spoiled["sites"][0]["hardnes"] = 1
    report = bring_in(spoiled, now, accept_good_rows=True)
    assert "hardnes" in {problem.field for problem in report.problems if problem.sheet == "sites"}
    assert not Site.objects.exists()


def test_good_rows_go_in_and_what_depends_on_a_refused_row_says_so(now):
    spoiled = sheets()
    spoiled["treatment_units"][0]["design_use [gal/day]"] = -5
    report = bring_in(spoiled, now, accept_good_rows=True)
    assert report.is_written
    assert list(TreatmentUnit.objects.values_list("serial", flat=True)) == ["TU-2"]
    terms = [p.message for p in report.problems if p.sheet == "plan_terms"]
    assert len(terms) == 1
    assert terms[0].startswith("Depends on plans row ")
    following = [p for p in report.problems if p.sheet not in ("treatment_units", "plan_terms")]
    assert {p.sheet for p in following} == {
        "parts", "flushes", "meters", "meter_readings", "performance_readings", "plans",
    }  # fmt: skip
    assert {p.message for p in following} == {"Depends on treatment_units row 2, which was refused."}
    assert MeterReading.objects.count() == 1


def test_a_row_the_database_refuses_does_not_take_its_neighbours_along(now):
    spoiled = sheets()
    spoiled["sites"].append(spoiled["sites"][0] | {"code": "S3"})
    report = bring_in(spoiled, now, accept_good_rows=True)
    (problem,) = report.problems
    assert (problem.sheet, problem.row) == ("sites", 4)
    assert "already" in problem.message
    assert list(Site.objects.order_by("code").values_list("code", flat=True)) == ["S1", "S2"]


def test_the_same_code_twice_is_refused(now):
    spoiled = sheets()
    spoiled["customers"].append(spoiled["customers"][0] | {"name": "Somebody else"})
    assert "Row 2 says the same thing already" in only_problem(spoiled, now).message


def test_progress_is_told_from_first_to_last(now):
    seen = []
    bring_in(sheets(), now, on_progress=lambda part, words: seen.append((part, words)))
    parts = [part for part, _words in seen]
    assert parts[0] == 0
    assert parts[-1] == 1
    assert parts == sorted(parts)
    for sheet, rows in sheets().items():
        assert f"writing {sheet}: 0 of {len(rows)} rows" in [words for _part, words in seen]
