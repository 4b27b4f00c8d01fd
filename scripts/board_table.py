"""What boards do to one tine on a 1.2 m bar, swept in pitch, beside an independent model's figures.

    python scripts/board_table.py

Gain over the bar alone (dB, median and range) and ratio of the rings, straight above at 1 m. The independent model
was a finite-element bar and tine with 90 board modes and radiation fed back, its foot places not recorded. Single
notes differ by 20 dB with the place of a foot, so medians over 82 to 1000 Hz are compared.
"""

from __future__ import annotations

from typing import Any, Final

import msgspec
import numpy as np

from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.sound.contrast import Swing, foretell
from synth.vibration.board import solve_board
from synth.vibration.tuning import tune

LENGTHS_MM: Final = np.geomspace(160.7, 46.0, 36)  # 82 to 1000 Hz of a 3 mm steel rod
BANDS: Final = ((80.0, 250.0), (250.0, 1000.0))
SHEETS: Final = {"ply": ("birch plywood 4 mm", 4.0), "EPS": ("EPS 20", 25.0)}
# the independent model: gain dB and ring ratio, medians, per band; sideways then upright
THEIRS: Final = {
    ("ply", "panel"): ((43.0, 0.13), (34.0, 0.67), (28.0, 0.99), (19.0, 1.0)),
    ("ply", "box"): ((47.0, 0.25), (24.0, 0.86), (39.0, 1.0), (11.0, 1.0)),
    ("EPS", "panel"): ((43.0, 0.29), (29.0, 0.97), (37.0, 0.99), (19.0, 1.0)),
    ("EPS", "box"): ((39.0, 0.55), (24.0, 0.98), (25.0, 1.0), (11.0, 1.0)),
}


def instrument(length_mm: float, face_deg: float) -> Instrument:
    feet = [
        {"bar_mm": at, "x_mm": x, "y_mm": 200.0, "width_mm": 25.0}
        for at, x in ((400.0, 100.0), (800.0, 500.0))
    ]
    boards: dict[str, Any] = {}
    for name, (material, thickness) in SHEETS.items():
        sheet = {
            "material": material,
            "width_mm": 400.0,
            "length_mm": 600.0,
            "thickness_mm": thickness,
            "feet": feet,
        }
        boards[f"{name} panel"] = {"kind": "panel", **sheet}
        boards[f"{name} box"] = {"kind": "box", "depth_mm": 100.0, **sheet}
    tree = {
        "listener": {"angle_deg": 0.0, "spacing_mm": 0.0},
        "material": {
            "rod": {"density_kg_m3": 7850.0, "youngs_gpa": 200.0, "loss_factor": 0.0, "expansion_um_m_k": 0.0}
        },
        "bar": {
            "section": {"shape": "rectangle", "width_mm": 25.0, "height_mm": 25.0},
            "path": [{"straight_mm": 1200.0}],
            "supports": [{"at_mm": at, "kind": "cord"} for at in (269.0, 931.0)],
        },
        "tines": {"root_length_per_diameter": 0.0, "clamp_loss_factor": 0.0005, "split_cents": 0.0},
        "stock": {"rod": {"kind": "plain", "diameter_mm": 3.0, "material": "rod"}},
        "board": boards,
        "group": [
            {
                "name": "one",
                "stock": "rod",
                "start_mm": 420.0,
                "face_deg": face_deg,
                "tine": [{"free_length_mm": length_mm}],
            }
        ],
    }
    return resolve(msgspec.convert(tree, Design))


def main() -> None:
    solved = {}
    found: dict[tuple[str, str, int], list[tuple[float, float, float]]] = {}
    for way, face in enumerate((90.0, 0.0)):
        for length in LENGTHS_MM:
            one = instrument(float(length), face)
            swing: Swing = "across" if face else "along"  # a sideways tine swings up and down
            row = tune(one)
            bar = foretell(one, row, None, swing=swing)
            for name, board in one.boards.items():
                if name not in solved:
                    solved[name] = solve_board(board, one.bar)
                on = foretell(one, row, solved[name], swing=swing)
                sheet, kind = name.split()
                change = float(on.level[0] - bar.level[0]), float(on.decay[0] / bar.decay[0])
                found.setdefault((sheet, kind, way), []).append((float(row.clamped_hz[0]), *change))
    print(
        f"{'board':10} {'tine':9} {'band Hz':>10} {'gain dB (range)':>18} {'theirs':>7} {'ring':>6} {'theirs':>7}"
    )
    for (sheet, kind, way), values in found.items():
        for band, (low, high) in enumerate(BANDS):
            inside = np.array([each[1:] for each in values if low <= each[0] < high])
            gain, ring = np.median(inside, axis=0)
            theirs = THEIRS[sheet, kind][2 * way + band]
            spread = f"{gain:+.0f} ({inside[:, 0].min():.0f}, {inside[:, 0].max():.0f})"
            print(
                f"{sheet + ' ' + kind:10} {('sideways', 'upright')[way]:9} {f'{low:.0f}-{high:.0f}':>10} "
                f"{spread:>18} {theirs[0]:+7.0f} {ring:6.2f} {theirs[1]:7.2f}"
            )


if __name__ == "__main__":
    main()
