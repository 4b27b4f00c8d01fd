"""A row added to the table of controls reaches all that knows a stroke, in a copy of the house with one more."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

FIELD = '    hand: Hand = "exact"'
ROW = '    Control("twist_deg", "twist", DEGREE, -90.0, 90.0, "a turn of the hand", Controller(20, 0, 0.1, 0.4)),\n'

PROBE = """
import csv, dataclasses, sys
from pathlib import Path
import click, mido, numpy as np
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import arguments
from synth.doors.cli.compare import command as compare
from synth.doors.cli.stroke import command as stroke
from synth.doors.reference import appendix
from synth.errors import InputError
from synth.playing.midi_mapping import Keys
from synth.playing.script import Entry, How, Script, read_script, schedule
from synth.playing.script_writer import as_written, notated
from synth.playing.stroke import Stroke
from synth.units import DEGREE
from synth.workshop import comparison, variants, varied
from synth.workshop.changes import StructureFacts
from synth.workshop.measures import measures
from synth.workshop.variant_sounds import Compared
from synth.workshop.spectrograms import tone_levels

here = Path(sys.argv[2])
rail = resolve(load(Path(sys.argv[1])))

# command line
for command in (stroke, compare):
    (option,) = [each for each in command.params if "--twist-deg" in each.opts]
    assert option.default == 0.0 and option.help.startswith("A turn of the hand")
made = arguments.stroke(rail, group=1, stick_name=None, direction="forward", hand="exact", grip="usual",
                        numbers={"twist_deg": 30.0})
assert made.twist == 30.0 * DEGREE

# script: an entry, the defaults, a phrase's caller; its range is kept
script = Script(
    stroke=[Entry(at_s=0.0, group="D3", twist_deg=12.0), Entry(at_s=1.0, group="D3")], defaults=How(twist_deg=-7.0)
)
assert [each.event.twist for each in schedule(script, rail).played] == [12.0 * DEGREE, -7.0 * DEGREE]
(here / "a.toml").write_text('stroke = [{ at_s = 0.0, phrase = "p", twist_deg = 5.0 }]\\n'
                             '[phrase.p]\\nstroke = [{ at_s = 0.0, group = "D3", twist_deg = 3.0 }]\\n')
assert read_script(here / "a.toml", rail).played[0].event.twist == 5.0 * DEGREE
try:
    schedule(Script(stroke=[Entry(at_s=0.0, group="D3", twist_deg=91.0)]), rail)
except InputError as error:
    assert "stroke[1].twist_deg: 91 is out of range" in str(error), error
else:
    raise AssertionError("beyond its range")

# what is recorded as a script reads back
played = as_written(dataclasses.replace(made, start=0.25, twist=0.123456789))
(here / "b.toml").write_text(notated([played], rail, name="b", through="bar", seconds=2.0))
assert read_script(here / "b.toml", rail).played[0].event == played
assert abs(played.twist - 0.123456789) < 1e-12

# comparison: what is rendered, and its table
plain = variants.Plain(lambda instrument: made, "bar")
designs = variants.read_designs([Path(sys.argv[1])])
chosen, left = variants.variants(designs, plain, varied.varied(["twist_deg=10,20"]))
assert [each.stroke.twist for each in chosen] == [10.0 * DEGREE, 20.0 * DEGREE]
noise = np.random.default_rng(1).normal(0.0, 1e-3, (2, 48000)).astype(np.float32)
heard = [
    Compared(each, StructureFacts({}, {}), noise, tone_levels(noise), measures(noise, 48000, roughness=0.1), 0.1,
             (1.0,), 1e-3, 10.0, (147.0,), ())
    for each in chosen
]
comparison.write(heard, left, here / "c")
rows = list(csv.DictReader((here / "c" / "comparison.csv").open()))
assert [each["combination"] for each in rows] == ["twist_deg=10", "twist_deg=20"]

# MIDI: at rest, set, and reset
keys = Keys(rail)
note = next(iter(keys.group_of))
def struck():
    return keys.receive(mido.Message("note_on", note=note, velocity=64), 0.0)[0].twist
assert struck() == 0.1
keys.receive(mido.Message("control_change", control=20, value=127), 0.0)
assert struck() == 0.4
keys.receive(mido.Message("control_change", control=121, value=0), 0.0)
assert struck() == 0.1

# the reference
lines = [line for line in appendix().splitlines() if "twist_deg" in line]
assert any("-90 to 90" in line for line in lines) and any("CC 20" in line for line in lines), lines
print("all of them")
"""


@pytest.mark.slow
def test_one_more_row_reaches_commands_scripts_recordings_comparisons_midi_and_the_reference(tmp_path):
    shutil.copytree(ROOT / "synth", tmp_path / "synth", ignore=shutil.ignore_patterns("__pycache__"))
    source = tmp_path / "synth" / "playing" / "stroke.py"
    text = source.read_text(encoding="utf-8")
    head, table = text.split("CONTROLS: Final = (\n")
    assert head.count(FIELD) == 1
    head = head.replace(FIELD, f"    twist: float = 0.0\n{FIELD}")
    source.write_text(f"{head}CONTROLS: Final = (\n{ROW}{table}", encoding="utf-8")
    words = [sys.executable, "-c", PROBE, str(ROOT / "designs" / "quay-rail.toml"), str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.stdout == "all of them\n", done.stdout + done.stderr
