"""Faults planted in the glue between computing and showing: the ordinary suite notices at least 95 % of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from faults.listed import FAULTS
from faults.planted import caught, is_current

SHORT = ("strike writes nothing",)
"""Planted in the ordinary suite as well, as a short form."""


def test_the_list_is_long_enough_and_fits_the_source() -> None:
    assert len(FAULTS) >= 40
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    assert not [fault.name for fault in FAULTS if not is_current(fault)]


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault.name in SHORT], ids=str)
def test_a_planted_fault_is_noticed(fault, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    assert caught(fault, tmp_path, first_only=True)


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_of_all_planted_faults_95_percent_are_noticed(tmp_path: Path) -> None:
    missed = []
    for number, fault in enumerate(FAULTS):
        failed = caught(fault, tmp_path / str(number))
        print(f"{fault.name}: {failed or 'NOT NOTICED'}", flush=True)
        if not failed:
            missed.append(fault.name)
    assert len(missed) <= 0.05 * len(FAULTS), missed
