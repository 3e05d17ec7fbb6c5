"""The road load that coasts measured, written into the car's file; all else in it stays as it is."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np

from analysis.road import NORMAL_95
from analysis.road.coastdown import Measured
from logger.config.car import CarConfig
from logger.config.reading import load, parse
from logger.errors import ConfigError
from logger.store.disk import Disk


def save_road_load(measured: Measured, path: Path, words: str) -> None:
    """Write the road load into the car's file at `path` as [road_load], in one step; all else in it stays as it is.

    A value that is there is replaced with its comment kept, a missing one added. The standard errors are the half
    widths of the 95 % intervals over 1.96, so that whoever takes them for normal errors gets the same intervals.
    `words` say when and by what. ConfigError where the file is no car's file.
    """
    before = load(path, CarConfig)
    a, b, c = (width / NORMAL_95 for width in measured.half_widths)
    sigma = np.maximum(measured.sigma, 1e-30)
    correlation = measured.covariance / np.outer(sigma, sigma)
    values = {
        "a_n": f"{measured.a_n:.2f}",
        "b_n_per_mps": f"{measured.b_n_per_mps:.4f}",
        "c_n_per_mps2": f"{measured.c_n_per_mps2:.5f}",
        "a_sigma_n": f"{a:.2f}",
        "b_sigma_n_per_mps": f"{b:.4f}",
        "c_sigma_n_per_mps2": f"{c:.5f}",
        "ab_correlation": f"{correlation[0, 1]:.3f}",
        "ac_correlation": f"{correlation[0, 2]:.3f}",
        "bc_correlation": f"{correlation[1, 2]:.3f}",
        "air_density_kg_per_m3": f"{measured.density_kg_per_m3:.4f}",
        "mass_kg": f"{measured.mass.mass_kg:.1f}",
        "measured": json.dumps(words, ensure_ascii=False),
    }
    text = _with_section(path.read_bytes().decode("utf-8-sig"), "road_load", values)
    after = parse(text, CarConfig, str(path))
    if after.model_copy(update={"road_load": None}) != before.model_copy(update={"road_load": None}):
        raise ConfigError(
            f"{path}: [road_load] cannot be written without changing the rest of the file. Add it by hand"
        )
    Disk().put_file(path, text.encode("utf-8"))


def _with_section(text: str, name: str, values: dict[str, str]) -> str:
    """TOML `text` with the keys of the table `name` set to `values`; comments and order stay."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines()
    heads = [i for i, line in enumerate(lines) if re.match(r"\s*\[", line)]
    start = next((i for i in heads if re.match(rf"\s*\[\s*{name}\s*\]\s*(#.*)?$", lines[i])), None)
    if start is None:
        lines += ["", f"[{name}]"]
        start = len(lines) - 1
    stop = next((i for i in heads if i > start), len(lines))
    while stop > start + 1 and not lines[stop - 1].strip():
        stop -= 1
    section = lines[start + 1 : stop]
    for key, value in values.items():
        found = re.compile(rf"""(\s*{key}\s*=\s*)("(?:[^"\\]|\\.)*"|'[^']*'|[^#]*?)(\s*#.*|\s*)$""")
        at = next((i for i, line in enumerate(section) if found.match(line)), None)
        if at is None:
            section.append(f"{key} = {value}")
        else:
            match = found.match(section[at])
            assert match is not None
            section[at] = match[1] + value + match[3]
    return end.join([*lines[: start + 1], *section, *lines[stop:]]) + end
