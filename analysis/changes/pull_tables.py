"""The pulls of a drive as the store keeps them: three tables beside its runs, and back.

tables = tables_of(pulls)         # pulls, pull_bands, pull_covariances
pulls = pulls_from(tables, road, wind)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from analysis.changes import packed
from analysis.conditions.roadload import RoadLoad
from analysis.runs.pulls import PowerPull

if TYPE_CHECKING:
    import pyarrow as pa

PULL_FIELDS: dict[str, tuple[tuple[str, str, str, str], ...]] = {
    "pulls": (
        ("n", "int64", "", "number of the pull in its drive"),
        ("run", "int64", "", "the standing run that it belongs to; 0 for a rolling one"),
        ("start_s", "double", "s", "from when it is read, on the fixes' axis"),
        ("end_s", "double", "s", "up to when"),
        ("start_utc_ns", "int64", "ns", "from when, since 1970"),
        ("throttle", "double", "1", "median opening, as a share of its full travel"),
        ("mixture", "double", "", "median mixture"),
    ),
    "pull_bands": (
        ("n", "int64", "", "number of the pull in its drive"),
        ("band", "int64", "", "band of 5 mph, by its lower edge over 5 mph"),
        ("time_s", "double", "s", "middle of the band's window, on the fixes' axis"),
        ("seconds", "double", "s", "length of the window"),
        ("speed_mps", "double", "m/s", "mean speed"),
        ("rate", "double", "W/kg", "rate of half the speed's square"),
        ("lat_deg", "double", "deg", "latitude of the middle"),
        ("lon_deg", "double", "deg", "longitude of the middle"),
        ("heading_deg", "double", "deg", "course there"),
        ("way_m", "double", "m", "distance driven in the window"),
    ),
    "pull_covariances": (
        ("n", "int64", "", "number of the pull in its drive"),
        ("band", "int64", "", "one band"),
        ("other", "int64", "", "another, not below it"),
        ("covariance", "double", "(W/kg)2", "of their rates, by the receiver"),
    ),
}

PULL_KINDS: packed.Kinds = {
    "band": "codes", "rate_covariance": "square", "road": packed.of_fields(RoadLoad), "wind": packed.TUPLE,
    **dict.fromkeys(
        ("time_s", "seconds", "speed_mps", "rate", "lat_deg", "lon_deg", "heading_deg", "way_m"), "floats"
    ),
}  # fmt: skip
"""The same fields, and the others of a pull, for `packed`."""

Table = TypeVar("Table")


def tables_of(pulls: Sequence[PowerPull], make: Callable[[str, Iterable[tuple[Any, ...]]], Table]) -> dict[str, Table]:
    """The tables of some pulls; `make` makes one of its name and rows."""
    names = [name for name, *_ in PULL_FIELDS["pulls"]]
    bands = [name for name, *_ in PULL_FIELDS["pull_bands"]][1:]
    return {
        "pulls": make("pulls", [tuple(getattr(pull, name) for name in names) for pull in pulls]),
        "pull_bands": make(
            "pull_bands",
            [
                (pull.n, *row)
                for pull in pulls
                for row in zip(*(getattr(pull, name).tolist() for name in bands), strict=True)
            ],
        ),
        "pull_covariances": make(
            "pull_covariances",
            [
                (pull.n, int(pull.band[i]), int(pull.band[j]), float(pull.rate_covariance[i, j]))
                for pull in pulls
                for i in range(len(pull.band))
                for j in range(i, len(pull.band))
            ],
        ),
    }


def pulls_from(
    tables: Mapping[str, pa.Table], road: RoadLoad, wind: tuple[float, float] | None
) -> tuple[PowerPull, ...]:
    """The pulls in these tables, under this road load and wind."""
    bands, shared = (
        {name: np.array(tables[table][name].to_pylist()) for name, *_ in PULL_FIELDS[table]}
        for table in ("pull_bands", "pull_covariances")
    )
    out = []
    for row in tables["pulls"].to_pylist():
        mine, here = bands["n"] == row["n"], shared["n"] == row["n"]
        arrays = {name: values[mine] for name, values in bands.items() if name != "n"}
        band = arrays["band"]
        covariance = np.zeros((len(band), len(band)))
        i, j = (np.searchsorted(band, shared[name][here]) for name in ("band", "other"))
        covariance[i, j] = covariance[j, i] = shared["covariance"][here]
        out.append(PowerPull(**row, **arrays, rate_covariance=covariance, road=road, wind=wind))
    return tuple(out)
