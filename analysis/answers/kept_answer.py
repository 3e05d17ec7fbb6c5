"""Answers of a drive that were given before, so that what was asked twice is worked out once.

    STORE/.analysis/DRIVE/runs-0a1b2c3d4e5f.json

An answer is kept under a digest of what was asked, with a key of all that it depends on: tables, files and manifest of
the drive, the targets in force, what other drives taught of receiver, car and throttle, the drives before it that may
have passed its roads, which runs were no full pulls by the season, and this program (`kept`). What is of another key,
or does not read as it was written, is worked out anew; a drive outside its store, or one that is being recorded, is
asked each time.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any, TypeVar

from analysis import kept
from analysis.answers.encoding import Answer
from analysis.drive import AnalysedDrive
from logger.errors import InputError, NoAnswer

A = TypeVar("A", bound=Answer)


def kept_answer(drive: AnalysedDrive, kind: type[A], verb: str, asked: Mapping[str, Any], make: Callable[[], A]) -> A:
    """What `make` gives, or gave when just that was asked before of just this drive."""
    key = _key(drive)
    if drive.kept_in is None or key is None:
        return make()
    name = f"{verb}-{kept.digest_of_values(asked)[:12]}"
    found = kept.read_values(drive.kept_in, drive.id, name, key)
    if found is not None:
        with contextlib.suppress(ValueError):
            return kind.model_validate(found)
    answer = make()
    told = plain(answer)
    with contextlib.suppress(ValueError):  # only what reads as it was written
        if repr(plain(kind.model_validate(json.loads(json.dumps(told))))) == repr(told):
            kept.write_values(drive.kept_in, drive.id, name, key, told)
    return answer


def plain(value: Any) -> Any:
    """An answer as plain values that lose nothing: NaN stays NaN."""
    if isinstance(value, Answer):
        return {name: plain(getattr(value, name)) for name in type(value).model_fields}
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each) for each in value]
    return value.isoformat() if isinstance(value, datetime | date) else value


def _key(drive: AnalysedDrive) -> str | None:
    """What the answers of a drive depend on; None where a file of it cannot be read, of which the answer will tell."""
    if drive.kept_in is None:
        return None
    try:
        key = kept.analysed_key(drive)
    except (NoAnswer, InputError):
        return None
    before = [(each.id, each.drive.manifest.digests) for each in drive.before]
    manifest = drive.drive.manifest.model_dump_json()
    return kept.digest_of_values(key, manifest, sorted(drive.part_throttle.items()), before)
