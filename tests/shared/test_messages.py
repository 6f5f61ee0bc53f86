"""A message is kept as template and figures and told in the reader's language; a typed text never changes."""

import ast
import copy
import pickle
import re
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from string import Formatter

import pytest
from django.utils.translation import gettext, override
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fleet.models import LimitName
from shared.errors import DomainError
from shared.messages import MARK, Message, joined, loaded, loaded_within, message, stored, stored_within
from shared.translation import label_of, translate, written

ROOT = Path(__file__).resolve().parents[2]
SAID_THE_SAME = ("{kind} {volume_gal:g} gal", "token ", "F(u) = ", "Pf - dP/2", "Qp × ", "pHs = ")
"""Formulas and names that Spanish writes as English does."""
FIGURES = st.one_of(
    st.text(),
    st.integers(-(10**9), 10**9),
    st.floats(allow_nan=False, allow_infinity=False),
    st.dates(),
    st.datetimes(timezones=st.just(UTC)),
    st.decimals(allow_nan=False, allow_infinity=False, places=2),
    st.none(),
    st.booleans(),
    st.lists(st.text(), max_size=3),
)


@cache
def templates() -> dict[str, str]:
    """Every template in the code, and where it stands."""
    found = {}
    for room in ("shared", "fleet", "scheduling", "api"):
        for file in sorted((ROOT / room).rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "message" and node.args:
                    first = node.args[0]
                    if isinstance(first, ast.Constant):
                        found[first.value] = f"{file.relative_to(ROOT)}:{node.lineno}"
    return found


def holes(template: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(template) if name is not None}


def test_every_template_has_a_translation():
    found = templates()
    assert len(found) > 1000
    with override("es"):
        missing = [
            f"{where}: {template}"
            for template, where in found.items()
            if re.search("[A-Za-z]{2}", re.sub(r"\{.*?\}", "", template))
            and gettext(template) == template
            and not template.startswith(SAID_THE_SAME)
        ]
    assert missing == [], "Run makemessages and translate."


def test_a_translation_has_no_hole_that_its_template_lacks():
    with override("es"):
        wrong = [
            f"{where}: {template}"
            for template, where in templates().items()
            if holes(template) and not holes(gettext(template)) <= holes(template)
        ]
    assert wrong == []


def test_a_message_reads_in_english_wherever_no_reader_is_known():
    said = message("{minutes} minutes can't be planned.", minutes=0)
    assert said == "0 minutes can't be planned."
    assert f"{said}" == "0 minutes can't be planned."
    with override("es"):
        assert str(said) == "0 minutes can't be planned."
        assert translate(said) == "No se pueden planificar 0 minutos."


def test_an_english_reader_is_told_what_was_said():
    said = message("never read")
    for language in ("en", None):
        with override(language):
            assert translate(said) == "never read"


def test_a_message_within_a_message_is_told_too():
    silent = message("silent for {days} days", days=75)
    said = message(
        "Meter of {serial} {silent}; due dates rest on the design duty until it is read.",
        serial="RO-00012",
        silent=silent,
    )
    assert said == "Meter of RO-00012 silent for 75 days; due dates rest on the design duty until it is read."
    with override("es"):
        assert translate(said) == (
            "Medidor de RO-00012 sin noticias desde hace 75 días; los vencimientos se apoyan en el consumo "
            "de diseño hasta que se lea."
        )


def test_labels_and_joined_parts_are_told_each_by_itself():
    said = joined("; ", (label_of(LimitName, "calendar").lower(), "", "Key with Ada", message("never read")))
    assert said == "calendar; Key with Ada; never read"
    with override("es"):
        assert translate(said) == "calendario; Key with Ada; nunca leído"


def test_a_day_is_written_in_the_readers_language():
    day = date(2026, 11, 30)
    said = message("{day:day}, {day:%d %b}", day=day)
    assert said == "Mon 30 Nov 2026, 30 Nov"
    with override("es"):
        assert translate(said) == "lun 30 nov 2026, 30 nov"
        assert written(day, "%A, %B") == "lunes, noviembre"
    with override("en"):
        assert written(day, "%A, %B") == "Monday, November"


def test_a_refusal_is_told_with_its_remedy():
    error = DomainError(
        message("{minutes} minutes can't be planned.", minutes=0), remedy=message("Give 1 to 1440 minutes.")
    )
    assert str(error) == "0 minutes can't be planned. Give 1 to 1440 minutes."
    with override("es"):
        assert translate(error) == "No se pueden planificar 0 minutos. Dé de 1 a 1440 minutos."


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from(["a", "b", "c"]), FIGURES))
@example({"a": MARK, "b": f"{MARK}{MARK}[]", "c": None})
def test_what_is_kept_comes_back_with_its_figures(figures):
    figures["inside"] = Message("{a}", {"a": figures.get("a")})
    made = Message("".join(f"{{{name}}}" for name in figures), figures)
    again = loaded(stored(made))
    assert isinstance(again, Message)
    assert again == made
    assert again.template == made.template
    assert again.figures == made.figures
    for twin in (pickle.loads(pickle.dumps(made)), copy.deepcopy(made)):
        assert (twin, twin.template, twin.figures) == (made, made.template, made.figures)


def test_half_a_sign_is_kept_in_text_that_utf_8_can_hold():
    made = message("{value!r} is no moment.", value="\ud800")
    kept = stored(made)
    assert kept.encode()
    assert loaded(kept).figures == {"value": "\ud800"}


def test_moments_and_money_come_back_as_they_are():
    figures = {"at": datetime(2026, 3, 1, 12, tzinfo=UTC), "amount": Decimal("12.30"), "on": date(2026, 3, 1)}
    again = loaded(stored(Message("{at} {amount} {on}", figures)))
    assert again.figures == figures
    assert isinstance(again.figures["amount"], Decimal)


TYPED = st.one_of(
    st.text(),
    st.text().map(lambda text: MARK + text),
    st.text().map(lambda text: f'{text}{MARK}["never read",{{}}]'),
    st.text().map(lambda text: MARK + MARK + text),
    st.sampled_from(sorted(templates())),
    st.sampled_from(sorted(templates())).map(lambda text: re.sub(r"\{.*?\}", "gate 3", text)),
)


@given(TYPED)
@example("Water is brown, do not use, key is with Ada")
@example(stored(message("never read")))
def test_what_people_typed_stays_to_the_letter(typed):
    assert loaded(stored(typed)) == typed
    assert not isinstance(loaded(stored(typed)), Message)
    assert loaded_within(stored_within({"steps": [{"text": typed}]})) == {"steps": [{"text": typed}]}
    within = message("Could not be done: {note}", note=typed)
    with override("es"):
        assert translate(typed) == typed
        assert translate(loaded(stored(typed))) == typed
        assert translate(loaded(stored(within))) == f"No se pudo hacer: {typed}"


@pytest.mark.parametrize(
    "text", [f"as it was{MARK}no data", f"as it was{MARK}[1,2]", f'{MARK}["{{a}}",{{"b":1}}]']
)
def test_a_text_with_the_mark_but_no_data_is_shown_as_it_stands(text):
    assert loaded(text) == text
