"""The invented company's membranes against what its generator did to them: only the spoilt are changed."""

from collections import Counter
from datetime import UTC, date, datetime

import numpy as np
import pytest

from fleet.assessment.membrane_care import membrane_care
from fleet.science.assess import assess_shard
from fleet.science.columns import (
    FeedTests,
    Flushes,
    MembraneType,
    MeterReadings,
    PartRole,
    Parts,
    PerformanceReadings,
    ShardColumns,
    Units,
    Water,
)
from fleet.science.membranes import Advice
from scheduling.demo.catalogue import part_kinds
from scheduling.demo.company import SEED
from scheduling.demo.fleet_plan import plan_sites, plan_units
from scheduling.demo.machine import live
from tests.benchmarks.synthetic_shard import make_table

TODAY = date(2026, 11, 30)
SPOILT = ("scaling", "oxidised", "fouling")
KINDS = {row["code"]: row for row in part_kinds()}


def days(text: str) -> float:
    form = "%Y-%m-%d %H:%M" if " " in text else "%Y-%m-%d"
    return datetime.strptime(text, form).replace(tzinfo=UTC).timestamp() / 86_400


@pytest.fixture(scope="module")
def company():
    """Trouble, age over rated months, and what assessment says, of every membrane in service."""
    rng = np.random.default_rng(SEED)
    _, sites = plan_sites(rng)
    units = [unit for unit in plan_units(rng, sites) if unit.trouble != "out of service"]
    membranes, gauges = [], []
    for unit in units:
        rows = live(rng, unit, TODAY)
        membranes.append(next(part for part in rows.parts if part["position"] == "membrane"))
        gauges.append(rows.gauges)
    kinds = [KINDS[row["kind"]] for row in membranes]
    names = [
        name
        for name in vars(make_table(PerformanceReadings, 0))
        if name in gauges[0][0] and name != "read_at"
    ]
    rows = [(number, row) for number, some in enumerate(gauges) for row in some]
    now_d = days(TODAY.isoformat())
    columns = ShardColumns(
        units=make_table(
            Units, len(units), unit_id=np.arange(len(units)),
            design_recovery=[unit.size.recovery for unit in units],
            design_use_gal_per_day=[unit.use_gal_per_day for unit in units],
            design_permeate_gpm=[unit.size.permeate_gpm for unit in units],
            idle_limit_days=21.0,
        ),
        readings=make_table(MeterReadings, 0), tests=make_table(FeedTests, 0), flushes=make_table(Flushes, 0),
        parts=make_table(
            Parts, len(units), part_id=np.arange(len(units)), unit_row=np.arange(len(units)),
            role=int(PartRole.MEMBRANE), water=int(Water.PERMEATE),
            installed_at_d=[days(row["installed_at"]) for row in membranes],
            rated_months=[kind["rated_months"] for kind in kinds],
            membrane_type=int(MembraneType.POLYAMIDE),
            temperature_k_below_25=3020.0, temperature_k_from_25=2640.0,
        ),
        performance=make_table(
            PerformanceReadings, len(rows), unit_row=[number for number, _ in rows],
            read_at_d=[days(row["read_at"]) for _, row in rows],
            **{name: np.array([row[name] for _, row in rows], dtype=np.float64) for name in names},
        ),
    )  # fmt: skip
    found = assess_shard(columns, now_d)
    cost = np.array([kind["cost"] for kind in kinds])
    care = membrane_care(columns.parts, found, cost, now_d)
    is_due = (found.life.wear >= 1) | (found.life.early_d <= now_d + 28)
    return [unit.trouble for unit in units], is_due & ~care.is_held, care, found


def test_membranes_that_do_well_get_no_change_and_those_that_fail_do(company):
    """Truth is the trouble that the generator made; a change is asked for by the rule of the findings."""
    trouble, is_change, care, found = company
    spoilt = np.isin(trouble, SPOILT)
    measured = found.life.is_measured_well
    assert measured.sum() > 180
    assert not (is_change & measured).any()
    assert (is_change | (care.advice == Advice.CLEAN))[spoilt].all()
    assert Counter(is_change[spoilt].tolist())[True] >= spoilt.sum() / 2
    alarms = care.advice[~spoilt] != Advice.NONE
    assert alarms.mean() < 0.01


def test_calendar_alone_asks_for_a_look_where_the_gauges_show_the_membrane_well(company):
    """Those past their months are told of as a day to read the gauges, never as worn."""
    _, _, _, found = company
    old = found.life.is_measured_well & (found.life.wear_by_limit[:, 1] >= 0.95)
    assert old.any()
    assert (found.life.wear[old] < 1).all()
    assert np.isfinite(found.life.check_d[old]).all()
