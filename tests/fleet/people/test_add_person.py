"""The first log-in can be made from the shell, and bad ones are refused with a cure."""

import pytest
from django.core.management import CommandError, call_command

from fleet.models import Person


@pytest.fixture(autouse=True)
def password(monkeypatch):
    monkeypatch.setenv("TAPWARD_NEW_PASSWORD", "rowan-heron-slate-9")


@pytest.mark.django_db
def test_a_person_made_at_the_shell_can_log_in(client):
    call_command("add_person", "pia", role="planner")
    assert client.login(username="pia", password="rowan-heron-slate-9")
    assert Person.objects.get(username="pia").role == "planner"


@pytest.mark.django_db
def test_a_taken_name_is_refused():
    call_command("add_person", "pia", role="planner")
    with pytest.raises(CommandError, match="Choose another name"):
        call_command("add_person", "pia", role="owner")


@pytest.mark.django_db
def test_a_weak_password_is_refused_and_nobody_is_made(monkeypatch):
    monkeypatch.setenv("TAPWARD_NEW_PASSWORD", "water")
    with pytest.raises(CommandError, match="too short"):
        call_command("add_person", "pia", role="planner")
    assert not Person.objects.exists()


@pytest.mark.django_db
def test_an_unknown_branch_is_named_with_those_there_are():
    with pytest.raises(CommandError, match="Known: none yet"):
        call_command("add_person", "pia", role="planner", branch="north")
