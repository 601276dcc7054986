"""Every address is described, and no request that the description allows, or nearly, is answered with a 5xx."""

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.strategies import booleans
from schemathesis.checks import not_a_server_error

from takewell.page import application
from takewell.page.guard import Address
from takewell.page.places import roll_key


@pytest.fixture(scope="module")
def app(prepared):
    """The page on a roll, with work that never starts: what is tested is the asking."""
    return application(Address(frozenset({"127.0.0.1:8000"})), [prepared.parent], prepared)


@pytest.fixture(scope="module")
def api(app):
    """The description the page serves."""
    return schemathesis.openapi.from_asgi("/openapi.json", app, headers={"host": "127.0.0.1:8000"})


@pytest.fixture(autouse=True)
def _no_work(monkeypatch):
    monkeypatch.setattr("takewell.page.jobs.start", lambda *_args, **_more: 1)
    monkeypatch.setattr("takewell.page.jobs.stop", lambda *_args: None)


def test_nothing_asked_ends_in_a_server_error(api, prepared):
    asked = set()
    for operation in (found.ok() for found in api.get_all_operations()):

        @given(case=operation.as_strategy(), real=booleans())
        @settings(max_examples=12, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
        def ask(case, real):
            if real and "key" in (case.path_parameters or {}):
                case.path_parameters["key"] = roll_key(prepared)
            answer = case.call(headers={"host": "127.0.0.1:8000"})
            asked.add(answer.status_code)
            case.validate_response(answer, checks=[not_a_server_error])

        ask()
    assert {200, 404} <= asked


def test_the_description_names_every_screen(api):
    paths = {operation.ok().path for operation in api.get_all_operations()}
    assert {"/", "/roll/{key}/", "/roll/{key}/take", "/roll/{key}/moves", "/roll/{key}/listen"} <= paths
