"""Configuration: what is right is read, what is wrong is said in one line that names file, key and expectation."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.config.car import CarConfig
from logger.config.reading import load, parse
from logger.config.recorder import Channel, RecorderConfig, channels_of, measured
from logger.config.setup import SetupConfig
from logger.config.targets import TargetsConfig
from logger.errors import ConfigError
from logger.units import QUANTITY_UNITS

ROOT = Path(__file__).parents[4]

SMALLEST = """
[recorder]
flush_s = 0.5

[[source]]
name = "gps"
kind = "nmea"
port = "/dev/ttyACM0"
baud = 38400

[[source]]
name = "mixture"
kind = "numbers"
port = "/dev/ttyUSB0"
baud = 9600
  [[source.column]]
  channel = "afr"
"""


def test_smallest_configuration_is_read() -> None:
    config = parse(SMALLEST, RecorderConfig, "r.toml")
    assert [source.name for source in config.source] == ["gps", "mixture"]
    assert config.recorder.flush_s == 0.5
    assert config.source[1].column[0].channel == "afr"


WRONG = [
    ("flush_s", "flsh_s", "unknown key 'recorder.flsh_s': did you mean 'flush_s'?"),
    ("flush_s = 0.5", 'flush_s = "0.5s"', "recorder.flush_s: found '0.5s', expected a number"),
    ("flush_s = 0.5", "flush_s = -1", "recorder.flush_s: found -1, expected greater than or equal to 0.05"),
    ("flush_s = 0.5", "flush_s = nan", "recorder.flush_s: found nan, expected"),
    (
        '"nmea"',
        '"nmae"',
        "source[1]: kind is 'nmae': expected 'nmea', 'numbers', 'pattern' or 'frame' (did you mean 'nmea'?)",
    ),
    ('kind = "nmea"\n', "", "source[1]: kind is missing: expected 'nmea', 'numbers', 'pattern' or 'frame'"),
    ('channel = "afr"', 'chanel = "afr"', "unknown key 'source[2].column[1].chanel': did you mean 'channel'?"),
    ("38400", "38400.5", "source[1].baud: found 38400.5, expected a whole number"),
    ('"mixture"', '"gps"', "two sources are named 'gps'. Give each its own name"),
    ("/dev/ttyUSB0", "/dev/ttyACM0", "two sources use the port '/dev/ttyACM0'. Give each its own port"),
    ('"mixture"', '"Mix ture"', "source[2].name: found 'Mix ture', expected a name of small letters"),
    ('"mixture"', '"raw"', "source[2].name: found 'raw': the name 'raw' is already used by a file of the drive folder"),
    ("[recorder]", "[recoder]", "unknown key 'recoder': did you mean 'recorder'?"),
    ("[[source]]", "[[source", "not valid TOML"),
    (
        '= "afr"',
        '= "afr"\n  calibration = {table = [[0, 10], [0, 20]]}',
        "a table needs two or more [input, value] pairs",
    ),
    ('= "afr"', '= "afr"\n  calibration = {table = [[0], [1, 20]]}', "source[2].column[1].calibration.table[1]"),
    (
        '= "afr"',
        '= "afr"\n  calibration = {table = [[0,1],[1,2]], polynomial = [1]}',
        "a table or a polynomial, not both",
    ),
    (
        '= "afr"',
        '= "x"\n  quantity = "acceleration"\n  unit = "mph"',
        "unit: found 'mph', expected 'm/s2' or 'm/s^2' or 'g' or 'mg' for quantity = 'acceleration'",
    ),
    ('= "afr"', '= "x"\n  quantity = "accelaration"', "source[2].column[1].quantity"),
    ('channel = "afr"', 'quantity = "engine_speed"\n  unit = "rpm"', "needs a name for the channel"),
    (
        'channel = "afr"',
        "\n[[source.column]]".join(
            f'\n  channel = "{name}"\n  quantity = "engine_speed"\n  unit = "rpm"' for name in "ab"
        ),
        "2 channels have quantity = 'engine_speed', expected at most 1 in one source",
    ),
]


@pytest.mark.parametrize(("old", "new", "line"), WRONG)
def test_what_is_wrong_is_said_in_one_line(old: str, new: str, line: str) -> None:
    assert old in SMALLEST
    with pytest.raises(ConfigError) as caught:
        parse(SMALLEST.replace(old, new, 1), RecorderConfig, "r.toml")
    said = str(caught.value)
    assert said.startswith("r.toml: ")
    assert line in said
    assert "\n" not in said


FRAME = """
[[source]]
name = "board"
kind = "frame"
sync = "AA 55"
length = 8
  [[source.field]]
  channel = "map_kpa"
  at = 2
  code = "H"
  [source.checksum]
  kind = "xor"
  at = -1
"""


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("at = 2", "at = 7", "field 'map_kpa' reaches past the frame's 8 bytes"),
        ("at = -1", "at = 8", "the checksum at 8 does not fit the frame's 8 bytes"),
        ('"AA 55"', '"AA 5"', "sync must be bytes in hexadecimal"),
        ('"xor"', '"xorr"', "found 'xorr', expected 'xor'"),
    ],
)
def test_frames_must_fit(old: str, new: str, line: str) -> None:
    parse(FRAME, RecorderConfig, "r.toml")
    with pytest.raises(ConfigError, match=r"r\.toml") as caught:
        parse(FRAME.replace(old, new, 1), RecorderConfig, "r.toml")
    assert line in str(caught.value)


def test_quantities_come_with_a_unit_of_theirs() -> None:
    """1 g is 9.80665 m/s2 (3rd CGPM, 1901); a minute has 60 s."""
    text = (
        SMALLEST
        + """
[[source]]
name = "imu"
kind = "numbers"
  [[source.column]]
  channel = "along"
  quantity = "acceleration"
  unit = "g"
  [[source.column]]
  channel = "turns"
  quantity = "engine_speed"
  unit = "1/min"
"""
    )
    along, turns = channels_of(parse(text, RecorderConfig, "r.toml").source[2])
    assert QUANTITY_UNITS[str(along.quantity)][along.unit] == 9.80665
    assert QUANTITY_UNITS[str(turns.quantity)][turns.unit] == 1 / 60


def test_a_channel_called_rpm_is_engine_speed_whatever_is_printed_behind_it() -> None:
    """On the panel and by each run alike; its `unit` is free where no quantity is named."""
    for unit in ("", "Hz", "turns"):
        assert measured(Channel(channel="rpm", unit=unit)) == ("engine_speed", "rpm")
    assert measured(Channel(channel="rpm", unit="Hz", quantity="engine_speed")) == ("engine_speed", "Hz")
    assert measured(Channel(channel="afr")) == ("", "")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("7,4", "line 3: mass_kg = 7,4: write the decimal with a point: 7.4"),
        ("392 kg", "line 3: mass_kg = 392 kg: write only the number, without kg: mass_kg = 392"),
        ('"392kg"', "line 3: car.mass_kg: found '392kg', expected a number: write it without quotes and without kg"),
        ('"392,5"', "expected a number: write it with a point and without quotes: 392.5"),
        ('"392"', "expected a number: write it without quotes: 392"),
        ("392,5  # weighed", "write the decimal with a point: 392.5"),
        ("heavy", 'put words in quotes: mass_kg = "heavy"'),
        ("{low = 12,0, high = 13.5}", "write the decimal with a point: 12.0"),
        (
            "392\n$ pullbook check",
            "line 4: '$ pullbook check' was copied from the screen and does not belong in the file. Delete the line",
        ),
        ("392\nweighed in May", "line 4: 'weighed in May' is not a key with its value"),
    ],
)
def test_slips_are_told_in_the_owners_words(value: str, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(CAR.replace("392", value), CarConfig, "car.toml")
    assert said in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"nothing\.toml: no such file"):
        load(tmp_path / "nothing.toml", CarConfig)


CAR = '[car]\nname = "Wren"\nmass_kg = 392\ncooling = "air"\n'


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("392", "-3", "car.mass_kg: found -3, expected greater than 0"),
        ("392", "3", "car.mass_kg: found 3: expected 50 to 20000 kg"),
        ('"air"', '"ice"', "car.cooling: found 'ice', expected 'air' or 'water'"),
        ('name = "Wren"\n', "", "car.name: this key is needed and is missing"),
    ],
)
def test_cars(old: str, new: str, line: str) -> None:
    assert parse(CAR, CarConfig, "car.toml").car.mass_kg == 392
    with pytest.raises(ConfigError) as caught:
        parse(CAR.replace(old, new, 1), CarConfig, "car.toml")
    assert line in str(caught.value)


def test_setups_take_numbers_words_and_yes_or_no() -> None:
    text = 'name = "a"\ndate = 2026-05-02\n[parts]\nmain_jet_mm = 1.10\nsnorkel = "long"\nheat_shield = true\n'
    setup = parse(text, SetupConfig, "s.toml")
    assert setup.parts == {"main_jet_mm": 1.10, "snorkel": "long", "heat_shield": True}
    assert setup.parts["heat_shield"] is True
    with pytest.raises(ConfigError, match=r"main_jet_mm = \[1\] must be a finite number"):
        parse(text.replace("1.10", "[1]"), SetupConfig, "s.toml")
    with pytest.raises(ConfigError, match="Main jet"):
        parse(text.replace("main_jet_mm", '"Main jet"'), SetupConfig, "s.toml")


EXAMPLES = [
    ("configs/recorder.toml", RecorderConfig),
    ("configs/wren.toml", CarConfig),
    ("configs/targets.toml", TargetsConfig),
    *((f"configs/setups/{path.name}", SetupConfig) for path in sorted((ROOT / "configs/setups").glob("*.toml"))),
]


@pytest.mark.parametrize(("name", "model"), EXAMPLES)
def test_the_examples_are_valid_and_every_key_of_the_models_is_explained(name: str, model: type) -> None:
    path = ROOT / name
    load(path, model)
    lines = path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if "=" not in line or line.lstrip().startswith("#") or "setups/" in name:
            continue
        key = line.split("=")[0].strip()
        said = [other for other in lines if other.lstrip("# ").startswith(key) and "#" in other.lstrip("# ")]
        assert said or lines[number - 1].lstrip().startswith("#"), f"{name}: {key} is explained nowhere"
