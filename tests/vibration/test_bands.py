"""Modes band by band are those of the one dense problem, which stays here as the plain truth."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from synth.arrays import Array, Singles
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.vibration import bands, modal_model
from synth.vibration.bands import ModeBand, bands_for, coupled_modes, in_bands
from synth.vibration.board import solve_board
from synth.vibration.coupling import Structure
from synth.vibration.eigen import real_modes
from synth.vibration.modal_model import ModalModel, assemble, bar_shape, tip_shape
from synth.vibration.tuning import tune

BOARDED = Path(__file__).parents[1] / "data" / "boarded.toml"
CUTS = ((5000.0,), (4000.0, 8000.0), (1800.0, 5000.0, 10_000.0))
LIMITS = {"lowest_hz": 0.1, "highest_hz": 20_000.0}
WITHIN = (2.0 * math.pi * np.array(list(LIMITS.values()))) ** 2
RANDOM = range(6)


class CaughtError(Exception):
    def __init__(self, parts: tuple[object, ...]) -> None:
        self.parts = parts


def parts_of(
    instrument: Instrument, board: str | None, monkeypatch: pytest.MonkeyPatch
) -> tuple[object, ...]:
    """What `solve_structure` is given for the tuned instrument."""

    def catch(*parts: object) -> ModalModel:
        raise CaughtError(parts)

    row = tune(instrument)
    standing = None if board is None else solve_board(instrument.boards[board], instrument.bar).standing
    with monkeypatch.context() as context:
        context.setattr(modal_model, "solve_structure", catch)
        try:
            assemble(
                instrument.tines, row.length, row.trim, bar=instrument.bar, board=standing, modes=row.modes
            )
        except CaughtError as caught:
            return caught.parts
    raise AssertionError("nothing was solved")


def unison(everyday: ModuleType, seed: int) -> Instrument:
    """A random everyday design in which every second tine is its neighbour's twin, all but for the split."""
    made: Instrument = everyday.instrument_of(everyday.design_tree(seed))
    first = made.tines[0]
    tines = tuple(
        dataclasses.replace(tine, rod=first.rod, goal=first.goal, trim=(), wish=None) if r % 2 else tine
        for r, tine in enumerate(made.tines)
    )
    return dataclasses.replace(made, tines=tines)


@pytest.fixture(scope="module")
def patch() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as each:
        yield each


@pytest.fixture(
    scope="module",
    params=[
        *(pytest.param(f"random {seed}", marks=[pytest.mark.slow] if seed > 2 else []) for seed in RANDOM),
        "panel",
        "box",
    ],
)
def parts(
    request: pytest.FixtureRequest, everyday: ModuleType, patch: pytest.MonkeyPatch
) -> tuple[object, ...]:
    if request.param.startswith("random"):
        return parts_of(unison(everyday, int(request.param.split()[1])), None, patch)
    return parts_of(resolve(load(BOARDED), str(BOARDED)), request.param, patch)


def at(structure: Structure, cuts: tuple[float, ...]) -> list[ModeBand]:
    hertz = np.sqrt(structure.tine_stiffness.diagonal()) / (2.0 * math.pi)
    return [bands._band(hertz, *edges) for edges in pairwise((0.0, *cuts, math.inf))]


def solved(parts: tuple[object, ...], cuts: tuple[float, ...], patch: pytest.MonkeyPatch) -> ModalModel:
    """The model by bands that end at `cuts`, or by the dense problem where there are none."""

    def by_bands(structure: Structure, *, lowest_hz: float, highest_hz: float) -> tuple[Array, Singles]:
        assert (lowest_hz, highest_hz) == (0.1, 20_000.0)
        found = in_bands(structure, at(structure, cuts), WITHIN)
        assert found is not None
        return found

    with patch.context() as context:
        context.setattr(modal_model, "coupled_modes", by_bands if cuts else real_modes)
        return modal_model.solve_structure(*parts)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def dense(parts: tuple[object, ...], patch: pytest.MonkeyPatch) -> ModalModel:
    return solved(parts, (), patch)


@pytest.mark.parametrize("cuts", CUTS, ids=str)
def test_frequencies_and_decays_are_those_of_the_dense_problem(
    parts: tuple[object, ...], dense: ModalModel, cuts: tuple[float, ...], patch: pytest.MonkeyPatch
) -> None:
    model = solved(parts, cuts, patch)
    assert len(model.pole) == len(dense.pole)
    cent = 1200.0 * np.abs(np.log2(model.frequency / dense.frequency))
    decay = np.abs(model.decay_rate / dense.decay_rate - 1.0)
    ear = dense.frequency < 4000.0
    assert np.max(cent[ear]) < 0.01
    assert np.max(decay[ear]) < 0.005
    assert np.max(cent) < 0.5
    assert np.max(decay) < 0.03


@pytest.fixture(scope="module")
def plainly(dense: ModalModel) -> dict[int, Array]:
    """How the first tine and the last ring by the dense problem."""
    return {tine: rung(dense, tine) for tine in (0, len(dense.tines.mass) - 1)}


@pytest.mark.parametrize("cuts", CUTS, ids=str)
def test_a_blow_on_a_tine_is_heard_alike(
    parts: tuple[object, ...], plainly: dict[int, Array], cuts: tuple[float, ...], patch: pytest.MonkeyPatch
) -> None:
    """Below 8 kHz, within -60 dB: how tips and bar move in half a second after a bent tine is let go."""
    model = solved(parts, cuts, patch)
    for tine, plain in plainly.items():
        banded = rung(model, tine)
        off = np.sqrt(np.mean((banded - plain) ** 2, axis=1) / np.mean(plain**2, axis=1))
        assert np.max(off) < 1e-3


def rung(model: ModalModel, tine: int) -> Array:
    """Speeds (7, T) of the tine's own tip, the next one's, and the bar's axis under it, every eighth of a ms."""
    heard = model.frequency < 8000.0
    pole = model.pole[heard]
    tips = tip_shape(model)[:, :, heard]
    force = tips[tine].sum(axis=0) / pole
    bar = bar_shape(model, float(model.bases.position[tine]))[:3, heard]
    out = np.concatenate([tips[tine], tips[1], bar])
    firsts, each = np.exp(np.multiply.outer(pole, 8e-3 * np.arange(63))), 1.25e-4 * np.arange(64)
    parts = (out * force)[:, None, :] * firsts.T @ np.exp(np.multiply.outer(pole, each))
    return np.asarray(parts.real.reshape(len(out), -1)[:, :4001])


def test_a_band_that_lost_a_partial_is_refused_or_tells_it_all_the_same(parts: tuple[object, ...]) -> None:
    """Partials between 1 and 3 kHz in turn are left out of the band that should tell them; what answers the host in
    their place may still be enough. None may go missing, and no mode be told more than 0.1 cent off."""
    structure = parts[0]
    assert isinstance(structure, Structure)
    whole = at(structure, CUTS[1])
    plain, _ = real_modes(structure, **LIMITS)
    hertz = np.sqrt(structure.tine_stiffness.diagonal()) / (2.0 * math.pi)
    refused = 0
    for lost in np.flatnonzero((hertz > 1000.0) & (hertz < 3000.0))[::3].tolist():
        near = whole[0].near & (np.arange(len(hertz)) != lost)
        found = None
        with contextlib.suppress(np.linalg.LinAlgError):
            found = in_bands(structure, [dataclasses.replace(whole[0], near=near), *whole[1:]], WITHIN)
        refused += found is None
        if found is not None:
            np.testing.assert_allclose(found[0], plain, rtol=1.2e-4)
    assert refused > 0


@pytest.mark.parametrize("cuts", [(5000.0,), (4000.0, 8000.0)], ids=str)
def test_single_precision_above_4_khz_is_double_precision_to_the_ear(
    parts: tuple[object, ...], cuts: tuple[float, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same bands: below 4 kHz hardly moved, above by less than a tenth of what is allowed."""
    structure = parts[0]
    assert isinstance(structure, Structure)
    quick, _ = in_bands(structure, at(structure, cuts), WITHIN) or (None, None)
    assert [band.single for band in at(structure, cuts)] == [False, *[True] * len(cuts)]
    monkeypatch.setattr(bands, "SINGLE_FROM", math.inf)
    slow, _ = in_bands(structure, at(structure, cuts), WITHIN) or (None, None)
    assert quick is not None
    assert slow is not None
    moved, hertz = 600.0 * np.abs(np.log2(quick / slow)), np.sqrt(slow) / (2.0 * math.pi)
    assert moved.max() > 0.0
    assert moved[(hertz > 20.0) & (hertz < 3900.0)].max() < 1e-6
    assert moved[hertz > 3900.0].max() < 0.05


def test_where_bands_fail_the_dense_problem_is_solved(
    parts: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    structure = parts[0]
    assert isinstance(structure, Structure)
    plain, shapes = real_modes(structure, **LIMITS)

    def fails(*_: object) -> None:
        raise np.linalg.LinAlgError("Matrix is not positive definite")

    monkeypatch.setattr(bands, "bands_for", lambda _: at(structure, CUTS[0]))
    for wrong in (lambda *_: None, fails):
        monkeypatch.setattr(bands, "in_bands", wrong)
        squared, vectors = coupled_modes(structure, **LIMITS)
        np.testing.assert_array_equal(squared, plain)
        np.testing.assert_array_equal(vectors, shapes)


def test_a_cut_at_which_bands_tell_other_modes_is_noticed(parts: tuple[object, ...]) -> None:
    structure = parts[0]
    assert isinstance(structure, Structure)
    hertz = np.sqrt(structure.tine_stiffness.diagonal()) / (2.0 * math.pi)
    low, high = at(structure, CUTS[0])
    narrow = dataclasses.replace(low, near=hertz < 0.5 * CUTS[0][0])
    assert in_bands(structure, [narrow, high], WITHIN) is None


@pytest.mark.parametrize(
    ("other", "ends"),
    [
        ({}, [slice(0, 5), slice(3, 8)]),
        ({4: 1.0 + 3e-4}, [slice(0, 5), slice(3, 8)]),  # a quarter of a cent: as rounding leaves it
        ({4: 1.0 + 2e-3}, None),  # two cents, just below the cut
        ({5: 1.0 + 2e-3}, None),  # just above it
        ({7: 1.0 + 2e-3}, [slice(0, 5), slice(3, 8)]),  # far from the cut the upper band alone tells
    ],
    ids=["alike", "nearly", "another below", "another above", "another far off"],
)
def test_two_bands_must_tell_the_same_modes_beside_their_cut(
    other: dict[int, float], ends: list[slice] | None
) -> None:
    """Ten modes with a gap at the cut: the lower band knows the first seven, the upper all but the first two."""
    every = np.array([0.86, 0.90, 0.94, 0.96, 0.98, 1.02, 1.04, 1.06, 1.3, 1.5])
    upper = np.array([value * other.get(n, 1.0) for n, value in enumerate(every.tolist())])
    none = np.zeros(0, dtype=bool)
    told = [
        SimpleNamespace(squared=every[:7], band=ModeBand(0.0, 1.0, none)),
        SimpleNamespace(squared=upper[2:], band=ModeBand(1.0, math.inf, none)),
    ]
    assert bands._spans(told, 10) == ends  # type: ignore[arg-type]
    assert bands._spans(told, 11) is None  # type: ignore[arg-type]


def test_bands_are_for_large_structures_and_cover_every_partial() -> None:
    """A row of 30 tines is one problem; of 300, spread over the octaves, the bands need a third of the cubes."""
    draw = np.random.default_rng(3)
    for tines, most in ((30, 1.0), (300, 0.35)):
        hertz = draw.uniform(80.0, 18_000.0, 17 * tines)
        structure = _only(hertz, host=200)
        found = bands_for(structure)
        assert np.all(np.any([each.near for each in found], axis=0))
        assert found[0].low == 0.0
        assert math.isinf(found[-1].high)
        assert all(lower.high == upper.low for lower, upper in pairwise(found))
        assert sum((each.near.sum() + 200) ** 3 for each in found) <= most * (len(hertz) + 200) ** 3
    assert len(bands_for(_only(hertz[:500], host=200))) == 1


def _only(hertz: Array, *, host: int) -> Structure:
    """As much of a structure as bands are chosen by."""
    none = np.zeros((0, 0))
    dof = np.zeros((0, 2, 0), dtype=np.int64)
    K = np.diag((2.0 * math.pi * hertz) ** 2)
    return Structure(dof, dof, host, K, np.zeros(0), np.eye(host), none, none, none)
