"""The rig file: what is accepted, and the sentence for each thing that is not."""

from __future__ import annotations

from pathlib import Path

import pydantic
import pytest

from noisecheck.bench.no_rig import no_rig
from noisecheck.bench.rig import Rig
from noisecheck.bench.rig_file import load_rig
from noisecheck.core.errors import InputError

FULL = """
[rig]
name = "ball clock"
temperature_c = 18
[ball]
diameter_mm = 12.7
mass_g = 8.4
material = "steel"
[[microphone]]
channel = 0
position_mm = [300, 0, 250]
[[microphone]]
channel = 1
kind = "contact"
station = "bend"
[calibration]
pa_at_full_scale = [20.0, 1.0]
[[station]]
name = "landing"
position_mm = [0, 0, 0]
next = "bend"
transit_s = [0.2, 0.6]
[[station]]
name = "bend"
position_mm = [250.0, 40.0]
next = "tray"
[[station]]
name = "tray"
target = true
[feed]
station = "landing"
period_s = 2.5
balls = 100
[revisions]
order = ["A", "B"]
[[requirement]]
id = "R1"
measure = "le_2000hz"
station = "landing"
limit = 55
strict = false
confidence = 0.9
"""


def rig_of(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path)


def test_every_section_is_read(tmp_path: Path) -> None:
    rig = rig_of(tmp_path, FULL)
    assert rig.rig.temperature_c == 18.0
    assert rig.ball.diameter_mm == 12.7
    assert rig.station_names == ("landing", "bend", "tray")
    assert rig.route == ("landing", "bend", "tray")
    assert rig.station("landing").transit_s == (0.2, 0.6)
    assert rig.station("tray").target
    assert rig.microphone(1).kind == "contact"
    assert rig.microphone(7).kind == "air"
    assert rig.calibration.given
    assert rig.calibration.pa_at_full_scale == (20.0, 1.0)
    assert (rig.feed.period_s, rig.feed.balls) == (2.5, 100)
    assert rig.revisions.order == ("A", "B")
    assert (rig.requirements[0].strict, rig.requirements[0].confidence) == (False, 0.9)


def test_no_file_gives_an_empty_rig(tmp_path: Path) -> None:
    rig = load_rig(tmp_path / "rig.toml")
    assert rig == Rig()
    assert (rig.station_names, rig.route, rig.calibration.given) == ((), (), False)
    assert rig.microphone(0).position_mm is None


def test_a_rig_is_frozen(tmp_path: Path) -> None:
    with pytest.raises(pydantic.ValidationError, match="frozen"):
        rig_of(tmp_path, FULL).ball.diameter_mm = 3.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("diameter_mm", "diametr_mm", r"line 6, \[ball\]: unknown key 'diametr_mm' \(did you mean 'diameter_mm'\?\)"),
        ("[feed]", "[fed]", r"unknown section \[fed\] \(did you mean 'feed'\?\)"),
        ("transit_s = [0.2", "transit = [0.2", r"line 22, \[\[station\]\]: unknown key 'transit' \(did you mean"),
        ("diameter_mm = 12.7", 'diameter_mm = "12.7"', r"\[ball\]: diameter_mm = '12.7': should be a number$"),
        ("diameter_mm = 12.7", "diameter_mm = 0.0127", "was it given in metres"),
        ("mass_g = 8.4", "mass_g = 8400", "g/cm3, which no material has"),
        ("diameter_mm = 12.7", "diameter_mm = nan", "finite number"),
        ('next = "tray"', 'next = ["tray", "bend"]', r"next = \['tray', 'bend'\] must be one station: where the way"),
        ('next = "tray"', 'next = "try"', r"next = 'try' is not a declared station \(did you mean 'tray'\?\)"),
        ('next = "tray"', 'next = "landing"', r"circle \(landing -> bend -> landing\)"),
        ("channel = 1", "channel = 0", "microphone channel 0 is given twice"),
        ("channel = 1", "channel = 0.5", r"channel = 0.5: should be a whole number$"),
        ("strict = false", 'strict = "perhaps"', r"strict = 'perhaps': should be true or false$"),
        ("channel = 1", "channel = -1", "greater than or equal to 0"),
        ("[0.2, 0.6]", "[0.6, 0.2]", r"transit_s = \[0.6, 0.2\] must be \[shortest, longest\]"),
        ("[0.2, 0.6]", "[0.2]", r"line 22, \[\[station\]\]: transit_s = .*should have at least 2 items$"),
        ("position_mm = [300, 0, 250]", "position_mm = [300]", "position_mm"),
        ('name = "bend"', 'name = "landing"', "station 'landing' is given twice"),
        ('kind = "contact"', 'kind = "piezo"', "'air' or 'contact'"),
        ("confidence = 0.9", "confidence = 90", "did you give per cent"),
        ('"le_2000hz"', '"le_2000_hz"', "measure = 'le_2000_hz' is not known .did you mean 'le_2000hz'"),
        ('"le_2000hz"', '"held_up_per_thousand"\nsense = "at least"', "only be limited with sense = 'at most'$"),
        ('"le_2000hz"\nstation = "landing"\nlimit = 55', '"decay_ms"\nlimit = 0', "limit = 0 must be above 0"),
        ('"le_2000hz"', '"restitution"', r"\[\[requirement\]\]: limit = 55 must be between 0 and 1 for restitution$"),
        ('"le_2000hz"\nstation = "landing"\nlimit = 55', '"failures_per_million"\nlimit = -1', "-1 must be between 0"),
        ("limit = 55\n", "", r"\[\[requirement\]\]: 'limit' is not given"),
        ('order = ["A", "B"]', 'order = ["A", "A"]', "revision 'A' is given twice"),
        ('target = true', 'target = true\nnext = "bend"', "marks the final station"),
        ("[[station]]\nname = \"tray\"", "[[station]]\nname = \"tray", "not valid TOML"),
        ("[ball]", "[[ball]]", r"must be written as \[ball\], once"),
        ('[feed]\nstation = "landing"', '[feed]\nstation = "lift"', r"\[feed\]: station = 'lift' is not a declared"),
        ("pa_at_full_scale = [20.0, 1.0]", 'pa_at_full_scale = 1.0\nfile = "c.wav"', "give one of them"),
        ("pa_at_full_scale = [20.0, 1.0]", "level_db = 94.0", r"\[calibration\]: level_db is said of .* not name one"),
    ],
)  # fmt: skip
def test_faults_are_named_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert old in FULL
    with pytest.raises(InputError, match=sentence) as caught:
        rig_of(tmp_path, FULL.replace(old, new, 1))
    assert "rig.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_positions_in_metres_are_noticed_for_each_kind(tmp_path: Path) -> None:
    metres = '[[station]]\nname = "a"\nposition_mm = [0.2, 0.1]\n[[station]]\nname = "b"\nposition_mm = [1.5, 0]\n'
    with pytest.raises(InputError, match=r"within 1.5 mm of the origin: were they given in metres"):
        rig_of(tmp_path, metres)
    with pytest.raises(InputError, match="were they given in metres"):
        rig_of(tmp_path, metres + "[[microphone]]\nposition_mm = [300, 0]\n")
    assert rig_of(tmp_path, '[[station]]\nname = "a"\nposition_mm = [0, 0]\n').stations[0].position_mm == (0.0, 0.0)


def test_bytes_that_are_not_text(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"[rig]\nname = '\xff'\n")
    with pytest.raises(InputError, match="not UTF-8"):
        load_rig(path)
    path.unlink()
    path.mkdir()
    with pytest.raises(InputError, match="cannot be read"):
        load_rig(path)


@pytest.mark.parametrize("measure", ["lae_db", "lzpeak_db", "le_2000hz"])
def test_a_limit_re_20_upa_needs_a_calibration(tmp_path: Path, measure: str) -> None:
    asked = f'[[requirement]]\nid = "R1"\nmeasure = "{measure}"\nlimit = 60.0\n'
    with pytest.raises(InputError, match=r"rig.toml, line 4, \[\[requirement\]\]: limit = 60 can only be dB re 20 uPa"):
        rig_of(tmp_path, asked)
    assert rig_of(tmp_path, asked.replace("60.0", "-50.0")).requirements[0].limit == -50.0
    assert rig_of(tmp_path, asked + "[calibration]\npa_at_full_scale = 20.0\n").requirements[0].limit == 60.0


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("temperature_c = 294.15", "between -40 and 60 degrees Celsius: was it given in kelvin?"),
        ("temperature_c = 21,5", r"not valid TOML: .*line 2.*decimal point as '.'"),
    ],
)
def test_units_and_commas_of_other_countries_are_named(tmp_path: Path, line: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        rig_of(tmp_path, f"[rig]\n{line}\n")


def test_no_rig_is_an_empty_one() -> None:
    bare, empty = no_rig(), Rig()
    for name in (*Rig.model_fields, "station_names", "route"):
        ours, theirs = getattr(bare, name), getattr(empty, name)
        if not isinstance(theirs, pydantic.BaseModel):
            assert ours == theirs, name
            continue
        for inner in type(theirs).model_fields:
            assert getattr(ours, inner) == getattr(theirs, inner), (name, inner)
    assert bare.microphone(3) == empty.microphone(3)
    with pytest.raises(AttributeError):
        _ = bare.colour


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[rig]\ntemperature_c = -40", ""),
        ("[rig]\ntemperature_c = 60", ""),
        ("[rig]\ntemperature_c = 233", "was it given in kelvin?"),
        ("[rig]\ntemperature_c = 61", "between -40 and 60 degrees Celsius"),
        ("[ball]\ndiameter_mm = 0.5", ""),
        ("[ball]\ndiameter_mm = 0.49", "under half a millimetre: was it given in metres?"),
        ("[ball]\nmass_g = 8400", ""),  # nothing to weigh it against
        ("[ball]\ndiameter_mm = 12.7\nmass_g = 26.8", ""),  # 24.99 g/cm3, denser than osmium
        ("[ball]\ndiameter_mm = 12.7\nmass_g = 26.9", "makes 25.1 g/cm3, which no material has"),
        ("[ball]\ndiameter_mm = 12.7\nmass_g = 0.0084", "makes 0.00783 g/cm3, which no material has"),
        ('[rig]\ngroups = { "take1 0" = "landing" }', ""),
        ('[rig]\ngroups = { "take 1 12.345" = "landing" }', ""),
        ('[rig]\ngroups = { "take1" = "landing" }', "'take1' must be a run's name, a space and a time in seconds"),
        ('[rig]\ngroups = { "take1 -1" = "landing" }', "must be a run's name, a space and a time in seconds"),
        ('[rig]\ngroups = { "take1 soon" = "landing" }', "must be a run's name, a space and a time in seconds"),
    ],
)
def test_what_no_machine_has_is_refused_and_what_one_may_have_is_not(tmp_path: Path, text: str, said: str) -> None:
    text += '\n[[station]]\nname = "landing"\n'
    if not said:
        rig_of(tmp_path, text)
        return
    with pytest.raises(InputError) as refused:
        rig_of(tmp_path, text)
    assert said in str(refused.value)
    assert ("kelvin" in str(refused.value)) == ("kelvin" in said)
