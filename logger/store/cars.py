"""Other people's cars in a store: each is a store of its own, so that no season, habit or receiver is ever mixed.

    STORE/2026-05-02_091430Z/            a drive of the owner's car
    STORE/cars/finch/2026-05-09_.../     a drive of a friend's, as `pullbook unpack` put it there
    STORE/.pack-id                       whose packs these are: a word that says nothing else

A drive or a setup of another car is called by the car's name first: `finch/last`, `finch/baseline`.
"""

from __future__ import annotations

import re
import uuid
from pathlib import Path

from logger.store.disk import Disk
from logger.store.folders import make_store
from logger.store.names import CARS

_ID = ".pack-id"
_SHAPE = re.compile(r"[0-9a-f]{32}")


def other_cars(store: Path) -> list[Path]:
    """The stores of other cars, by name."""
    try:
        return sorted(path for path in (store / CARS).iterdir() if path.is_dir() and not path.name.startswith("."))
    except OSError:
        return []


def split_ref(store: Path, ref: str) -> tuple[Path, str] | None:
    """`finch/last` as the store of the car called finch and what is meant in it; None where no car is called so."""
    car, slash, rest = ref.partition("/")
    if not slash or not rest or Path(car).name != car or car.startswith("."):
        return None
    folder = store / CARS / car
    return (folder, rest) if folder.is_dir() else None


def pack_id(store: Path) -> str:
    """Whose packs the store's are; "" where none was made or taken yet."""
    try:
        told = (store / _ID).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
    return told if _SHAPE.fullmatch(told) else ""


def keep_pack_id(store: Path, told: str = "") -> str:
    """The store's own word, made where it has none; `told` is taken for it then. OSError where it cannot be kept."""
    if known := pack_id(store):
        return known
    if store.parent.name == CARS:
        make_store(store.parent)
    make_store(store)
    fresh = told or uuid.uuid4().hex
    Disk().put_file(store / _ID, f"{fresh}\n".encode("ascii"))
    return fresh
