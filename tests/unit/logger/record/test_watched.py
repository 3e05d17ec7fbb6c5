"""Other channels while driving: shown in their units, warned of beyond their limits, without chatter."""

from __future__ import annotations

import math

import pytest

from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.readings import Reading
from logger.errors import ConfigError
from logger.record.alerts import Alert, Alerts
from logger.record.live import Live
from logger.record.watched import ChannelWatch, watched_of

SECOND = 10**9
CAR = """
[car]
name = "Wren"
mass_kg = 392
cooling = "air"
[limits]
head_max = "230C"
oil_max = "266F"
engine_speed_max = 5200
battery_min_v = 12.0
warm_from = "80C"
"""
RIG = """
[[source]]
name = "engine"
kind = "numbers"
  [[source.column]]
  channel = "turns"
  quantity = "engine_speed"
  unit = "1/s"
  [[source.column]]
  channel = "cht"
  quantity = "head_temperature"
  unit = "degF"
  [[source.column]]
  channel = "sump"
  quantity = "oil_temperature"
  unit = "degC"
  [[source.column]]
  channel = "volts"
  quantity = "battery"
  unit = "V"
"""


def watch(car: str = CAR) -> ChannelWatch:
    config = parse(RIG, RecorderConfig, "r.toml")
    return ChannelWatch(watched_of(config, parse(car, CarConfig, "c.toml"), Live(config)))


def step(watch: ChannelWatch, t_s: float, **values: float) -> str:
    usual = {"turns": 50.0, "cht": 300.0, "sump": 90.0, "volts": 13.8} | values
    now = round(t_s * SECOND)
    watch.on_reading("engine", Reading(now, tuple(usual.values()), None))
    watch.on_tick(now)
    return watch.alert


def test_all_are_shown_in_their_units() -> None:
    told = watch()
    assert step(told, 0.0) == ""
    assert told.shown(0) == "head 300 F   oil 90 C   engine 3000 rpm   battery 13.8 V"
    assert told.shown(3 * SECOND) == "head --   oil --   engine --   battery --"


@pytest.mark.parametrize(
    ("channel", "well", "beyond", "just_back", "well_back", "said"),
    [
        ("cht", 440.0, 450.0, 440.0, 436.0, "HEAD HIGH: 450 F, limit 446 F"),  # 230 C is 446 F
        ("sump", 129.0, 131.0, 127.0, 124.0, "OIL HIGH: 131 C, limit 130 C"),  # 266 F is 130 C
        ("turns", 86.0, 87.0, 86.0, 83.0, "ENGINE HIGH: 5220 rpm, limit 5200 rpm"),
        ("volts", 12.1, 11.8, 12.1, 12.5, "BATTERY LOW: 11.8 V, limit 12.0 V"),
    ],
)
def test_a_warning_begins_after_a_second_and_ends_well_back(
    channel: str, well: float, beyond: float, just_back: float, well_back: float, said: str
) -> None:
    told = watch()
    for t, value, warns in [
        (0.0, well, 0), (0.5, beyond, 0), (0.9, well, 0), (1.0, beyond, 0), (1.9, beyond, 0), (2.1, beyond, 1),
        (2.4, just_back, 1), (2.6, well_back, 0), (2.8, just_back, 0),
    ]:  # fmt: skip
        got = step(told, t, **{channel: value})
        assert bool(got) == warns, (t, got)
        if warns and value == beyond:
            assert got == said


def test_a_channel_that_falls_silent_or_void_warns_no_more() -> None:
    told = watch()
    step(told, 0.0, cht=500.0)
    assert step(told, 1.5, cht=500.0)
    assert step(told, 1.7, cht=math.nan) == ""
    step(told, 2.0, cht=500.0)
    assert step(told, 3.1, cht=500.0)
    told.on_tick(6 * SECOND)
    assert told.alert == ""


@pytest.mark.parametrize(
    ("beyond", "words"),
    [
        ({"cht": 450.0}, ("head too hot",)),
        ({"sump": 131.0}, ("oil too hot",)),
        ({"turns": 87.0}, ("revs too high",)),
        ({"volts": 11.8}, ("battery low",)),
        ({"cht": 450.0, "volts": 11.8}, ("head too hot", "battery low")),
    ],
)
def test_each_warning_is_spoken_as_long_as_it_is_shown(beyond: dict[str, float], words: tuple[str, ...]) -> None:
    told = watch()
    for t in (0.0, 0.5, 1.0):
        shown = step(told, t, **beyond)
        assert bool(told.spoken) is bool(shown)
    assert told.spoken == words
    assert step(told, 2.0) == "" and told.spoken == ()


def test_the_plug_is_spoken_of_as_the_head_is() -> None:
    config = parse(RIG.replace("head_temperature", "plug_temperature"), RecorderConfig, "r.toml")
    car = parse(CAR.replace("head_max", "plug_max"), CarConfig, "c.toml")
    told = ChannelWatch(watched_of(config, car, Live(config)))
    step(told, 0.0, cht=450.0)
    assert step(told, 1.0, cht=450.0) == "PLUG HIGH: 450 F, limit 446 F"
    assert told.spoken == ("plug too hot",)


def test_without_limits_nothing_warns() -> None:
    told = watch(CAR.split("[limits]", maxsplit=1)[0])
    step(told, 0.0, cht=900.0, volts=2.0)
    assert step(told, 5.0, cht=900.0, volts=2.0) == ""


def test_a_limit_needs_its_unit() -> None:
    with pytest.raises(ConfigError, match=r"limits\.head_max: found '230': expected a temperature with its unit"):
        parse(CAR.replace("230C", "230"), CarConfig, "c.toml")


def test_several_alerts_are_one_line() -> None:
    one, two = Alert(), Alert()
    both = Alerts([one, two])
    assert (both.alert, both.waiting) == ("", "")
    one.alert, two.alert, two.waiting = "LEAN", "HEAD HIGH", "asleep"
    assert (both.alert, both.waiting) == ("LEAN  HEAD HIGH", "asleep")
    one.spoken, two.spoken = ("lean at high load",), ("head too hot", "battery low")
    assert both.spoken == ("lean at high load", "head too hot", "battery low")
