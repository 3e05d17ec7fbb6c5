"""A friend's car, the Finch, and the pack that its owner gave away; packs taken apart and put together again."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import simulate
from made_drives import BASELINE, CAR, RIG, START, make_drive
from made_season import BOTH
from run_verb import run_verb

FINCH = CAR.model_copy(update={"car": CAR.car.model_copy(update={"name": "Finch", "mass_kg": 512.0})})
STARTS = (
    simulate.Stand(4), simulate.Pull(14.0, launch="slip"), simulate.Brake(0), simulate.Stand(5),
    simulate.Pull(14.0, launch="slip"), simulate.Brake(0), simulate.Stand(4),
)  # fmt: skip


def a_friends_pack(root: Path, drives: int = 1, script: Sequence[Any] = STARTS, **made: Any) -> Path:
    """`finch.zip` in `root`, for others, of the drives in `root/finch`."""
    for n in range(drives):
        make_drive(
            root / "finch", script, seed=70 + n, car=FINCH, setup=BASELINE, start=START + timedelta(days=n, hours=5),
            weather={"temperature_c": 15.0, "pressure_hpa": 1002.0, "wind_mps": 1.0}, **made,
        )  # fmt: skip
    said = run_verb(root / "finch", "pack", "--ends", "0m", "--out", str(root / "finch.zip"))
    assert said.code == 0, said
    return root / "finch.zip"


def two_stores(root: Path) -> None:
    """The Wren's store with two drives, the Finch's, and the pack of the Finch."""
    for week, setup in enumerate((BASELINE, BOTH)):
        make_drive(
            root / "store", STARTS, seed=week, setup=setup, start=START + timedelta(days=7 * week),
            weather={"temperature_c": 17.0, "pressure_hpa": 1009.0, "wind_mps": 1.0},
        )  # fmt: skip
    (root / "store" / "recorder.toml").write_text(RIG)
    (root / "store" / "car.toml").write_text('[car]\nname = "Wren"\nmass_kg = 392.0\ncooling = "air"\n')
    a_friends_pack(root, drives=2)
    for name in ("store", "finch"):
        run_verb(root / name, "season")


def held(pack: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(pack) as file:
        return {name: file.read(name) for name in file.namelist()}


def rewritten(pack: Path, to: Path, change: Callable[[dict[str, bytes]], None], *, sealed: bool = True) -> Path:
    """The pack with its files changed; `sealed`: pack.json is made to fit, as a hostile maker would."""
    files = held(pack)
    change(files)
    if sealed:
        index = json.loads(files["pack.json"])
        index["files"] = {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in files.items() if name != "pack.json"
        }  # fmt: skip
        files["pack.json"] = json.dumps(index).encode()
    with zipfile.ZipFile(to, "w") as file:
        for name, data in files.items():
            file.writestr(name, data, zipfile.ZIP_DEFLATED if name.endswith((".json", ".toml")) else zipfile.ZIP_STORED)
    return to


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*")) if path.is_file() and ".analysis" not in path.parts
    }  # fmt: skip
