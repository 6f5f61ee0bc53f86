"""The own log-in: a new password, other browsers logged out, words that make no password."""

import hashlib

import pytest
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from fleet.models import AuditEntry, FailedLogIn, Person
from fleet.people import login_limits
from fleet.people.validators import is_leaked

PASSWORD, NEW = "copper kettle upstairs", "seven herons wade slowly"
pytestmark = pytest.mark.django_db
PAGES = ["own_log_in", "set_up_second_factor"]
POSTS = ["change_own_password", "end_own_sessions", "remove_second_factor", "renew_recovery_codes"]


@pytest.fixture
def pia():
    return Person.objects.create_user("pia", password=PASSWORD, role="planner", last_name="Longfellow")


def logged_in(browser="A browser"):
    client = Client(headers={"user-agent": browser})
    client.post(reverse("log_in"), {"username": "pia", "password": PASSWORD})
    return client


def is_in(client):
    return client.get(reverse("own_log_in")).status_code == 200


def change(client, old=PASSWORD, new=NEW, again=None):
    told = {"old_password": old, "new_password1": new, "new_password2": again or new}
    return client.post(reverse("change_own_password"), told)


@pytest.mark.parametrize("name", PAGES + POSTS)
def test_a_stranger_is_sent_to_the_log_in(client, name):
    answer = client.get(reverse(name)) if name in PAGES else client.post(reverse(name))
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith(reverse("log_in"))


def test_a_new_password_counts_at_once_and_only_this_browser_stays(pia):
    here, elsewhere = logged_in(), logged_in("Another")
    assert change(here).status_code == 302
    assert is_in(here)
    assert not is_in(elsewhere)
    assert not Client().login(username="pia", password=PASSWORD)
    assert Client().login(username="pia", password=NEW)
    assert list(AuditEntry.objects.order_by("id").values_list("what", flat=True)) == [
        "password changed", "1 session ended",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "again", "told"),
    [
        ("wrong", NEW, None, "old password was entered incorrectly"),
        (PASSWORD, NEW, "something else", "didn’t match"),
        (PASSWORD, "short", None, "too short"),
        (PASSWORD, "qwerty123456", None, "too common"),
        (PASSWORD, "Longfellow-2026", None, "little more than a word"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_changes(pia, old, new, again, told):
    client = logged_in()
    answer = change(client, old, new, again)
    assert answer.status_code == 422
    assert told in answer.content.decode()
    assert Client().login(username="pia", password=PASSWORD)


def test_who_finds_a_browser_open_can_not_try_passwords_for_ever(pia):
    client = logged_in()
    for _ in range(login_limits.MAX_PER_PAIR):
        change(client, old="wrong")
    assert FailedLogIn.objects.count() == login_limits.MAX_PER_PAIR
    assert change(client).status_code == 429
    assert Client().login(username="pia", password=PASSWORD)


def test_sessions_are_listed_with_their_browser_and_one_is_ended(pia):
    here, phone, desk = logged_in("Here"), logged_in("Phone of Pia"), logged_in("Desk")
    somebody = Client()
    somebody.force_login(Person.objects.create_user("tom"))
    page = here.get(reverse("own_log_in"))
    listed = {one.browser: one for one in page.context["sessions"]}
    assert set(listed) == {"Here", "Phone of Pia", "Desk"}
    assert [name for name, one in listed.items() if one.is_this] == ["Here"]
    assert phone.session.session_key not in page.content.decode()
    here.post(reverse("end_own_sessions"), {"mark": listed["Phone of Pia"].mark, "password": PASSWORD})
    assert [is_in(one) for one in (here, phone, desk, somebody)] == [True, False, True, True]
    here.post(reverse("end_own_sessions"), {"password": PASSWORD})
    assert [is_in(one) for one in (here, desk, somebody)] == [True, False, True]


@pytest.mark.parametrize("given", [{}, {"password": ""}, {"password": "wrong"}])
def test_no_session_is_ended_without_the_password(pia, given):
    here, desk = logged_in("Here"), logged_in("Desk")
    answer = here.post(reverse("end_own_sessions"), given)
    assert answer.status_code == 422
    assert answer.context["sessions_form"].errors
    assert is_in(desk)


def test_a_foreign_session_is_not_ended_by_its_mark(pia):
    somebody = Client()
    somebody.force_login(Person.objects.create_user("tom"))
    (one,) = somebody.get(reverse("own_log_in")).context["sessions"]
    logged_in().post(reverse("end_own_sessions"), {"mark": one.mark, "password": PASSWORD})
    assert is_in(somebody)


@pytest.mark.parametrize(
    "password",
    [
        "tapward123456",
        "T4pw4rd-2026!",
        "Blue Rivers Water",
        "bluerivers1234",
        "piapialongfellow",
        "l0ngfell0w9999",
    ],
)
def test_words_of_our_own_make_no_password(settings, pia, password):
    settings.COMPANY_NAME = "Blue Rivers"
    with pytest.raises(ValidationError, match="little more than a word"):
        validate_password(password, pia)


@pytest.mark.parametrize("password", [NEW, "the blue kettle sings of rivers", "water-lily-and-heron"])
def test_a_word_among_many_others_may_stand(settings, pia, password):
    settings.COMPANY_NAME = "Blue Rivers"
    validate_password(password, pia)


def test_who_left_is_shut_out_everywhere(pia):
    client = logged_in()
    call_command("reset_log_in", "pia", shut=True)
    assert not is_in(client)
    assert not Client().login(username="pia", password=PASSWORD)
    assert AuditEntry.objects.filter(what="log-in shut").count() == 1


def test_the_shell_sets_a_new_password_after_looking_at_it(pia, monkeypatch):
    monkeypatch.setenv("TAPWARD_NEW_PASSWORD", "longfellow1")
    with pytest.raises(CommandError, match="too short"):
        call_command("reset_log_in", "pia", password=True)
    monkeypatch.setenv("TAPWARD_NEW_PASSWORD", NEW)
    call_command("reset_log_in", "pia", password=True)
    assert Client().login(username="pia", password=NEW)


def test_the_shell_says_what_it_wants(pia):
    with pytest.raises(CommandError, match="--shut"):
        call_command("reset_log_in", "pia")
    with pytest.raises(CommandError, match="add_person"):
        call_command("reset_log_in", "nobody", shut=True)


@pytest.fixture
def leaked(tmp_path, settings):
    """A list of two hundred sums in the form in which such lists are given away, NEW among them."""
    words = [f"stolen password number {n}" for n in range(200)] + [NEW]
    sums = sorted(hashlib.sha1(word.encode()).hexdigest().upper() for word in words)
    path = tmp_path / "leaked.txt"
    path.write_bytes(b"".join(f"{one}:{7 * n}\r\n".encode() for n, one in enumerate(sums)))
    settings.LEAKED_PASSWORDS = str(path)
    settings.AUTH_PASSWORD_VALIDATORS = [
        *settings.AUTH_PASSWORD_VALIDATORS, {"NAME": "fleet.people.validators.NotLeaked"}
    ]  # fmt: skip
    return path


def test_a_password_that_was_stolen_elsewhere_is_refused(pia, leaked):
    client = logged_in()
    assert "stolen elsewhere before" in client.get(reverse("own_log_in")).content.decode()
    answer = change(client)
    assert answer.status_code == 422
    assert "stolen elsewhere, so" in answer.content.decode()
    assert change(client, new="eight herons wade slowly").status_code == 302


def test_each_sum_of_the_list_is_found_and_no_other(leaked):
    assert all(is_leaked(f"stolen password number {n}", leaked) for n in range(200))
    assert not any(is_leaked(f"another password number {n}", leaked) for n in range(200))
    # The sums without counts, as other lists have them; the sum of "password" is the well-known one.
    leaked.write_text("5BAA61E4C9B93F3F0682250B6CF8331B7EE68FD8\n")
    assert is_leaked("password", leaked)
    leaked.write_text("")
    assert not is_leaked("password", leaked)


def test_a_list_that_can_not_be_read_lets_no_password_through(pia, leaked, settings):
    leaked.write_text("password\nletmein\n")
    with pytest.raises(ImproperlyConfigured, match="no SHA-1 sums"):
        validate_password(NEW, pia)
    settings.LEAKED_PASSWORDS = "/nowhere/at/all"
    with pytest.raises(ImproperlyConfigured, match="can't be read"):
        validate_password(NEW, pia)
