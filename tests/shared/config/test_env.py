"""The readers of the environment fail loudly and name the cure."""

import pytest
from django.core.exceptions import ImproperlyConfigured

from shared.config import env
from shared.config.env import database_settings


def test_a_flag_that_is_neither_yes_nor_no_stops_the_start(monkeypatch):
    monkeypatch.setenv("TAPWARD_X", "maybe")
    with pytest.raises(ImproperlyConfigured, match="Write true or false"):
        env.read_flag("TAPWARD_X", True)


@pytest.mark.parametrize(("word", "meaning"), [("true", True), ("YES", True), ("0", False), ("off", False)])
def test_a_flag_understands_the_usual_words(monkeypatch, word, meaning):
    monkeypatch.setenv("TAPWARD_X", word)
    assert env.read_flag("TAPWARD_X", not meaning) is meaning


def test_a_number_below_its_bound_is_refused(monkeypatch):
    monkeypatch.setenv("TAPWARD_X", "0")
    with pytest.raises(ImproperlyConfigured, match="Write 1 or more"):
        env.read_whole("TAPWARD_X", 5, lowest=1)


def test_a_secret_can_come_from_a_file(monkeypatch, tmp_path):
    (tmp_path / "key").write_text("quiet\n")
    monkeypatch.setenv("TAPWARD_X_FILE", str(tmp_path / "key"))
    assert env.read_text("TAPWARD_X") == "quiet"


def test_a_missing_secret_file_is_fatal(monkeypatch, tmp_path):
    monkeypatch.setenv("TAPWARD_X_FILE", str(tmp_path / "none"))
    with pytest.raises(ImproperlyConfigured, match="can't be read"):
        env.read_text("TAPWARD_X", "default")


def test_an_unknown_database_engine_is_refused(tmp_path):
    with pytest.raises(ImproperlyConfigured, match="Use postgres"):
        database_settings("mysql://u@localhost/x", tmp_path)


@pytest.mark.django_db
def test_the_embedded_database_checks_foreign_keys_and_writes_ahead(tmp_path):
    settings = database_settings("", tmp_path)
    assert "foreign_keys=ON" in settings["OPTIONS"]["init_command"]
    assert "journal_mode=WAL" in settings["OPTIONS"]["init_command"]


def test_some_of_a_few_words_may_be_none_of_them(monkeypatch):
    monkeypatch.setenv("TAPWARD_X", "")
    assert env.read_some("TAPWARD_X", ["owner", "planner"], ["owner"]) == ["owner"]
    monkeypatch.setenv("TAPWARD_X", "none")
    assert env.read_some("TAPWARD_X", ["owner", "planner"], ["owner"]) == []
    monkeypatch.setenv("TAPWARD_X", "owner, boss")
    with pytest.raises(ImproperlyConfigured, match=r"'boss'.*owner, planner, or none"):
        env.read_some("TAPWARD_X", ["owner", "planner"], [])
