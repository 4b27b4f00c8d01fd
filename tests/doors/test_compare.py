"""`compare` over designs and their keys: what it writes, tells and prints as data."""

import csv
import json
import os
import random

import pytest

from synth.doors.cli import run

INCH = 25.4


def compared(slat, out, *words):
    return slat.said("compare", "--seconds", 0.2, "-o", out, "--group", *words)


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_keys_of_the_design_become_sounds_tables_and_a_page(slat, tmp_path):
    out = tmp_path / "x"
    said = compared(slat, out, "Low", "--vary", "bar.section.height_mm=12,20", "--vary", "bite_mm=1,1.5")
    assert sorted(os.listdir(out)) == [
        "changes-group.csv", "changes.csv", "comparison.csv", "comparison.png", "index.html", "matched", "true",
    ]  # fmt: skip
    names = [f"bar.section.height_mm={height}_bite_mm={bite}" for height in (12, 20) for bite in ("1", "1.5")]
    assert [each["combination"] for each in read(out / "comparison.csv")] == names
    assert sorted(os.listdir(out / "true")) == sorted(f"{each}.wav" for each in names)
    tines = read(out / "changes.csv")
    assert {each["combination"] for each in tines} == {"bar.section.height_mm=20"}  # a bite changes no tine
    assert f"What changed, against {names[0]}:" in said
    first = next(each for each in tines if (each["group"], each["number"]) == ("low", "3"))
    assert first["pitch_hz"] == ""  # it is tuned anew
    assert float(first["free_length_mm_before"]) == pytest.approx(1e3 * slat.row.length[2], abs=1e-6)
    assert "tines of low" in said  # as the design calls it
    assert "and 2 tines of other groups: changes.csv" in said
    loud = {each["combination"]: each for each in read(out / "changes-group.csv")}
    rows = {each["combination"]: each for each in read(out / "comparison.csv")}
    assert any(each["loudest_dba"] for each in loud.values())
    for name, each in loud.items():
        if each["loudest_dba"]:
            assert float(each["loudest_dba_before"]) == pytest.approx(
                float(rows[names[0]]["loudest_dba"]), abs=1e-6
            )
            assert float(each["loudest_dba"]) == pytest.approx(float(rows[name]["loudest_dba"]), abs=1e-6)


def test_as_data_it_tells_the_same_and_what_is_left_out(slat, tmp_path, capsys):
    words = ["low", "--vary", "bar.section.height_mm=12,1,20", "--keep-lengths", "--json"]
    data = json.loads(compared(slat, tmp_path / "x", *words))
    assert [each["combination"] for each in data["combinations"]] == [
        "bar.section.height_mm=12",
        "bar.section.height_mm=20",
    ]
    (left,) = data["left_out"]
    assert left["combination"] == "bar.section.height_mm=1"
    assert capsys.readouterr().err.startswith("left out: bar.section.height_mm=1: ")
    tines = data["changes"]["tines"]
    assert data["changes"]["against"] == "bar.section.height_mm=12"
    assert all("free_length_mm" not in each for each in tines)  # steel already cut
    assert [each["pitch_cents"] for each in tines if (each["group"], each["number"]) == ("low", 3)] != []
    assert read(tmp_path / "x" / "changes.csv")[0]["combination"] == tines[0]["combination"]


def test_two_designs_are_compared_each_as_its_file_says(slat, tmp_path, capsys):
    text = slat.design.read_text(encoding="utf-8")
    other = tmp_path / "thicker.toml"
    other.write_text(text.replace("height_mm = 12.0", "height_mm = 16.0"), encoding="utf-8")
    words = ["compare", slat.design, other, "--group", "low", "--seconds", 0.2, "-o", tmp_path / "x"]
    assert run([str(each) for each in words]) == 0
    assert [each["combination"] for each in read(tmp_path / "x" / "comparison.csv")] == [
        "design=slat",
        "design=thicker",
    ]
    assert {each["combination"] for each in read(tmp_path / "x" / "changes.csv")} == {"design=thicker"}
    capsys.readouterr()
    alone = ["compare", slat.design, "--vary", "bar.section.height_mm=16", *words[3:-1], tmp_path / "y"]
    assert run([str(each) for each in alone]) == 0
    assert (tmp_path / "y" / "true").is_dir()
    one, same = read(tmp_path / "x" / "comparison.csv")[1], read(tmp_path / "y" / "comparison.csv")[0]
    assert [one[key] for key in ("loudest_dba", "centroid_hz")] == [
        same[key] for key in ("loudest_dba", "centroid_hz")
    ]


def test_a_design_that_would_be_written_over_is_refused(slat, tmp_path, capsys):
    other = tmp_path / "x"
    other.write_bytes(slat.design.read_bytes())
    words = ["compare", str(slat.design), str(other), "--group", "low", "-o", str(other)]
    assert run(words) == 2
    assert other.read_bytes() == slat.design.read_bytes()


def values(draw, old):
    if isinstance(old, float | int):
        return [f"{old * draw.choice([0.5, 0.9, 1.1, 2.0, 30.0, -1.0]):.4g}" for _ in range(2)]
    return [draw.choice(["M3", "M4", "cord", "D3", "1", "[]", "x=y"]), str(old)]


def leaves(tree, path=""):
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree, start=1):
        inside = f"{path}[{key}]" if isinstance(tree, list) else f"{path}.{key}" if path else key
        if isinstance(value, dict | list):
            yield from leaves(value, inside)
        else:
            yield inside, value


@pytest.mark.parametrize("seeds", [range(3), pytest.param(range(3, 60), marks=pytest.mark.slow)])
def test_random_edits_end_in_a_folder_or_in_one_line(everyday, seeds, tmp_path, capsys):
    import tomlkit

    codes = []
    for seed in seeds:
        draw = random.Random(seed)
        tree = everyday.design_tree(seed)
        design, out = tmp_path / f"{seed}.toml", tmp_path / f"{seed}"
        design.write_text(tomlkit.dumps(tree), encoding="utf-8")
        path, old = draw.choice(list(leaves(tree)))
        words = ["compare", design, "--group", tree["group"][0]["name"], "--seconds", 0.1, "-o", out]
        words += ["--vary", f"{path}={','.join(values(draw, old))}", *draw.choice([[], ["--keep-lengths"]])]
        codes.append(run([str(each) for each in words]))
        told = capsys.readouterr()
        if codes[-1] == 2:
            assert told.err.startswith("error: "), words
            assert len(told.err.splitlines()) == 1, words
            assert not out.exists(), words
        else:
            assert codes[-1] == 0, words
            assert (out / "index.html").is_file(), words
    assert set(codes) <= {0, 2}
    assert codes.count(0) >= len(codes) / 3
