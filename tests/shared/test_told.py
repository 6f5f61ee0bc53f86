"""Sentences said in English are told in the reader's language, with the same figures."""

from datetime import date

import pytest
from django.utils.translation import override

from shared.told import _HOLE, _templates, in_english, told, written
from tests.shared.sentences_said import ROOT, TABLES, said_in, table_text


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.path)
def test_every_sentence_of_the_rooms_stands_in_its_table(table):
    assert (ROOT / table.path).read_text(encoding="utf-8") == table_text(table), (
        "Sentences changed: run python -m tests.shared.sentences_said, then makemessages, and translate."
    )


def test_an_english_reader_is_told_what_was_said():
    said = "Meter of RO-00012 never read; due dates rest on the design duty until it is read."
    with override("en"):
        assert told(said) is said
    with override(None):
        assert told(said) is said


def test_a_days_month_is_in_the_readers_language():
    day = date(2026, 11, 30)
    with override("en"):
        assert written(day, "%a %d %b %Y") == "Mon 30 Nov 2026"
        assert written(day, "%A, %B") == "Monday, November"
    with override("es"):
        assert written(day, "%d %b %Y") == "30 nov 2026"
        assert written(day, "%A, %B") == "lunes, noviembre"


def test_a_service_that_keeps_a_sentence_keeps_it_in_english():
    @in_english
    def kept() -> str:
        return written(date(2026, 1, 5), "%B")

    with override("es"):
        assert kept() == "January"
        assert written(date(2026, 1, 5), "%B") == "enero"


@pytest.mark.parametrize(
    ("said", "told_in_spanish"),
    [
        (
            "Meter of RO-00012 silent for 75 days; due dates rest on the design duty until it is read.",
            "Medidor de RO-00012 sin noticias desde hace 75 días; los vencimientos se apoyan en el consumo "
            "de diseño hasta que se lea.",
        ),
        (
            "Carbon changed, fines not flushed to clear, since 12 Nov 2026: 25 gal, about 20 min to drain "
            "before the water is used.",
            "Carbón cambiado, finos sin enjuagar hasta salir claro, desde 12 nov 2026: 25 gal, unos 20 min "
            "al desagüe antes de usar el agua.",
        ),
        (
            "3 d late: no day of this plan is in time; cheapest with Odd Berg on Tue 1 Dec 2026: next best, "
            "Odd Berg on Thu 3 Dec 2026, costs 467 min more.",
            "3 d de retraso: ningún día de este plan llega a tiempo; lo más barato con Odd Berg el mar 1 dic "
            "2026: la siguiente opción, Odd Berg el jue 3 dic 2026, cuesta 467 min más.",
        ),
        (
            "W000012 can't be withdrawn without a reason. Say why in a few words.",
            "W000012 no puede retirarse sin un motivo. Diga por qué en pocas palabras.",
        ),
    ],
)
def test_a_kept_sentence_is_told_with_its_own_figures(said, told_in_spanish):
    with override("es"):
        assert told(said) == told_in_spanish


@pytest.mark.parametrize(
    "typed",
    [
        "Plant room is locked on weekends, ask at the desk",
        "Shop on Mill Road",
        "Key with Ada, gate 3",
        "",
        "W12",
    ],
)
def test_what_people_typed_stays_as_they_typed_it(typed):
    with override("es"):
        assert told(typed) == typed


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.path)
def test_every_table_is_made_known_to_pages(table):
    with_holes = {sentence for sentence in said_in(table) if _HOLE.search(sentence)}
    assert with_holes <= set(_templates)
