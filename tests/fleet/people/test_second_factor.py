"""The second factor: codes as the standard has them, each good once, and no way round them."""

import base64
from datetime import UTC, datetime, timedelta

import pyotp
import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from fleet.models import AuditEntry, FailedLogIn, Person, RecoveryCode, SecondFactor
from fleet.people import login_limits, services

NOW = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
PASSWORD = "copper kettle upstairs"
RFC_SECRET = base64.b32encode(b"12345678901234567890").decode()
pytestmark = pytest.mark.django_db


@pytest.fixture
def owner():
    return Person.objects.create_user("owner", password=PASSWORD, role="owner")


def app_of(person):
    return SecondFactor.objects.get(person=person).totp


def set_up(person, now=NOW - timedelta(days=1)):
    factor = services.pending_factor(person, now=now)
    return services.confirm_factor(factor, factor.totp.at(now), now=now)


def give_password(client, **more):
    return client.post(reverse("log_in"), {"username": "owner", "password": PASSWORD, **more})


def give_code(client, code):
    return client.post(reverse("second_factor"), {"code": code})


def is_in(client):
    return client.get(reverse("own_log_in")).status_code == 200


@pytest.mark.parametrize(
    ("seconds", "code"),
    # RFC 6238, appendix B, the SHA-1 rows: of 8 digits, an app's 6 are the last ones (RFC 4226, section 5.3).
    [(59, "94287082"), (1111111109, "07081804"), (1111111111, "14050471"), (1234567890, "89005924"),
     (2000000000, "69279037"), (20000000000, "65353130")],
)  # fmt: skip
def test_codes_are_those_of_the_standard(owner, monkeypatch, seconds, code):
    monkeypatch.setattr(SecondFactor, "secret", RFC_SECRET)
    at = datetime.fromtimestamp(seconds, tz=UTC)
    SecondFactor.objects.create(person=owner, salt="x", begun_at=NOW, confirmed_at=NOW)
    assert not services.use_code(owner, f"{(int(code[-6:]) + 1) % 10**6:06d}", now=at)
    assert services.use_code(owner, code[-6:], now=at)


def test_a_code_counts_half_a_minute_either_way_and_never_twice(owner):
    set_up(owner)
    app = app_of(owner)
    for off, opens in ((-60, False), (-30, True), (60, False)):
        SecondFactor.objects.update(last_step=0)
        code = app.at(NOW + timedelta(seconds=off))
        assert services.use_code(owner, code, now=NOW) is opens, off
    SecondFactor.objects.update(last_step=0)
    ahead, present = app.at(NOW + timedelta(seconds=30)), app.at(NOW)
    assert services.use_code(owner, ahead, now=NOW)
    assert not services.use_code(owner, ahead, now=NOW)
    assert not services.use_code(owner, present, now=NOW), "an older one opens nothing after a newer one"


def test_the_password_alone_opens_nothing_once_a_factor_stands(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        answer = give_password(client, next=reverse("audit_trail"))
        assert answer.headers["Location"] == reverse("second_factor")
        assert not is_in(client)
        assert give_code(client, "000000").status_code == 422
        assert not is_in(client)
        answer = give_code(client, app_of(owner).at(NOW))
    assert answer.headers["Location"] == reverse("audit_trail")
    with time_machine.travel(NOW, tick=False):
        assert is_in(client)


def test_a_foreign_address_is_not_followed_after_the_code(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        give_password(client, next="https://elsewhere.example/")
        assert give_code(client, app_of(owner).at(NOW)).headers["Location"] == "/"


def test_the_code_alone_opens_nothing(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        assert give_code(client, app_of(owner).at(NOW)).headers["Location"] == reverse("log_in")
        assert not is_in(client)


@pytest.mark.parametrize("spoiled", ["late", "new password", "shut"])
def test_a_right_password_does_not_wait_for_ever(client, owner, spoiled):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        give_password(client)
    later = NOW + timedelta(minutes=11 if spoiled == "late" else 1)
    if spoiled == "new password":
        owner.set_password("another one altogether")
        owner.save()
    if spoiled == "shut":
        Person.objects.update(is_active=False)
    with time_machine.travel(later, tick=False):
        assert give_code(client, app_of(owner).at(later)).headers["Location"] == reverse("log_in")
        assert not is_in(client)


def test_guessing_codes_is_slowed_and_the_password_does_not_clear_the_count(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        for _ in range(login_limits.MAX_PER_PAIR):
            give_password(client)
            assert give_code(client, "000000").status_code == 422
        give_password(client)
        answer = give_code(client, app_of(owner).at(NOW))
        assert answer.status_code == 429
        assert b"Try again in" in answer.content
        assert not is_in(client)


@pytest.mark.parametrize("typed", ["owner", "owner second factor", "owner code", "code"])
def test_a_stranger_without_the_password_locks_nobodys_second_step(client, owner, typed):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        give_password(client)
        for _ in range(login_limits.MAX_PER_PAIR):
            Client().post(reverse("log_in"), {"username": typed, "password": "wrong"})
        for number in range(login_limits.MAX_PER_ACCOUNT):
            elsewhere = login_limits.Attempt(typed, f"198.51.100.{number}")
            login_limits.note_failure(elsewhere, now=NOW)
        assert FailedLogIn.objects.count() == login_limits.MAX_PER_PAIR + login_limits.MAX_PER_ACCOUNT
        assert give_code(client, "000000").status_code == 422
        assert give_code(client, app_of(owner).at(NOW)).status_code == 302
        assert is_in(client)


def test_who_has_the_password_alone_keeps_the_person_from_no_known_browser(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False) as clock:
        give_password(client)
        assert give_code(client, app_of(owner).at(NOW)).status_code == 302
        client.post(reverse("log_out"))
        for number in range(login_limits.MAX_PER_ACCOUNT):
            attempt = login_limits.Attempt("owner", f"198.51.100.{number}", step="code")
            login_limits.note_failure(attempt, now=NOW)
        clock.shift(timedelta(seconds=30))
        code = app_of(owner).at(NOW + timedelta(seconds=30))
        elsewhere = Client(REMOTE_ADDR="192.0.2.1")
        give_password(elsewhere)
        assert give_code(elsewhere, code).status_code == 429
        give_password(client)
        assert give_code(client, code).status_code == 302
        assert is_in(client)


@pytest.mark.parametrize("code", ["١٢٣٤٥٦", "²²²²²²", "é", "\ud800"])
def test_signs_of_other_scripts_are_a_wrong_code(client, owner, code):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        give_password(client)
        assert give_code(client, code.encode("utf-8", "surrogatepass")).status_code == 422


def test_each_recovery_code_opens_once_and_is_kept_as_a_hash(client, owner):
    codes = set_up(owner)
    assert len(set(codes)) == services.RECOVERY_CODES
    kept = "".join(RecoveryCode.objects.values_list("code_hash", flat=True))
    assert not any(code in kept or code.replace("-", "") in kept for code in codes)
    with time_machine.travel(NOW, tick=False):
        give_password(client)
        assert give_code(client, codes[3].lower()).status_code == 302
        other = Client()
        give_password(other)
        assert give_code(other, codes[3]).status_code == 422
        assert give_code(other, codes[4]).status_code == 302
    assert AuditEntry.objects.filter(what="recovery code used").count() == 2


def test_new_recovery_codes_make_the_old_ones_worthless(owner):
    old = set_up(owner)
    new = services.renew_recovery_codes(services.active_factor(owner), now=NOW)
    assert not services.use_code(owner, old[0], now=NOW)
    assert services.use_code(owner, new[0], now=NOW)


def test_setting_up_needs_a_code_of_the_shown_key_and_shows_the_recovery_codes_once(client, owner):
    client.force_login(owner)
    with time_machine.travel(NOW, tick=False):
        page = client.get(reverse("set_up_second_factor"))
        secret = page.context["secret"]
        assert secret in page.content.decode()
        assert (
            client.post(reverse("set_up_second_factor"), {"code": "123456", "password": PASSWORD}).status_code
            == 422
        )
        right = {"code": pyotp.TOTP(secret).at(NOW)}
        assert client.post(reverse("set_up_second_factor"), right | {"password": "wrong"}).status_code == 422
        assert services.active_factor(owner) is None
        answer = client.post(reverse("set_up_second_factor"), right | {"password": PASSWORD})
        assert len(answer.context["codes"]) == services.RECOVERY_CODES
        # The key is shown no more once it counts.
        assert client.get(reverse("set_up_second_factor")).status_code == 302
    assert secret not in "".join(f"{one.about}{one.detail}" for one in AuditEntry.objects.all())


def test_the_key_stands_in_no_column(owner):
    set_up(owner)
    factor = SecondFactor.objects.get()
    secret = factor.secret
    assert secret not in "".join(str(value) for value in factor.__dict__.values())
    assert len(base64.b32decode(secret)) * 8 >= 160


def test_who_has_no_factor_gets_no_recovery_codes(client, owner):
    client.force_login(owner)
    services.pending_factor(owner, now=NOW)
    assert client.post(reverse("renew_recovery_codes"), {"password": PASSWORD}).status_code == 404
    assert not RecoveryCode.objects.exists()


@pytest.mark.parametrize("name", ["remove_second_factor", "renew_recovery_codes"])
def test_taking_the_factor_away_asks_for_the_password(client, owner, name):
    set_up(owner)
    client.force_login(owner)
    kept = list(RecoveryCode.objects.values_list("pk", flat=True))
    assert client.post(reverse(name), {"password": "wrong"}).status_code == 422
    assert list(RecoveryCode.objects.values_list("pk", flat=True)) == kept
    client.post(reverse(name), {"password": PASSWORD})
    assert list(RecoveryCode.objects.values_list("pk", flat=True)) != kept


def test_a_role_that_must_show_a_factor_sees_only_its_setting_up(client, owner, settings):
    settings.SECOND_FACTOR_ROLES = ["owner"]
    with time_machine.travel(NOW, tick=False):
        give_password(client)
        assert client.get(reverse("audit_trail")).headers["Location"] == reverse("set_up_second_factor")
        answer = client.get("/api/sites/")
        assert (answer.status_code, answer.headers["Content-Type"]) == (403, "application/problem+json")
        client.get(reverse("set_up_second_factor"))
        client.post(reverse("set_up_second_factor"), {"code": app_of(owner).at(NOW), "password": PASSWORD})
        assert client.get(reverse("audit_trail")).status_code == 200
        planner = Client()
        planner.force_login(Person.objects.create_user("pia", role="planner"))
        assert planner.get(reverse("audit_trail")).status_code == 200


def test_a_factor_that_stands_can_not_be_replaced_by_whoever_finds_a_browser_open(owner):
    set_up(owner)
    assert services.pending_factor(owner, now=NOW) is None


def test_the_shell_helps_who_lost_the_phone_and_ends_sessions(client, owner):
    set_up(owner)
    with time_machine.travel(NOW, tick=False):
        give_password(client)
        give_code(client, app_of(owner).at(NOW))
        call_command("reset_log_in", "owner", second_factor=True)
        assert not is_in(client)
        assert give_password(client).headers["Location"] == "/"
    assert AuditEntry.objects.filter(what="second factor taken away", by=None).exists()
