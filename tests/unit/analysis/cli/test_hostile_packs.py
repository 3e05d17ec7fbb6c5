"""What a hostile pack can do: nothing. One line, exit 2, and not a byte written; or one drive is left out."""

from __future__ import annotations

import hashlib
import io
import json
import random
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from a_pack import everything, held, rewritten, two_stores
from made_drives import RIG
from mutations import mutated
from run_verb import run_verb

from logger.store.drive import list_drives


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("packs")
    two_stores(root)
    return root


@pytest.fixture
def root(good: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(good, tmp_path / "root"))


def _name(name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        files[name] = b"x"

    return change


def _index(**changes: Any) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        files["pack.json"] = json.dumps({**json.loads(files["pack.json"]), **changes}).encode()

    return change


NAMES = (
    "../evil", "drives/../../evil", "drives/0001/../../evil.parquet", "/etc/evil", "drives/0001/sub/evil.parquet",
    "drives/0001/..\\evil", "C:\\evil.toml", "drives/0001/evil.exe", "con.toml", "nul.toml", "cars/x/car.toml",
    ".pack-id", "drives/0001/.commit", "drives/0001/GPS.parquet", "drives/0001/photo-1.jpg", "a/car.toml", "évil.toml",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_no_name_of_a_pack_leads_out_of_it(root: Path, name: str) -> None:
    refused(root, rewritten(root / "finch.zip", root / "h.zip", _name(name)), "which does not belong in a pack")


WRONG: dict[str, tuple[Callable[[dict[str, bytes]], None], bool, str]] = {
    "newer": (_index(pack=2), True, "newer version"),
    "no version": (_index(pack="x"), True, "does not describe a pack"),
    "owner is a path": (_index(owner="../../x"), True, "does not describe a pack"),
    "for nobody": (_index(made_for="all"), True, "does not describe a pack"),
    "digest": (lambda files: files.update({"car.toml": files["car.toml"][::-1]}), False, "changed since it was packed"),
    "size": (lambda files: files.update({"car.toml": b"x"}), False, "is not the size"),
    "stray": (lambda files: files.update({"jets.toml": b"x"}), False, "is not listed in its"),
    "missing": (lambda files: files.pop("car.toml") and None, False, "is missing"),
    "no index": (lambda files: files.pop("pack.json") and None, False, "pack.json is missing"),
    "index is none": (lambda files: files.update({"pack.json": b"{"}), False, "does not describe a pack"),
}


@pytest.mark.parametrize("kind", WRONG)
def test_a_pack_that_is_not_as_it_was_made_is_refused(root: Path, kind: str) -> None:
    change, sealed, words = WRONG[kind]
    refused(root, rewritten(root / "finch.zip", root / "h.zip", change, sealed=sealed), words)


def refused(root: Path, pack: Path, words: str) -> None:
    """One line, exit 2, and not a byte written."""
    before, around = everything(root / "store"), {path.name for path in root.parent.iterdir()}
    said = run_verb(root / "store", "unpack", str(pack))
    assert said.code == 2 and words in said.err, said
    assert everything(root / "store") == before and {path.name for path in root.parent.iterdir()} == around
    assert not (root / "store" / "cars").exists()


def test_a_pack_that_was_cut_off_is_refused_wherever(root: Path) -> None:
    data = (root / "finch.zip").read_bytes()
    for share in (0.0, 0.001, 0.3, 0.6, 0.9, 0.99, 0.9999):
        (root / "h.zip").write_bytes(data[: int(share * len(data))])
        refused(root, root / "h.zip", "cut off")
    (root / "h.zip").write_bytes(b"PK\3\4" + random.Random(1).randbytes(5000))
    refused(root, root / "h.zip", "not a pack")
    refused(root, root / "store", "this is a folder")
    refused(root, root / "none.zip", "no such file")


def test_flipped_bits_are_found(root: Path) -> None:
    data, rng = bytearray((root / "finch.zip").read_bytes()), random.Random(7)
    for _ in range(20):
        at = rng.randrange(len(data) // 2)  # within the files, before the directory
        data[at] ^= 1 << rng.randrange(8)
        (root / "h.zip").write_bytes(data)
        said = run_verb(root / "store", "unpack", str(root / "h.zip"))
        assert said.code == 2 and not (root / "store" / "cars").exists()
        data[at] ^= data[at] ^ (root / "finch.zip").read_bytes()[at]


def test_no_small_file_becomes_a_huge_one(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = held(root / "finch.zip")

    def written(**kinds: int) -> Path:
        with zipfile.ZipFile(root / "h.zip", "w") as file:
            for name, data in files.items():
                file.writestr(name, data, kinds.get(name.rpartition(".")[2], zipfile.ZIP_STORED))
        return root / "h.zip"

    refused(root, written(parquet=zipfile.ZIP_DEFLATED), "is compressed")
    files["car.toml"] = bytes(100 << 20)
    refused(root, written(toml=zipfile.ZIP_DEFLATED), "too many")
    # Files that lie over each other (Fifield 2019): each claims the same bytes.
    refused(root, _overlapping(root), "longer than the whole")
    # A table of a hundred million million rows in a few bytes: a column of one value, again and again.
    table = pa.table({"time": pa.array(np.zeros(40_000_000, np.int64), pa.timestamp("ns", tz="UTC"))})
    sink = io.BytesIO()
    with pq.ParquetWriter(sink, table.schema, compression="zstd") as writer:
        for _ in range(3):
            writer.write_table(table)

    def huge(files: dict[str, bytes]) -> None:
        name = "drives/0001/gps.parquet"
        files[name] = sink.getvalue()
        told = json.loads(files["drives/0001/drive.json"])
        told["digests"]["gps.parquet"] = hashlib.sha256(files[name]).hexdigest()
        files["drives/0001/drive.json"] = json.dumps(told).encode()

    said = run_verb(root / "store", "unpack", str(rewritten(root / "finch.zip", root / "h.zip", huge)))
    assert said.code == 0 and "too many for a drive" in said.flat
    assert len(list_drives(root / "store" / "cars" / "finch")) == 1
    monkeypatch.setattr("shutil.disk_usage", lambda path: shutil._ntuple_diskusage(10**9, 10**9, 1000))
    shutil.rmtree(root / "store" / "cars")
    refused(root, root / "finch.zip", "it needs")


def _overlapping(root: Path) -> Path:
    """A zip whose directory names one stored stretch again and again."""
    with zipfile.ZipFile(root / "o.zip", "w") as file:
        file.writestr("drives/0001/gps.parquet", bytes(1000))
        first = file.infolist()[0]
        for n in range(2, 300):
            again = zipfile.ZipInfo(f"drives/{n:04d}/gps.parquet")
            again.header_offset, again.file_size, again.compress_size, again.CRC = (
                first.header_offset, first.file_size, first.compress_size, first.CRC
            )  # fmt: skip
            file.filelist.append(again)
            file.NameToInfo[again.filename] = again
    return root / "o.zip"


def _manifest(change: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, bytes]], None]:
    def changed(files: dict[str, bytes]) -> None:
        told = json.loads(files["drives/0001/drive.json"])
        change(told)
        files["drives/0001/drive.json"] = json.dumps(told).encode()

    return changed


def _table(column: str, values: Callable[[pa.Table], pa.Array]) -> Callable[[dict[str, bytes]], None]:
    def changed(files: dict[str, bytes]) -> None:
        table = pq.read_table(io.BytesIO(files["drives/0001/gps.parquet"]))
        at = table.column_names.index(column)
        sink = io.BytesIO()
        pq.write_table(table.set_column(at, column, values(table)), sink)
        files["drives/0001/gps.parquet"] = sink.getvalue()
        told = json.loads(files["drives/0001/drive.json"])
        told["digests"]["gps.parquet"] = hashlib.sha256(sink.getvalue()).hexdigest()
        files["drives/0001/drive.json"] = json.dumps(told).encode()

    return changed


LEFT_OUT: dict[str, Callable[[dict[str, bytes]], None]] = {
    "picture elsewhere": _manifest(lambda told: told.update(
        photos=[{"file": "../../../car.toml", "digest": "", "when": "2026-05-02T10:00:00Z"}])),
    "picture missing": _manifest(lambda told: told.update(
        photos=[{"file": "photo-0123456789ab.jpg", "digest": "", "when": "2026-05-02T10:00:00Z"}])),
    "still recording": _manifest(lambda told: told.update(state="recording")),
    "no identity": _manifest(lambda told: told["digests"].pop("raw rows")),
    "claims raw bytes": _manifest(lambda told: told.update(cut="")),
    "table is called raw": _manifest(lambda told: told["rows"].update(raw=3)),
    "table of no source": _manifest(lambda told: told["rows"].update(oil=3)),
    "other rows": _manifest(lambda told: told["rows"].update(gps=3)),
    "other digest": _manifest(lambda told: told["digests"].update({"gps.parquet": "0" * 64})),
    "car is none": _manifest(lambda told: told.update(car={"car": {"name": "Finch", "mass_kg": "heavy"}})),
    "of the year 9999": _manifest(lambda told: told.update(started_utc="9999-01-01T00:00:00Z")),
    "newer program": _manifest(lambda told: told.update(schema_version=99)),
    "manifest is none": lambda files: files.update({"drives/0001/drive.json": b"[]"}),
    "no manifest": lambda files: files.pop("drives/0001/drive.json") and None,
    "configuration is none": lambda files: files.update({"drives/0001/recorder.toml": b"source = 3"}),
    "no table": lambda files: files.update({"drives/0001/gps.parquet": b"PAR1"}),
    "speeds are words": _table("speed_mps", lambda table: pa.array(["fast"] * table.num_rows)),
    "times are numbers": _table("time", lambda table: pa.array(range(table.num_rows))),
}  # fmt: skip


@pytest.mark.parametrize("kind", LEFT_OUT)
def test_one_hostile_drive_is_left_out_and_the_other_is_taken(root: Path, kind: str) -> None:
    own = everything(root / "store")
    said = run_verb(
        root / "store", "unpack", str(rewritten(root / "finch.zip", root / "h.zip", LEFT_OUT[kind])), "--json"
    )
    assert said.code == 0 and len(said.json["left_out"]) == 1 and len(said.json["drives"]) == 1, said
    assert len(said.json["left_out"][0].splitlines()) == 1
    now = everything(root / "store")
    assert {name: data for name, data in now.items() if not name.startswith("cars")} == own
    assert not list((root / "store" / "cars" / "finch").glob(".new-*"))
    assert len(list_drives(root / "store" / "cars" / "finch")) == 1


def test_a_drives_name_is_no_path(root: Path) -> None:
    own = everything(root / "store")
    outside = str(root / "outside" / "evil")
    (root / "outside").mkdir()
    for name in ("../../evil", "../evil", outside, ".hidden", "cars", "con", "a\x1b[2Jb", "x" * 300, "ends in a dot."):
        pack = rewritten(root / "finch.zip", root / "h.zip", _manifest(lambda told, name=name: told.update(id=name)))
        shutil.rmtree(root / "store" / "cars", ignore_errors=True)
        said = run_verb(root / "store", "unpack", str(pack), "--json")
        assert said.code == 0 and len(said.json["drives"]) == 2
        taken = sorted(path.name for path in (root / "store" / "cars" / "finch").iterdir() if path.is_dir())
        assert len(taken) == 2 and all(each.startswith("2026-05-0") for each in taken), (name, taken)
        now = everything(root / "store")
        assert {each: data for each, data in now.items() if not each.startswith("cars/finch/")} == own
    assert list((root / "outside").iterdir()) == []


def test_files_for_others_set_nothing_up(root: Path) -> None:
    """A recorder's file can send commands to devices: only one's own pack brings one."""

    def more(files: dict[str, bytes]) -> None:
        files["recorder.toml"] = RIG.encode()
        files["setup.toml"] = b'name = "x"\n[parts]\n'

    said = run_verb(root / "store", "unpack", str(rewritten(root / "finch.zip", root / "h.zip", more)), "--json")
    assert said.code == 0 and said.json["files"] == ["car.toml"]


@pytest.mark.parametrize(
    "seeds", [range(3), *(pytest.param(range(k, k + 100), marks=pytest.mark.long) for k in range(3, 1003, 100))]
)
def test_mutated_insides_under_right_digests_end_in_a_line(good: Path, tmp_path: Path, seeds: range) -> None:
    """A maker who knows the form: one file of the pack is spoilt, and pack.json made to fit."""
    for seed in seeds:
        rng, root = random.Random(seed), Path(shutil.copytree(good, tmp_path / str(seed)))

        def spoil(files: dict[str, bytes], rng: random.Random = rng) -> None:
            name = rng.choice(sorted(set(files) - {"pack.json"}))
            files[name] = mutated(files[name], rng)

        pack = rewritten(root / "finch.zip", root / "h.zip", spoil, sealed=rng.random() < 0.8)
        assert run_verb(root / "store", "unpack", str(pack), warned=True).code in (0, 1, 2)
        for verb in (["drives"], ["runs", "finch/last"]):
            assert run_verb(root / "store", *verb, warned=True).code in (0, 1, 2)
        assert len(list_drives(root / "store")) == 2
        shutil.rmtree(root)
