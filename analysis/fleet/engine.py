"""All drives under some URLs, worked out side by side, and written as tables partitioned by car.

    analyse(["s3://club/wren", "s3://club/finch"], "s3://club-rows")

    OUT/splits/car=Wren/3f0c....parquet     a file for each batch of drives and car; so for every table of `rows.FIELDS`
    OUT/_done/3f0c....json                  which drives, under which keys, and which files: written last

A batch that is in `_done` under the keys that its drives have now is not worked out again, so what was interrupted goes
on where it stopped; a drive that changed, or another version of the program, makes its batch anew. By default this
machine's processes work; `scheduler` names a cluster that Dask runs already.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import multiprocessing
import os
import re
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from typing import Any
from urllib.parse import quote

import fsspec

from analysis import kept
from analysis.answers.analyse import AnalyseAnswer, FailedDrive
from analysis.fleet.rows import FIELDS, joined, rows_at, tables_of
from logger.errors import InputError, NoAnswer

BATCH = 16
"""Drives of a batch: files are not too small, and little is lost when a worker is."""
_AHEAD = 3
"""Batches handed out beforehand for each worker: memory stays flat however many drives there are."""
_MANIFEST = "drive.json"
_DONE = "_done"


@dataclass(frozen=True)
class _Batch:
    name: str
    drives: tuple[tuple[str, str], ...]
    """URL and key of each."""


def analyse(
    urls: Iterable[str],
    out: str,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Callable[[int, int, float], None] = lambda made, of, left_s: None,
) -> AnalyseAnswer:
    """Work out all drives under `urls` (stores, or single drives) and write their rows under `out`.

    Parameters
    ----------
    scheduler : str, optional
        Address of a Dask cluster, such as tcp://10.0.0.7:8786; by default `workers` processes of this machine, as
        many as it has cores.
    progress : callable
        Told after each batch: drives worked out, of how many, and about how long the rest takes [s].

    Raises
    ------
    InputError
        Where a URL cannot be read or `out` cannot be written.
    NoAnswer
        Where there is no drive.
    """
    found = dict(_drives(urls))
    if not found:
        raise NoAnswer(f"{' '.join(urls)}: there is no drive here. Give stores or folders of drives")
    files, where = _opened(out)
    began = time.monotonic()
    todo, stale = _plan(found, _markers(files, where))
    for file in stale:
        files.rm(f"{where}/{file}")
    total, made = sum(len(batch.drives) for batch in todo), 0
    failed: list[FailedDrive] = []
    if todo:
        works = _on_cluster(todo, out, scheduler) if scheduler else _here(todo, out, workers or os.cpu_count() or 1)
        for batch, wrong in works:
            made += len(batch.drives)
            failed += [FailedDrive(url=url, reason=reason) for url, reason in wrong]
            progress(made, total, (time.monotonic() - began) / made * (total - made))
    return AnalyseAnswer(
        out=out, drives=len(found), made=made, failed=tuple(failed), seconds=time.monotonic() - began
    )  # fmt: skip


# --- what there is, and what is to be done ------------------------------------------------------------------------


def _opened(url: str) -> tuple[Any, str]:
    try:
        files, where = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError, OSError) as error:
        raise InputError(f"{url}: {error}") from error
    return files, where.rstrip("/")


def _drives(urls: Iterable[str]) -> Iterator[tuple[str, str]]:
    """URL and key of every drive, in order of their URLs."""
    for url in urls:
        files, where = _opened(url)
        try:
            manifests = [f"{where}/{_MANIFEST}"] if files.exists(f"{where}/{_MANIFEST}") else files.glob(
                f"{where}/*/{_MANIFEST}"
            )  # fmt: skip
            contents = files.cat(sorted(manifests)) if manifests else {}
        except (OSError, ValueError) as error:
            raise InputError(f"{url}: cannot be read: {error}") from error
        if isinstance(contents, bytes):  # of a single file
            contents = {manifests[0]: contents}
        for manifest, data in sorted(contents.items()):
            key = hashlib.sha256(data + kept.program().encode()).hexdigest()
            yield files.unstrip_protocol(manifest.removesuffix(f"/{_MANIFEST}")), key


def _markers(files: Any, where: str) -> dict[str, dict[str, Any]]:
    """Batch -> what `_done` says of it."""
    if not files.exists(f"{where}/{_DONE}"):
        return {}
    found = {}
    for path in files.glob(f"{where}/{_DONE}/*.json"):
        try:
            found[path.rsplit("/", 1)[-1].removesuffix(".json")] = json.loads(files.cat_file(path))
        except ValueError:  # cut off: as if the batch had not been made
            continue
    return found


def _plan(found: dict[str, str], markers: dict[str, dict[str, Any]]) -> tuple[list[_Batch], list[str]]:
    """The batches to be made, and the files of those that are no longer true."""
    left, stale = dict(found), []
    for name, marker in markers.items():
        if all(found.get(url) == key for url, key in marker["drives"].items()):
            for url in marker["drives"]:
                left.pop(url, None)
        else:
            stale += [*marker["files"], f"{_DONE}/{name}.json"]
    todo = sorted(left.items())
    batches = [tuple(todo[at : at + BATCH]) for at in range(0, len(todo), BATCH)]
    return [_Batch(hashlib.sha256(repr(each).encode()).hexdigest()[:16], each) for each in batches], stale


# --- the work ---------------------------------------------------------------------------------------------------------


def make(batch: _Batch, out: str) -> list[tuple[str, str]]:
    """Work out a batch and write its files, its marker last; gives URL and reason of the drives that cannot be read."""
    files, where = fsspec.core.url_to_fs(out)
    where = where.rstrip("/")
    rows = joined(rows_at(url, key) for url, key in batch.drives)
    written = []
    for car in sorted({row[0] for row in rows["drives"]}):
        mine = {name: [row for row in found if row[0] == car] for name, found in rows.items()}
        for name, table in tables_of(mine).items():
            if table.num_rows:
                path = f"{name}/car={_folder(car)}/{batch.name}.parquet"
                _put(files, f"{where}/{path}", _bytes(table.drop_columns(["car"])))
                written.append(path)
    marker = {"drives": dict(batch.drives), "files": written}
    _put(files, f"{where}/{_DONE}/{batch.name}.json", json.dumps(marker).encode())
    at = [each[0] for each in FIELDS["drives"]].index
    return [(row[at("url")], row[at("reason")]) for row in rows["drives"] if row[at("reason")]]


def _folder(car: str) -> str:
    """A car's name as part of a path, as engines read partitions; __HIVE_DEFAULT_PARTITION__ for none."""
    return quote(car, safe=" ") if car else "__HIVE_DEFAULT_PARTITION__"


def _bytes(table: Any) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue().to_pybytes())


def _put(files: Any, path: str, data: bytes) -> None:
    files.makedirs(path.rsplit("/", 1)[0], exist_ok=True)
    files.pipe_file(path, data)


# --- who works ----------------------------------------------------------------------------------------------------

_Made = tuple[_Batch, list[tuple[str, str]]]
"""A batch, with URL and reason of the drives that could not be read."""


def _here(todo: list[_Batch], out: str, workers: int) -> Iterator[_Made]:
    """Each batch as it is done, by processes of this machine.

    Not by Dask's local cluster: that serves pages over the network, on every interface, and this program does not.
    """
    waiting = iter(todo)
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        running = {pool.submit(make, batch, out): batch for batch in islice(waiting, _AHEAD * workers)}
        try:
            while running:
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    yield running.pop(future), future.result()
                    running |= {pool.submit(make, batch, out): batch for batch in islice(waiting, 1)}
        except BrokenProcessPool:
            raise NoAnswer(
                "a worker process was stopped from outside. Run the command again to go on from there"
            ) from None
        finally:
            pool.shutdown(cancel_futures=True)


def _on_cluster(todo: list[_Batch], out: str, scheduler: str) -> Iterator[_Made]:
    """Each batch as it is done, by the workers of a Dask cluster; few are handed out ahead of those that work."""
    dask = importlib.import_module("distributed")
    if not re.match(r"(tcp|tls|ucx)://", scheduler):
        raise InputError(f"--scheduler: found {scheduler!r}, expected an address such as tcp://10.0.0.7:8786")
    try:
        client = dask.Client(scheduler, timeout=10)
    except OSError as error:
        raise InputError(f"--scheduler {scheduler}: no answer from there: {error}") from error
    waiting, running = iter(todo), {}

    def hand_out(most: int) -> list[Any]:
        futures = []
        for batch in islice(waiting, most):
            future = client.submit(_unwatched, batch, out, pure=False, retries=2)
            running[future.key] = batch
            futures.append(future)
        return futures

    with client:
        queue = dask.as_completed(hand_out(_AHEAD * max(len(client.scheduler_info()["workers"]), 1)))
        for future in queue:
            yield running.pop(future.key), future.result()
            queue.update(hand_out(1))


def _unwatched(batch: _Batch, out: str) -> list[tuple[str, str]]:
    """As `make`, in a thread that Dask doesn't watch.

    A Dask worker looks a hundred times a second at the stack of each thread that works on a task, and keeps what it saw
    in each of the last thousand seconds: of a stack as deep as a drive's about 0.7 MB a second.
    """
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(make, batch, out).result()
