"""Without TLS a program is refused, never sent on; a browser is sent on."""

import pytest
from django.test import Client

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("address", ["/api/sites", "/api/schema", "/api/no-such-thing"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_program_is_refused_and_told_how(settings, address, method):
    settings.SECURE_SSL_REDIRECT = True
    answer = Client().generic(method, address, headers={"Authorization": "Bearer x"})
    assert answer.status_code == 403
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert "https" in answer.json()["remedy"]
    assert Client().generic(method, address, secure=True).status_code != 403


@pytest.mark.parametrize("address", ["/api/docs/", "/", "/api/own-tokens/"])
def test_a_browser_is_sent_on(settings, address):
    settings.SECURE_SSL_REDIRECT = True
    answer = Client().get(address)
    assert answer.status_code == 301
    assert answer.headers["Location"].startswith("https://")


def test_where_no_tls_is_meant_to_be_nothing_is_refused(client):
    assert client.get("/api/sites").status_code == 401
