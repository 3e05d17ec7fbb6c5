"""`pullbook status`: what the panel tells, from outside, at any width."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from logger.cli import drives as cli
from logger.store.presence import Lock, write_state

SOURCE = {"name": "gps", "kind": "nmea", "state": "open", "port": "/dev/ttyACM0", "baud": 38400, "why": "",
          "lines_per_s": 50.0, "bytes_per_s": 3500.0, "last_bytes_s_ago": 0.1, "bytes": 1, "opened_ns": 0,
          "losses": 0}  # fmt: skip


def state() -> dict[str, Any]:
    return {
        "state": "recording", "pid": 4711, "updated_utc": datetime.now(UTC).isoformat(), "drive": "2026-05-02_091430Z",
        "recorded_s": 754.0, "free_mb": 84_000.0, "trouble": "", "lost_bytes": 0, "speed_mps": 22.352,
        "sources": [
            SOURCE, {**SOURCE, "name": "mixture", "baud": 9600}, {**SOURCE, "name": "b", "last_bytes_s_ago": 9}
        ],
        "seen": {"doubts": ["mixture"], "mixture": "AFR 13.2", "channels": "head 183 C", "alert": "HEAD HIGH: 240 C",
                 "waiting": "", "last_run": "0 to 50 mph in 14.41 ±0.05 s from one foot; peak 52 mph"},
    }  # fmt: skip


@pytest.mark.parametrize("width", [30, 40, 60, 80, 200])
def test_it_tells_what_the_panel_tells_at_any_width(tmp_path: Path, width: int) -> None:
    with Lock(tmp_path):
        write_state(tmp_path, state())
        result = CliRunner().invoke(cli.app, ["status", "--store", str(tmp_path)], env={"COLUMNS": str(width)})
    assert result.exit_code == 0, result.output
    flat = " ".join(result.output.split())
    for words in ("0:12:34", "AFR 13.2", "50 mph (80 km/h)", "head 183 C", "HEAD HIGH: 240 C", "14.41"):
        assert words in flat
    if width < 72:  # in the table the words are folded over lines of a cell
        assert "unreadable: is the baud right?" in flat
        assert "silent: is it powered?" in flat
    longest = max(map(len, result.output.replace(str(tmp_path), "").splitlines()))
    assert longest <= max(min(width, 80), 40)


@pytest.mark.parametrize(("ago_s", "stuck"), [(1.0, False), (90.0, True)])
def test_a_recorder_that_lives_and_tells_nothing_any_more_may_be_stuck(
    tmp_path: Path, ago_s: float, stuck: bool
) -> None:
    from analysis.desk.pages.now import shown_now

    when = (datetime.now(UTC) - timedelta(seconds=ago_s)).isoformat()
    with Lock(tmp_path):
        write_state(tmp_path, {**state(), "updated_utc": when})
        result = CliRunner().invoke(cli.app, ["status", "--store", str(tmp_path)])
        page = shown_now(tmp_path)
        outside = shown_now(tmp_path, outside=True)
    assert result.exit_code == 0
    for said in (result.output, page["lost"], outside["lost"]):
        assert ("told nothing for 90 s" in " ".join(said.split())) == stuck
    assert page["running"] and (page["sources"] == []) == stuck  # how its sources were then is no news


def test_a_sources_ailment_reads_alike_on_the_page(tmp_path: Path) -> None:
    from analysis.desk.pages.now import shown_now

    with Lock(tmp_path):
        write_state(tmp_path, state())
        rows = CliRunner().invoke(cli.app, ["status", "--store", str(tmp_path)], env={"COLUMNS": "60"}).output
        page = shown_now(tmp_path)
    for words in ("unreadable: is the baud right?", "silent: is it powered?"):
        assert words in " ".join(rows.split()) and words in page["lost"]
    assert page["sources"] == ["gps: 50 lines a second"]


def test_an_older_recorders_state_is_told_as_far_as_it_goes(tmp_path: Path) -> None:
    old = state()
    del old["seen"], old["speed_mps"]
    with Lock(tmp_path):
        write_state(tmp_path, old)
        result = CliRunner().invoke(cli.app, ["status", "--store", str(tmp_path)])
    assert result.exit_code == 0 and "recording" in result.output
