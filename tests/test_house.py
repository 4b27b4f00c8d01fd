"""The house itself: which room may know which, and what stands at the front door."""

import ast
import functools
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "synth"

# A module may import only what stands before it.
PLACES = """
    errors version many frozen arrays angles air units table files compiled cache remembered cores memory
    workers
    design.catalogue design.schema_types design.schema_place design.schema
    design.keys_as_written design.decode design.slips design.file design.rooms
    design.surroundings design.instrument design.fixings design.aliases
    design.material design.rods_nuts_sticks design.bar_and_boards
    design.pickup design.roots design.groups
    design.bench design.placement_checks design.resolve design.key_path design.edit design.change
    vibration.section vibration.beam vibration.frame vibration.damping vibration.rod vibration.plate
    vibration.lapack vibration.air_cells
    vibration.plate_air vibration.statistical_modes vibration.tine vibration.axial vibration.bar
    vibration.board_interface vibration.board vibration.coupling vibration.symmetric vibration.eigen
    vibration.bands
    vibration.ring_sums vibration.modal_model vibration.modal_projection vibration.host vibration.single_tine
    vibration.mounted_pitch vibration.clearance vibration.trimming vibration.trimming.loaded_rod
    vibration.trimming.settle vibration.trimming.search
    vibration.trimming.answers vibration.tuning vibration.quarrels vibration.estimate vibration.advice
    vibration.solve
    playing.stroke playing.midi_mapping playing.computer_keys playing.lines playing.script playing.script_writer
    playing.midi playing.score playing.mute playing.contact playing.contact.hand playing.contact.stick
    playing.contact.stick_path playing.contact.modes playing.contact.closed_form playing.contact.layout
    playing.contact.compiled playing.contact.laws playing.contact.bodies playing.contact.modal_step
    playing.contact.kernel playing.contact.resolution playing.contact.arrays
    playing.report playing.contact.run playing.contact.refusals
    playing.contact.traced playing.contact.stroke_contact
    sound.fast_length sound.pole_steps sound.modal_state
    sound.lanes sound.lane_transform sound.bin_sums sound.onsets sound.bank sound.live_kernel sound.livebank
    sound.limiter sound.clock sound.bandlimit sound.drive_parts sound.left_states sound.drive
    sound.overlay sound.convolution
    sound.radiator sound.radiator.thickness sound.radiator.dipoles sound.radiator.bar sound.radiator.pickup
    sound.radiator.board sound.radiator.stick sound.stroke_sound sound.board_forecast
    sound.audio sound.loudness sound.bands sound.zwicker_tables sound.zwicker_kernel sound.zwicker
    sound.roughness sound.quiet_room sound.shoebox sound.room_points sound.measured_room
    sound.room_response sound.room_noise sound.surroundings sound.ear sound.features
    sound.file_sets
    sound.compiled_ahead sound.boardsheet sound.beside sound.sounding sound.render sound.carrying sound.ringing
    sound.sensitivity sound.live_output sound.holding sound.live_contacts
    workshop.cutting workshop.length_text workshop.drawing workshop.labels workshop.typeface workshop.map
    workshop.tiling workshop.paper workshop.cautions workshop.holes workshop.fixing workshop.retuning
    workshop.flat_length
    workshop.overview workshop.trim_roughness workshop.trim_list workshop.trimplot workshop.picture
    workshop.lettering workshop.geometry workshop.views workshop.sheet_title
    workshop.drawing_sheet
    workshop.quarrel_list workshop.mode_list workshop.strength workshop.check_screen
    workshop.tolerance workshop.tolerance_list
    workshop.cutlist workshop.cut_list_pages workshop.tuning_sheet workshop.template workshop.bent_template
    workshop.boardplot workshop.board_list workshop.suggest
    workshop.group_sounds workshop.varied workshop.variants
    workshop.measures workshop.changes workshop.spectrograms
    workshop.variant_sounds workshop.listening workshop.comparison
    workshop.wishes workshop.draft_groups workshop.draft_layout workshop.draft_boards workshop.draft
    workshop.draft_text
    recording.audio_input recording.onsets
    recording.beside_line recording.line_fit recording.spectrum recording.damped_sinusoid_fit recording.model_order
    recording.sinusoids recording.stirred recording.room recording.hum
    recording.measurement
    recording.measurement_list recording.artefacts
    recording.partials recording.plot recording.predicted_partials recording.match recording.identity
    recording.retune recording.tuning_targets recording.tap_watch recording.steady_lines
    recording.noise_likelihood recording.band_noise recording.plane_likelihood recording.plane_zoom
    recording.plane_band
    recording.plane_pitch recording.design_planes recording.tapped_pitch
    recording.tapped_tine recording.tap_listener
    recording.tuning_file recording.tuning_progress recording.overtone_advice recording.tap_message
    recording.taps_on_file recording.tap_reasons
    recording.parameters recording.calibration_model recording.apart
    recording.calibrate recording.calibration_list recording.learnt_lengths recording.tuning_session
    page.blob page.wasm page.approach page.response page.sounding page.holding page.functions
    page.picture page.about page.pack page.build
    proposal.markdown proposal.costs proposal.care
    proposal.sounds proposal.facts proposal.contents proposal.paper
    proposal.page proposal.build
    interface.sound interface.answers interface.board interface.changed interface.opened
    served.mistakes served.model served.drawn served.history served.watch served.hub served.versions served.session
    served.address served.server served.tuning_page
    served.fields served.tine_fields served.foresight served.knowledge served.papers
    served.things served.trims
    served.search served.listening
    served.bench_page served.answers served.serving
    doors.streams doors.threads doors.drivers doors.midi_process doors.ports doors.devices
    doors.keyboard doors.tuning_cues doors.tuner_words doors.microphone_process doors.listening_tuner
    doors.recorder doors.audio_process
    doors.live_session doors.live doors.reference doors.cli __main__
"""
ORDER = PLACES.split()

# These know beams, plates, signals and drawings, but no instrument.
KNOW_NO_INSTRUMENT = [
    "vibration.section",
    "vibration.beam",
    "vibration.frame",
    "vibration.damping",
    "vibration.rod",
    "vibration.plate",
    "vibration.air_cells",
    "vibration.plate_air",
    "vibration.statistical_modes",
    "sound.bank",
    "sound.live_kernel",
    "sound.livebank",
    "sound.bandlimit",
    "sound.drive_parts",
    "sound.left_states",
    "sound.drive",
    "sound.overlay",
    "sound.beside",
    "sound.limiter",
    "sound.clock",
    "sound.loudness",
    "sound.bands",
    "sound.zwicker",
    "sound.zwicker_kernel",
    "sound.zwicker_tables",
    "sound.roughness",
    "sound.quiet_room",
    "sound.shoebox",
    "sound.ear",
    "workshop.cutting",
    "workshop.length_text",
    "workshop.drawing",
    "workshop.typeface",
    "workshop.tiling",
    "workshop.picture",
    "workshop.labels",
    "workshop.paper",
    "recording.audio_input",
    "recording.onsets",
    "recording.spectrum",
    "recording.damped_sinusoid_fit",
    "recording.model_order",
    "recording.sinusoids",
    "recording.stirred",
    "recording.room",
    "recording.hum",
    "recording.measurement",
    "recording.artefacts",
    "recording.partials",
    "recording.plot",
]


@functools.cache
def modules():
    return tuple(_modules())


def _modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


@functools.cache
def imports(path):
    """Every module name that a file imports, function bodies included."""
    return tuple(_imports(path))


def _imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own_imports(path):
    known = {name for name, _ in modules()}
    for name in imports(path):
        if name == "synth" or name.startswith("synth."):
            inside = name.removeprefix("synth").removeprefix(".")
            if inside in known or name == "synth":
                yield inside


def place(name):
    """Where a module stands in the order; a command's file stands with its door, a room's front with its first."""
    if name.startswith("doors.cli"):
        return ORDER.index("doors.cli")
    return ORDER.index(name)


ROOMS = [
    "design",
    "vibration",
    "playing",
    "sound",
    "workshop",
    "recording",
    "page",
    "interface",
    "served",
    "proposal",
    "doors",
]


def test_every_module_has_its_place_in_the_order():
    unplaced = [name for name, _ in modules() if name not in ORDER and name not in ["", *ROOMS]]
    assert [name for name in unplaced if not name.startswith("doors.cli.")] == []


def test_imports_go_up_the_order_only():
    wrong = [
        f"{name} imports {other}"
        for name, path in modules()
        if name not in ["", *ROOMS]
        for other in own_imports(path)
        if other not in ROOMS and (other == "" or place(other) > place(name))
    ]
    assert wrong == []


def test_nothing_inside_imports_from_the_package_root():
    assert [name for name, path in modules() if name and "" in own_imports(path)] == []


@pytest.mark.parametrize("name", KNOW_NO_INSTRUMENT)
def test_rooms_that_know_no_instrument_import_nothing_of_the_design(name):
    path = dict(modules())[name]
    assert [other for other in own_imports(path) if other.startswith("design")] == []


ALONE = """
import gc, os, sys
import click, msgspec, numba, numpy, scipy.optimize, tomlkit  # once for all: each module of the house is met alone
assert not any(name.startswith("synth") for name in sys.modules)
gc.freeze()
for name in sys.argv[1:]:
    child = os.fork()
    if child == 0:
        try:
            __import__(name)
            met = {"sounddevice", "rtmidi", "matplotlib.pyplot", "jack"} & set(sys.modules)
            print(name, f"opens {met}" if met else "well", flush=True)
        except BaseException as failure:
            print(name, " ".join(repr(failure).split()), flush=True)
        os._exit(0)
    if os.waitpid(child, 0)[1]: print(name, "ended by itself", flush=True)
"""


@pytest.fixture(scope="module")
def met_alone():
    """What became of every module that was imported by itself: module to word."""
    if not hasattr(os, "fork"):
        pytest.skip("needs fork")
    done = subprocess.run(
        [sys.executable, "-c", ALONE, *(f"synth.{name}" for name, _ in modules())],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = (line.split(" ", 1) for line in done.stdout.splitlines() if line.startswith("synth."))
    return {name.removeprefix("synth."): word for name, word in lines}


@pytest.mark.parametrize("room", ROOMS)
def test_each_room_imports_alone_in_a_fresh_process_and_opens_no_hardware(room, met_alone):
    names = [name for name, _ in modules() if name.split(".")[0] == room]
    assert names
    assert {name: met_alone.get(name) for name in names} == dict.fromkeys(names, "well")


@pytest.mark.parametrize("command", ["check", "modes"])
def test_a_quick_command_loads_no_heavy_library_before_it_needs_one(command):
    code = (
        f"import sys, synth.doors.cli.{command}; "
        "print(sorted({'scipy.signal', 'numba', 'matplotlib', 'scipy.optimize', 'soundfile'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def test_check_of_a_design_never_seen_waits_for_no_scipy_and_no_masked_arrays(tmp_path):
    code = (
        "import sys; from synth.doors.cli import run; "
        "run(['check', 'designs/quay-rail.toml']); "
        "print(sorted({'scipy', 'numpy.ma'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=os.environ | {"TINEWRIGHT_CACHE": str(tmp_path)},
        check=True,
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_every_module_says_what_it_is_for():
    silent = [
        name for name, path in modules() if not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert silent == []


def test_a_folder_that_the_tour_writes_changes_nothing_that_lint_says(tmp_path):
    """With a folder bench/ beside it, `import bench` of the scripts was sorted as another's."""
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    (tmp_path / "scripts").mkdir()
    (tmp_path / "scripts" / "bench.py").touch()
    script = "import numpy as np\n\nimport bench\n\nprint(np, bench)\n"
    (tmp_path / "scripts" / "measured.py").write_text(script, encoding="utf-8")
    told = []
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-m", "ruff", "check", "--no-cache", "--select", "I", "scripts"],
            cwd=tmp_path, capture_output=True, text=True, check=False,
        )  # fmt: skip
        told.append((done.returncode, done.stdout.strip()))
        (tmp_path / "bench").mkdir(exist_ok=True)
    assert told == [(0, "All checks passed!")] * 2
