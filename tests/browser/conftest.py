"""The browsers whose tabs the tests here share end with the tests."""

from __future__ import annotations

from collections.abc import Iterator

import chromium
import pytest


@pytest.fixture(scope="session", autouse=True)
def _browsers_end() -> Iterator[None]:
    yield
    chromium.close_all()
