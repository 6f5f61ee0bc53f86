"""One walk over every table: names, choices, nullable columns, moments and days, money."""

import pytest
from django.apps import apps
from django.db import models

ROOMS = ("fleet", "scheduling", "api")
DJANGO_OWN = {"password", "last_login", "is_superuser", "username", "first_name", "last_name", "email",
              "is_staff", "is_active", "date_joined", "groups", "user_permissions"}  # fmt: skip
CHOICES_WITHOUT_CHECK: set[str] = set()


def our_models():
    return [m for room in ROOMS for m in apps.get_app_config(room).get_models()]


def own_fields(model):
    names = DJANGO_OWN if model.__name__ == "Person" else set()
    return [f for f in model._meta.local_fields if f.name not in names]


def checked_columns(model):
    """Columns that some check constraint of the table speaks of."""
    text = " ".join(
        str(c.condition) for c in model._meta.constraints if isinstance(c, models.CheckConstraint)
    )
    return {f.name for f in model._meta.local_fields if f"'{f.name}" in text}


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_a_constraint_is_named_after_its_room(model):
    wrong = [c.name for c in model._meta.constraints if not c.name.startswith(f"{model._meta.app_label}_")]
    assert wrong == []


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_a_column_with_choices_is_kept_to_them_by_the_database(model):
    with_choices = {f.name for f in own_fields(model) if f.choices}
    loose = {f"{model._meta.label}.{name}" for name in with_choices - checked_columns(model)}
    assert loose - CHOICES_WITHOUT_CHECK == set()


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_a_nullable_column_may_be_blank_so_that_its_constraints_are_reported(model):
    assert [f.name for f in own_fields(model) if f.null and not f.blank and f.editable] == []


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_a_moment_ends_in_at_and_a_day_in_on(model):
    odd = []
    for field in own_fields(model):
        if isinstance(field, models.DateTimeField):
            ends = ("_at", "at", "_since", "_from", "_until", "as_of")
        elif isinstance(field, models.DateField):
            ends = ("_on", "month", "day", "_until", "_from", "_to", "through")
        else:
            continue
        if not field.name.endswith(ends):
            odd.append(field.name)
    assert odd == []


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_money_is_decimal(model):
    money = ("cost", "price", "amount")
    loose = [f.name for f in own_fields(model) if f.name.endswith(money) and isinstance(f, models.FloatField)]
    assert loose == []


@pytest.mark.parametrize("model", our_models(), ids=lambda m: m._meta.label)
def test_a_row_says_what_it_is(model):
    assert "__str__" in model.__dict__ or any("__str__" in base.__dict__ for base in model.__mro__[1:3])
