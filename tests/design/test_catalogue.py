"""The shipped tables: complete, sourced, found by any of their names."""

import csv
import dataclasses
import math
from itertools import chain
from pathlib import Path

import pytest

from synth.design import catalogue

TABLES = [
    catalogue.materials,
    catalogue.threads,
    catalogue.nuts,
    catalogue.sheets,
    catalogue.sticks,
    catalogue.bars,
]


FILES = {
    "materials": catalogue.materials,
    "threads": catalogue.threads,
    "nuts": catalogue.nuts,
    "holes": catalogue.holes,
    "board_materials": catalogue.sheets,
    "sticks": catalogue.sticks,
    "bars": catalogue.bars,
    "absorption": catalogue.surfaces,
}


@pytest.mark.parametrize("name", FILES)
def test_every_cell_of_a_file_stands_under_its_own_name_in_its_row(name):
    file = Path(catalogue.__file__).parent / "data" / f"{name}.csv"
    with file.open(encoding="utf-8", newline="") as opened:
        records = list(csv.DictReader(opened))
    rows = list(FILES[name]())
    assert len(rows) == len(records) > 0
    for row, record in zip(rows, records, strict=True):
        told = dataclasses.asdict(row)
        assert told.keys() == record.keys()
        for key, value in told.items():
            assert ("" if value is None else value) == (
                float(record[key]) if isinstance(value, float) else record[key]
            )


def test_a_surfaces_octaves_rise_from_125_hz_to_4_khz():
    for row in catalogue.surfaces():
        assert row.octaves == tuple(getattr(row, f"at_{125 * 2**n}") for n in range(6))
    assert any(len(set(row.octaves)) == 6 for row in catalogue.surfaces())


@pytest.mark.parametrize("table", TABLES)
def test_every_row_says_where_it_comes_from(table):
    assert all(row.source for row in table())


@pytest.mark.parametrize(
    "table", [catalogue.materials, catalogue.threads, catalogue.nuts, catalogue.sheets, catalogue.bars]
)
def test_every_row_says_how_sure_it_is(table):
    assert all(row.confidence for row in table())


@pytest.mark.parametrize("table", TABLES)
def test_no_name_or_alias_means_two_things(table):
    spellings = [
        list(chain([row.name], (each.strip() for each in row.aliases.split(";") if each.strip())))
        for row in table()
    ]
    flat = [each.casefold() for names in spellings for each in dict.fromkeys(names)]
    assert sorted(flat) == sorted(set(flat))


@pytest.mark.parametrize("table", TABLES)
def test_a_row_is_found_by_each_of_its_names_in_any_case(table):
    for row in table():
        for name in (row.name, *row.aliases.split(";")):
            if name.strip():
                assert table().find(f" {name.upper()}  ") is row


def test_what_is_not_there_is_not_found():
    assert catalogue.threads().find("M7") is None
    assert catalogue.materials().find("") is None


@pytest.mark.parametrize(
    ("table", "names"),
    [
        (
            catalogue.materials,
            "mild steel;A2-70;304;304 spring wire;316 spring wire;music wire;brass;birch;bamboo;nylon;"
            "AISI 304 stainless (annealed);Music wire ASTM A228 / EN 10270-1 DH",
        ),
        (
            catalogue.sheets,
            "birch plywood 4 mm;spruce;EPS 20;steel sheet;birch plywood 3-ply;spruce quarter-cut",
        ),
        (catalogue.threads, "M2;M2.5;M3;M4;M5;M6;6-32 UNC;#6-32 UNC;#10-32 UNF;1/4-20 UNC"),
        (catalogue.nuts, "M3 hex;M3 thin hex;6-32 UNC hex"),
        (catalogue.sticks, "birch;bamboo;brass;nylon"),
    ],
)
def test_a_workshops_words_are_known(table, names):
    assert all(table().find(name) for name in names.split(";"))


def test_threads_keep_the_order_of_limits():
    for thread in catalogue.threads():
        low, high = thread.pitch_diameter_limits_mm
        nominal = thread.diameter_mm - catalogue.PITCH_DEPTH * thread.pitch_mm
        assert 0.9 * nominal < low < high < nominal
        low, high = thread.major_limits_mm
        assert 0.9 * thread.diameter_mm < low < high < thread.diameter_mm


def test_every_thread_has_a_hex_nut():
    assert {row.thread for row in catalogue.nuts() if row.form == "hex"} == set(catalogue.threads().names)


def test_one_formula_gives_the_bending_diameter_of_every_thread():
    # 2-D harmonic finite elements of one pitch (column bend_fe_mm), 0.001 pitch as found there
    for thread in catalogue.threads():
        formula = thread.diameter_mm - catalogue.BEND_DEPTH * thread.pitch_mm
        assert formula == pytest.approx(thread.bend_fe_mm, abs=0.001 * thread.pitch_mm)


def test_isotropic_rows_have_moduli_that_belong_together():
    for row in catalogue.sheets():
        if row.youngs_gpa == row.youngs_across_gpa and not row.name.startswith("EPS"):
            shear = row.youngs_gpa / (2.0 * (1.0 + row.poisson))
            assert row.shear_gpa == pytest.approx(shear, rel=0.06)


def test_orthotropic_sheets_have_positive_strain_energy():
    # nu_xy^2 < E_x / E_y for each (thermodynamic bound, Jones, Mechanics of Composite Materials)
    for row in catalogue.sheets():
        assert row.poisson < math.sqrt(row.youngs_gpa / row.youngs_across_gpa)
        assert row.youngs_gpa >= row.youngs_across_gpa
