"""Helpers shared by the tests of every room."""

import shutil
from collections.abc import Callable

import pytest


@pytest.fixture
def program() -> Callable[[str], str]:
    """Return the path of an outside program, or skip with a reason that says which is missing."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            pytest.skip(f"needs the program {name}, which is not installed here")
        return path

    return find
