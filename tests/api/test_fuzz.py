"""The whole schema fuzzed as each role: nothing breaks, nothing breaches the schema, nothing leaks.

The budget is short and its seed fixed; ``TAPWARD_FUZZ_EXAMPLES`` (calls of each operation as each role) makes
it longer, ``TAPWARD_FUZZ_SEED`` another.
"""

import os
from datetime import timedelta

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.stateful import run_state_machine_as_test
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.models import ApiToken
from api.tokens import hash_of
from shared.config.wsgi import application
from shared.roles import Permission, Role
from tests import factories as make
from tests.api.rows import Everything, people

EXAMPLES = int(os.environ.get("TAPWARD_FUZZ_EXAMPLES", "2"))
SEED = int(os.environ.get("TAPWARD_FUZZ_SEED", "20261102"))
CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
    response_schema_conformance,
]  # fmt: skip
SECRET = "tapward_fuzz-0123456789"
FOREIGN = "Farside-f0e1"
"""A word in everything that belongs to another branch; no answer may have it."""


def budget(examples: int, **more) -> settings:
    return settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck), **more,
    )  # fmt: skip


@pytest.fixture
def headers(here, role, settings):
    """What lets a role in. Throttling is not what is tested here."""
    rates = dict.fromkeys(("read", "write", "bulk"), None)
    settings.REST_FRAMEWORK = settings.REST_FRAMEWORK | {"DEFAULT_THROTTLE_RATES": rates}
    there = Everything(branch=make.branch(name=FOREIGN))
    there.site.name, there.site.code, there.site.access_note = f"{FOREIGN} hall", f"{FOREIGN}-1", FOREIGN
    there.site.save()
    there.unit.serial = f"{FOREIGN}-2"
    there.unit.save()
    there.order.why = FOREIGN
    there.order.save()
    person = here.technician.person if role == Role.TECHNICIAN else people(here.branch)[role]
    # Pages give a technician no token; the calls are made with one so that writes are fuzzed without a form.
    ApiToken.objects.create(
        person=person, name="fuzz", secret_hash=hash_of(SECRET), secret_start="tapward_fuzz",
        permissions=[one.name.lower() for one in Permission], made_at=make.NOW,
        expires_at=make.NOW + timedelta(days=1),
    )  # fmt: skip
    return {"Authorization": f"Bearer {SECRET}"}


@pytest.fixture
def schema(headers):
    """The schema as served. The application runs in this thread and keeps the test's own connection."""
    signals = (request_started, request_finished)
    for signal in signals:
        signal.disconnect(close_old_connections)
    yield schemathesis.openapi.from_wsgi("/api/schema", application, headers=headers)
    for signal in signals:
        signal.connect(close_old_connections)


def check(case, response) -> None:
    """Refuse a broken answer, one the schema knows nothing of, and one with something of another branch."""
    case.validate_response(response, checks=CHECKS)
    assert FOREIGN not in response.text, f"{case.method} {case.formatted_path} leaks"


@pytest.mark.parametrize("role", list(Role))
def test_no_call_of_any_role_breaks_breaches_or_leaks(schema, headers, role):
    for found in schema.get_all_operations():
        operation = found.ok()
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):

            @seed(SEED)
            @budget(EXAMPLES)
            @given(case=operation.as_strategy(generation_mode=mode))
            def calls(case):
                check(case, case.call(headers=headers))

            try:
                calls()
            except schemathesis.errors.SchemathesisError:
                # Nothing in some operations can be made wrong: a list without parameters of its own.
                if mode == GenerationMode.POSITIVE:
                    raise


@pytest.mark.parametrize("role", list(Role))
def test_no_chain_of_calls_breaks_breaches_or_leaks(schema, headers, role):
    class Machine(schema.as_state_machine()):
        def get_call_kwargs(self, case):
            return {"headers": headers}

        def validate_response(self, response, case, additional_checks=(), **kwargs):
            check(case, response)

    Machine.TestCase.settings = budget(EXAMPLES, stateful_step_count=5)
    seed(SEED)(Machine)
    run_state_machine_as_test(Machine, settings=budget(EXAMPLES, stateful_step_count=5))
