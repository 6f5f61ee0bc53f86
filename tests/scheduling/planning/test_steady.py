"""A re-plan stays close to the plan people know: moves have a price, the order of a day is kept."""

from scheduling.planning.planner import assignment_of, plan_week
from scheduling.planning.swap_move import MOVE_MUST_SAVE_S, charged, steady
from scheduling.planning.tables import build_tables
from scheduling.planning.timing import job_cost_s, plan_cost_s, route_cost_s
from tests.scheduling.planning.small import MONDAY, TUESDAY, order, person, spot, week


def known_week():
    orders = [order(f"o{n}", spot(f"s{n}", 5 * n), last=TUESDAY) for n in range(1, 5)]
    problem = week([person("ann"), person("bob")], orders, days=(MONDAY, TUESDAY))
    published = plan_week(problem, seconds=1, seed=1, max_iterations=20)
    tables = build_tables(problem)
    return tables, published, assignment_of(tables, published)


def only_full(plan):
    return {number: jobs for number, jobs in plan.items() if jobs}


def test_another_day_another_person_or_being_left_out_costs_a_quarter_of_an_hour():
    tables, published, known = known_week()
    priced = charged(tables, published)
    number, jobs = next((number, jobs) for number, jobs in known.items() if jobs)
    job, home = jobs[0], tables.slots[number]
    same_day = next(s for s in tables.slots if s.day == home.day and s.technician != home.technician)
    other_day = next(s for s in tables.slots if s.day != home.day and s.technician == home.technician)
    assert job_cost_s(priced, job, number) == job_cost_s(tables, job, number)
    moved = job_cost_s(priced, job, other_day.number) - job_cost_s(tables, job, other_day.number)
    assert moved == MOVE_MUST_SAVE_S
    assert job_cost_s(priced, job, None) - job_cost_s(tables, job, None) == MOVE_MUST_SAVE_S
    alone = (job,)
    dearer = route_cost_s(priced, same_day.number, alone) - route_cost_s(tables, same_day.number, alone)
    assert dearer == MOVE_MUST_SAVE_S
    assert plan_cost_s(priced, known) == plan_cost_s(tables, known)


def test_what_moved_for_nothing_goes_back_and_the_order_of_the_day_too():
    tables, published, known = known_week()
    priced = charged(tables, published)
    number = next(number for number, jobs in known.items() if len(jobs) > 1)
    other = next(slot.number for slot in tables.slots if slot.number != number and not known.get(slot.number))
    away = {**known, number: known[number][1:], other: known[number][:1]}
    assert only_full(steady(priced, away, known)) == only_full(known)
    turned = {**known, number: tuple(reversed(known[number]))}
    assert only_full(steady(priced, turned, known)) == only_full(known)


def test_an_order_of_the_day_that_saves_much_stands():
    far, near = spot("far", 60), spot("near", 1)
    orders = [order("a", far, last=MONDAY), order("b", near, last=MONDAY), order("c", far, last=MONDAY)]
    tables = build_tables(week([person()], orders, days=(MONDAY,)))
    number = tables.number_of
    zigzag = {0: (number["a"], number["b"], number["c"])}
    short = {0: (number["b"], number["a"], number["c"])}
    assert steady(tables, short, zigzag) == short
