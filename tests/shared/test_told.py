"""Sentences said in English are told in the reader's language, with the same figures."""

from datetime import date

import pytest
from django.utils.translation import override

from shared.told import in_english, told, written
from tests.shared.sentences_said import ROOT, TABLES, table_text


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
