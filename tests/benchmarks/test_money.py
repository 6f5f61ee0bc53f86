"""The made-up company of the benchmark is whole, and every figure is measured."""

import pytest

from scheduling.models import RevenueEntry
from shared.errors import DomainError
from tests import factories as make
from tests.benchmarks.money import measure_money

pytestmark = pytest.mark.django_db


def test_every_page_is_measured_against_its_own_bare_queries():
    figures = measure_money(8, 3, today=make.TODAY, repeats=1)
    assert [one.page for one in figures] == [
        "the review", "what moved it", "cost and margin", "at risk", "months ahead",
    ]  # fmt: skip
    assert all(0 < one.queries < 10 and one.seconds > 0 and one.ratio > 0 for one in figures)
    assert RevenueEntry.objects.count() == 8 * 4


def test_a_database_with_sites_in_it_is_left_alone():
    make.site()
    with pytest.raises(DomainError, match="holds sites already"):
        measure_money(8, 3, today=make.TODAY)
