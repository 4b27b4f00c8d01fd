"""What a page carries: arrays that come back as they went in, shapes as fine as they are heard; and its command."""

from __future__ import annotations

import base64
import gzip
import json
import re
import subprocess

import numpy as np
import pytest

from synth.doors.cli import run
from synth.errors import InputError
from synth.page import functions, wasm
from synth.page.blob import Blob, rounded
from synth.page.build import left_out, page
from synth.page.pack import QUALITIES, Packed, _radiator, body, pack, tip_motion
from synth.sound.radiator import Direct
from synth.sound.radiator.pickup import Circuit, MagneticPickup, Piezo
from synth.vibration.modal_model import tip_shape

from .conftest import DESIGN, PATHS, THROUGH, heard

DB = 1.0
MB = 1e6


def test_arrays_come_back_as_they_went_in():
    blob = Blob()
    told = [blob.put(np.arange(5), "i8"), blob.put([[0.1, 0.2]], "f8"), blob.put([1.5], "f4")]
    raw = gzip.decompress(base64.b64decode(blob.text()))
    types = {"i8": "<i4", "f8": "<f8", "f4": "<f4"}
    found = [
        np.frombuffer(raw, types[each["kind"]], int(np.prod(each["shape"])), each["at"]) for each in told
    ]
    np.testing.assert_array_equal(found[0], np.arange(5))
    np.testing.assert_array_equal(found[1], [0.1, 0.2])
    np.testing.assert_array_equal(found[2], [1.5])
    assert all(each["at"] % 8 == 0 for each in told)


@pytest.mark.parametrize("bits", [9, 14])
def test_a_rounded_number_is_off_by_half_its_last_bit_at_most(bits):
    random = np.random.default_rng(1)
    values = random.standard_normal((20, 2, 300)) * 10.0 ** random.uniform(-5, 0, (20, 1, 300))
    few = rounded(values, bits, np.zeros((20, 300)))
    greater = np.abs(values).max(axis=1, keepdims=True)
    assert (np.abs(few.values() - values) <= 2.0**-bits * greater * 1.001 + 2.0**-30 * greater.max()).all()
    coarse = rounded(values, bits, np.full((20, 300), 1e-3))
    assert (np.abs(coarse.values() - values) <= 2.0**-bits * greater * 1.001 + 1e-3).all()
    assert len(gzip.compress(coarse.number.tobytes())) < len(gzip.compress(few.number.tobytes()))


@pytest.mark.parametrize("shape", ["straight", "bent"])
@pytest.mark.parametrize("through", THROUGH)
def test_the_parts_of_a_bank_are_the_motion_of_the_tips(shape, through):
    model = heard(shape, through).model
    parts = body(model)
    ours = tip_motion(model, parts, parts.vectors[:, 0] + 1j * parts.vectors[:, 1])
    true = tip_shape(model)
    assert np.abs(ours - true).max() < 1e-5 * np.abs(true).max()
    carriers = model.host_dof.stop
    for r, motion in enumerate(parts.base):
        own = model.tine_dof[r] >= 0
        coupling = model.coupling[: model.bar_count, model.tine_dof[r][own] - carriers]
        np.testing.assert_allclose(motion.T @ parts.force[r][:, own], coupling, atol=1e-12)


def test_a_finer_quality_is_a_smaller_error_and_a_larger_page():
    scenes = [heard("bent", each) for each in THROUGH]
    packed = {quality: pack(scenes, quality=quality) for quality in QUALITIES}
    errors = {
        quality: max(each["rounding_db"] for each in found.head["radiators"])
        for quality, found in packed.items()
    }
    assert errors["fine"] < errors["usual"] < errors["small"]
    assert errors["usual"] < -65.0 * DB
    sizes = [len(packed[quality].blob.text()) for quality in ("small", "usual", "fine")]
    assert sizes == sorted(sizes)


def test_bar_and_pickup_share_a_bank_and_a_board_has_its_own():
    head = pack([heard("straight", each) for each in THROUGH]).head
    assert [each["name"] for each in head["radiators"]] == list(THROUGH)
    assert [each["bank"] for each in head["radiators"]] == [0, 0, 1]
    assert len(head["banks"]) == 2


def test_the_page_is_one_file_that_says_what_it_leaves_out():
    built = page([heard("straight", "bar")])
    assert not re.search(r"@[A-Z]+@", built.text)
    assert "https:" not in built.text
    assert "http:" not in built.text
    head = json.loads(re.search(r'<script id="head"[^>]*>(.*?)</script>', built.text, re.DOTALL)[1])
    assert head["left_out"] == list(built.words)
    measured = head["radiators"][0]["rounding_db"]
    assert f"bar {measured:.0f}" in built.words[0]


def test_a_name_in_a_design_cannot_end_the_script_it_stands_in(monkeypatch):
    import dataclasses

    scene = heard("straight", "bar")
    named = dataclasses.replace(scene.instrument, name="</script><b>x & y")
    built = page([dataclasses.replace(scene, instrument=named)])
    assert "<b>x" not in built.text
    assert "<title>&lt;/script&gt;&lt;b&gt;x &amp; y</title>" in built.text


def test_a_compiler_that_cannot_is_told_in_one_line(monkeypatch):
    def fails(texts):
        raise RuntimeError("no such target\nand more")

    monkeypatch.setattr(wasm, "_emitted", fails)
    with pytest.raises(InputError, match=r"cannot compile for a page \(no such target\).*0\.68") as raised:
        wasm.module([each for each in functions.sources() if each.name == "shift"])
    assert "\n" not in str(raised.value)


def test_a_compiler_that_fails_apart_is_told_in_one_line(monkeypatch):
    def failed(*words, **options):
        return subprocess.CompletedProcess(words, 1, "", "Traceback\nno such processor\n")

    monkeypatch.setattr(subprocess, "run", failed)
    with pytest.raises(InputError, match=r"cannot be compiled \(no such processor\).*0\.68") as raised:
        functions._made()
    assert "\n" not in str(raised.value)


def test_what_two_processes_compile_is_what_one_does(monkeypatch, capsys, tmp_path):
    """Half the time on two cores. Each function by one of them, all in their order."""
    small = ("meet", "ring", "shift", "swings")
    lines = [line for line in functions._FUNCTIONS if line.partition(":")[0] in small]
    asked, real = [], functions._apart

    def apart(work):
        asked.append(work[1])
        return real(work)

    monkeypatch.setattr(functions, "_FUNCTIONS", lines)
    monkeypatch.setattr(functions, "_apart", apart)
    made = functions._made().code.tobytes()
    assert sorted(asked) == [["meet"], ["shift", "ring", "swings"]]
    assert capsys.readouterr().err == (
        "compiling the functions of a page; this happens once and takes some seconds\n"
    )
    assert made == wasm.linked(real((tmp_path / "one", ["meet", "shift", "ring", "swings"])))
    assert made.count(b"swings") >= 1


def test_every_function_of_the_page_asks_for_mathematics_alone():
    code = functions.compiled()
    assert code[:4] == b"\0asm"
    for name in (b"NRT_", b"numba_", b"PyErr", b"memcpy", b"malloc"):
        assert name not in code.split(b"reloc.")[0], name


def design_file(tmp_path):
    path, pickup = PATHS["straight"]
    written = tmp_path / "flat.toml"
    written.write_text(DESIGN.format(path=path, pickup=pickup), encoding="utf-8")
    return written


def test_the_command_writes_a_page_and_says_how_large(tmp_path, capsys):
    out = tmp_path / "flat.html"
    assert run(["page", str(design_file(tmp_path)), "--through", "bar, panel", "-o", str(out)]) == 0
    said = capsys.readouterr().out
    size = out.stat().st_size
    assert f"heard through bar, panel; {size / MB:.1f} MB" in said
    assert size < 2 * 2.0 * MB
    assert [each.name for each in tmp_path.iterdir() if each.name not in ("flat.toml", "flat.html")] == []


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        (["-o", "flat.txt"], "end it in .html"),
        (["--through", "wall", "-o", "flat.html"], "nothing is heard through 'wall'"),
        (["--quality", "best", "-o", "flat.html"], "'best' is not one of"),
        (["-o", "nowhere/flat.html"], "nowhere"),
    ],
)
def test_what_cannot_be_a_page_is_told_in_one_line(tmp_path, capsys, monkeypatch, words, finding):
    design = design_file(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert run(["page", str(design), *words]) == 2
    said = capsys.readouterr().err.strip()
    assert finding in said
    assert "\n" not in said
    assert [each.name for each in tmp_path.iterdir()] == ["flat.toml"]


def test_each_array_begins_at_a_multiple_of_eight_bytes_and_nothing_lies_between_but_noughts():
    """A view of eight-byte numbers begins nowhere else in a browser."""
    blob = Blob()
    places = [
        blob.put(np.arange(n + 1.0), kind)["at"] for n, kind in ((2, "f4"), (4, "i8"), (1, "f8"), (0, "f4"))
    ]
    assert places == [0, 16, 40, 56]  # 12, 20, 16 bytes, each to the next eight
    raw = gzip.decompress(base64.b64decode(blob.text()))
    assert len(raw) == 64
    assert raw[12:16] == raw[36:40] == raw[60:64] == b"\0\0\0\0"
    assert np.frombuffer(raw[40:56], "<f8").tolist() == [0.0, 1.0]
    assert np.frombuffer(raw[16:36], "<i4").tolist() == [0, 1, 2, 3, 4]


def test_what_the_page_hears_through_comes_to_the_same_full_scale():
    """Weights, what follows them, and every factor of its own: Pa over the Pa of a full scale of 100 dB SPL."""
    contact = np.array([[1.0 + 2.0j, 3.0 - 0.5j], [-4.0 + 0.25j, 0.125j]])
    circuit = Circuit(5000.0, 2.0, 33.0)
    full = 20e-6 * 10.0**5 * np.sqrt(2.0)
    blob = Blob()
    told = [
        _radiator(each, blob)
        for each in (
            Direct(contact),
            Piezo(contact[:1], 0.3, circuit, 7.0, accelerates=False),
            MagneticPickup(contact, 0.3, 2.5e-3, circuit, 7.0),
        )
    ]
    raw = gzip.decompress(base64.b64decode(blob.text()))

    def numbers(each):
        return np.frombuffer(raw, "<f8", int(np.prod(each["shape"])), each["at"]).reshape(each["shape"])

    for found, wanted in zip(told, (contact / full, contact[:1] * 0.3 * 7.0 / full, contact), strict=True):
        weights = numbers(found["weights"])
        np.testing.assert_allclose(weights[:, 0] + 1j * weights[:, 1], wanted)
    assert [each["immediate"] for each in told] == [[True, True], [False], [False, False]]
    assert told[2]["magnet"] == {"gap": 2.5e-3, "gain": pytest.approx(0.3 * 7.0 / full)}
    assert "sections" not in told[0]
    for each in told[1:]:
        np.testing.assert_allclose(numbers(each["sections"]), circuit.sections(48_000))


def test_what_rounding_does_is_told_of_everything_that_is_heard():
    told = [
        {"name": "bar", "rounding_db": -61.2},
        {"name": "panel"},
        {"name": "pickup", "rounding_db": -55.8},
    ]
    first = left_out(Packed({"radiators": told}, Blob()))[0]
    assert first.endswith("by so many dB of itself: bar -61, pickup -56.")
