"""Guessing passwords is slow; strangers keep nobody out; sessions end when they should; headers are whole."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.core import signing
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse

from fleet.checks import check_log_ins
from fleet.models import FailedLogIn, Person
from fleet.people import login_limits
from shared.access import client_address

NOW = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
PASSWORD = "copper kettle upstairs"
pytestmark = pytest.mark.django_db


@pytest.fixture
def owner():
    return Person.objects.create_user("owner", password=PASSWORD, role="owner")


def try_in(client, password, *, name="owner", address="203.0.113.9"):
    return client.post(reverse("log_in"), {"username": name, "password": password}, REMOTE_ADDR=address)


def fail(times, *, name="owner", address="203.0.113.9", now=NOW):
    for _ in range(times):
        login_limits.note_failure(login_limits.Attempt(name, address), now=now)


def test_after_too_many_wrong_passwords_even_the_right_one_waits_and_is_told_how_long(client, owner):
    with time_machine.travel(NOW, tick=False):
        for _ in range(login_limits.MAX_PER_PAIR):
            assert try_in(client, "wrong").status_code == 200
        answer = try_in(client, PASSWORD)
    assert answer.status_code == 429
    assert b"Try again in 60 minutes" in answer.content
    with time_machine.travel(NOW + login_limits.WINDOW, tick=False):
        assert try_in(client, PASSWORD).status_code == 302


def test_a_refused_try_does_not_make_the_wait_longer(client, owner):
    fail(login_limits.MAX_PER_PAIR, now=NOW - timedelta(minutes=50))
    with time_machine.travel(NOW, tick=False):
        assert b"in 10 minutes" in try_in(client, "wrong").content
        assert b"in 10 minutes" in try_in(client, "wrong").content


def test_capitals_of_the_name_make_no_second_count():
    fail(login_limits.MAX_PER_PAIR, name="Owner")
    with pytest.raises(ValidationError, match="Too many"):
        login_limits.check(login_limits.Attempt("oWNER", "203.0.113.9"), now=NOW)


def test_a_stranger_keeps_the_person_out_of_no_other_address(client, owner):
    fail(login_limits.MAX_PER_PAIR, address="198.51.100.1")
    with time_machine.travel(NOW, tick=False):
        assert try_in(client, PASSWORD).status_code == 302


def test_one_address_trying_many_names_is_slowed_and_others_are_not(client, owner):
    for number in range(login_limits.MAX_PER_ADDRESS):
        fail(1, name=f"somebody-{number}", address="198.51.100.1")
    with time_machine.travel(NOW, tick=False):
        assert try_in(client, PASSWORD, address="198.51.100.1").status_code == 429
        assert try_in(client, PASSWORD).status_code == 302


def test_many_machines_trying_one_name_do_not_keep_the_person_from_the_own_browser(client, owner):
    with time_machine.travel(NOW, tick=False):
        assert try_in(client, PASSWORD).status_code == 302
        client.post(reverse("log_out"))
        for number in range(login_limits.MAX_PER_ACCOUNT):
            fail(1, address=f"198.51.100.{number}")
        assert try_in(Client(), PASSWORD).status_code == 429
        assert try_in(client, PASSWORD).status_code == 302


def test_a_known_browser_still_has_its_own_limit_and_a_new_password_ends_the_mark(client, owner):
    with time_machine.travel(NOW, tick=False):
        try_in(client, PASSWORD)
        client.post(reverse("log_out"))
        for _ in range(login_limits.MAX_PER_PAIR):
            try_in(client, "wrong")
        assert try_in(client, PASSWORD).status_code == 429
        mark = login_limits.browser_mark(owner)
        owner.set_password("another long one")
        owner.save()
        fail(login_limits.MAX_PER_ACCOUNT, address="198.51.100.7")
        with pytest.raises(ValidationError, match="Too many"):
            login_limits.check(login_limits.Attempt("owner", "192.0.2.1", mark), now=NOW)


def test_a_mark_of_the_release_before_counts_on_and_ends_after_its_time(owner):
    with time_machine.travel(NOW, tick=False) as clock:
        told = {"person": owner.pk, "hash": owner.get_session_auth_hash()[:16], "at": int(NOW.timestamp())}
        mark = signing.dumps(told, salt="tapward.log-ins")
        assert login_limits.Attempt("Owner", "192.0.2.1", mark).is_from_known_browser
        assert not login_limits.Attempt("somebody", "192.0.2.1", mark).is_from_known_browser
        clock.shift(login_limits.BROWSER_KNOWN_FOR + timedelta(seconds=1))
        assert not login_limits.Attempt("owner", "192.0.2.1", mark).is_from_known_browser


def test_a_made_up_mark_counts_for_nothing():
    fail(login_limits.MAX_PER_ACCOUNT, address="198.51.100.7")
    with pytest.raises(ValidationError, match="Too many"):
        login_limits.check(login_limits.Attempt("owner", "192.0.2.1", "made:up:mark"), now=NOW)


def test_the_table_holds_no_name_and_no_address_and_forgets_within_the_hour():
    fail(1)
    row = FailedLogIn.objects.get()
    assert "owner" not in row.account_key
    assert "203" not in row.address_key
    fail(1, now=NOW + login_limits.WINDOW)
    assert FailedLogIn.objects.count() == 1


def test_a_household_of_ipv6_addresses_is_one_address():
    assert login_limits.network_of("2001:db8:1:2::1") == login_limits.network_of("2001:db8:1:2:ffff::9")
    assert login_limits.network_of("2001:db8:1:2::1") != login_limits.network_of("2001:db8:1:3::1")
    assert login_limits.network_of("::ffff:192.0.2.1") == "192.0.2.1"


@pytest.mark.parametrize(
    ("proxies", "told", "address"),
    [
        (0, "192.0.2.66", "127.0.0.1"),
        (1, "192.0.2.66, 203.0.113.9", "203.0.113.9"),
        (2, "192.0.2.66, 203.0.113.9, 10.0.0.1", "203.0.113.9"),
        (1, "", ""),
    ],
)
def test_only_what_our_own_proxies_say_of_an_address_is_believed(rf, settings, proxies, told, address):
    settings.PROXY_COUNT = proxies
    assert client_address(rf.get("/", headers={"X-Forwarded-For": told})) == address


def test_made_up_addresses_before_the_proxys_own_make_no_new_count(client, owner, settings):
    settings.PROXY_COUNT = 1
    with time_machine.travel(NOW, tick=False):
        for number in range(login_limits.MAX_PER_ADDRESS + 1):
            answer = client.post(
                reverse("log_in"),
                {"username": f"somebody-{number}", "password": "wrong"},
                headers={"X-Forwarded-For": f"198.51.100.{number}, 203.0.113.9"},
                REMOTE_ADDR="127.0.0.1",
            )
    assert answer.status_code == 429


def test_a_session_ends_when_unused_and_use_keeps_it_alive(client, owner, settings):
    settings.SESSION_IDLE_MINUTES = 60
    with time_machine.travel(NOW, tick=False) as clock:
        try_in(client, PASSWORD)
        for _ in range(3):
            clock.shift(timedelta(minutes=50))
            assert client.get(reverse("how_we_know")).status_code == 200
        clock.shift(timedelta(minutes=61))
        assert client.get(reverse("how_we_know")).status_code == 302


def test_a_session_in_use_ends_after_its_longest_time(client, owner, settings):
    settings.SESSION_MOST_DAYS = 1
    with time_machine.travel(NOW, tick=False) as clock:
        try_in(client, PASSWORD)
        clock.shift(timedelta(hours=24, minutes=1))
        assert client.get(reverse("how_we_know")).status_code == 302


def test_a_new_password_ends_sessions_elsewhere_and_each_log_in_gets_a_new_key(client, owner):
    client.get(reverse("log_in"))
    try_in(client, PASSWORD)
    first = client.session.session_key
    client.post(reverse("log_out"))
    try_in(client, PASSWORD)
    assert client.session.session_key != first
    owner.set_password("another long one")
    owner.save()
    assert client.get(reverse("how_we_know")).status_code == 302


def test_a_page_carries_every_header_and_stays_out_of_caches(client, owner):
    client.force_login(owner)
    answer = client.get(reverse("how_we_know"))
    assert "microphone=()" in answer["Permissions-Policy"]
    assert "camera=(self)" in answer["Permissions-Policy"]
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"
    assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Cache-Control"] == "private, no-store"
    policy = answer["Content-Security-Policy"]
    for part in ("default-src 'none'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
        assert part in policy
    assert "unsafe" not in policy


def test_the_log_in_cookies_are_out_of_reach_of_scripts(client, owner, settings):
    answer = try_in(client, PASSWORD)
    for name in (settings.SESSION_COOKIE_NAME, settings.KNOWN_BROWSER_COOKIE):
        assert answer.cookies[name]["httponly"]
        assert answer.cookies[name]["samesite"] == "Lax"


def test_an_unknown_host_is_refused(client):
    assert client.get("/log-in/", headers={"host": "evil.example"}).status_code == 400


def settings_told(code, **environment):
    """Run a line against the real settings in a process of its own."""
    line = f"from shared.config import settings as s; {code}"
    known = {"PATH": "/usr/bin:/bin", "TAPWARD_SECRET_KEY": "only-for-tests-" + "x" * 50}
    return subprocess.run(
        [sys.executable, "-c", line], env=known | environment, capture_output=True, text=True, check=False
    )


def test_every_host_at_once_is_refused_and_tls_names_its_cookies_for_this_host_only(tmp_path):
    refused = settings_told("", TAPWARD_HOSTS="*", TAPWARD_DATA_DIR=str(tmp_path))
    assert refused.returncode != 0
    assert "TAPWARD_HOSTS may not be *" in refused.stderr
    told = settings_told(
        "print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME, s.SESSION_COOKIE_SECURE, s.SECURE_HSTS_SECONDS)",
        TAPWARD_TLS="true", TAPWARD_DATA_DIR=str(tmp_path),
    )  # fmt: skip
    assert told.stdout.split() == ["__Host-sessionid", "__Host-csrftoken", "True", "31536000"]


def test_a_proxy_that_is_there_and_not_counted_keeps_the_server_from_starting(tmp_path):
    given = {"TAPWARD_DATA_DIR": str(tmp_path), "TAPWARD_TLS": "true"}
    refused = settings_told("", TAPWARD_PROXIES="0", **given)
    assert refused.returncode != 0
    assert "Leave TAPWARD_PROXIES empty" in refused.stderr
    assert settings_told("print(s.PROXY_COUNT)", **given).stdout.split() == ["1"]


def test_behind_tls_planners_and_owners_show_a_second_factor_unless_said_otherwise(tmp_path):
    given = {"TAPWARD_DATA_DIR": str(tmp_path), "TAPWARD_SECOND_FACTOR_ROLES": ""}
    shown = "print(*s.SECOND_FACTOR_ROLES, 'end')"
    assert settings_told(shown, TAPWARD_TLS="true", **given).stdout.split() == ["owner", "planner", "end"]
    assert settings_told(shown, TAPWARD_TLS="false", **given).stdout.split() == ["end"]
    given["TAPWARD_SECOND_FACTOR_ROLES"] = "none"
    assert settings_told(shown, TAPWARD_TLS="true", **given).stdout.split() == ["end"]


def test_the_deployment_check_notes_what_guards_log_ins_less_than_it_could(settings):
    settings.SECOND_FACTOR_ROLES, settings.LEAKED_PASSWORDS = [], ""
    assert [note.id for note in check_log_ins(None)] == ["fleet.I001", "fleet.I002"]
    settings.SECOND_FACTOR_ROLES, settings.LEAKED_PASSWORDS = ["owner"], "/srv/leaked.txt"
    assert check_log_ins(None) == []


def test_a_trace_gives_nothing_back(client):
    answer = client.trace("/log-in/", headers={"x-told": "a secret of the caller"})
    assert answer.status_code == 405
    assert b"a secret of the caller" not in answer.content


def test_leaked_passwords_are_looked_up_where_there_is_a_list_and_only_there(tmp_path):
    shown = "print(*(one['NAME'].rpartition('.')[2] for one in s.AUTH_PASSWORD_VALIDATORS))"
    given = {"TAPWARD_DATA_DIR": str(tmp_path)}
    assert "NotLeaked" not in settings_told(shown, **given).stdout
    assert "NotLeaked" in settings_told(shown, TAPWARD_LEAKED_PASSWORDS="/srv/leaked.txt", **given).stdout
