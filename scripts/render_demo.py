"""Renders the demo with the installed package: `scripts/demo.py` calls it."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synth.design.file import load
from synth.design.instrument import Group, Instrument
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.files import atomic_write, write_text
from synth.page.build import page
from synth.playing.stroke import Stroke
from synth.proposal.build import write_proposal
from synth.sound import ear
from synth.sound.audio import RATE
from synth.sound.bands import NOMINAL_HZ, window_levels
from synth.sound.file_sets import SetMember, write_sets
from synth.sound.loudness import QUIET_ROOM, measure
from synth.sound.quiet_room import room_spectrum
from synth.sound.render import perform, scene
from synth.sound.surroundings import Surroundings
from synth.vibration.solve import solve_row
from synth.workshop.spectrograms import Panel, draw_panels, group_partials_hz, tone_levels

DESIGN = Path(__file__).resolve().parent.parent / "designs" / "quay-rail.toml"
SCORE = DESIGN.with_name("ferry-tune.toml")
BOARD = "panel"
SPEED = 0.4  # m/s, an easy pass over nine tines
SECONDS = 6.0
TOUCH = 0.05  # s, when the stick meets the first tine
WAYS = ("bar", "pickup", BOARD)


def main(folder: Path, room: str = "") -> int:
    design = load(DESIGN)
    instrument = resolve(design, str(DESIGN))
    surroundings = Surroundings(instrument.room(room, location="--room").name if room else "")
    sounds = dict(shown(rendered(instrument, surroundings), 3 * len(instrument.groups)))
    members = write_sets(sounds, folder)
    where = f"in {surroundings.room}" if surroundings.room else "at 1 m"
    gains = [
        f"{each.file}: {each.loudness.loudest:.1f} dB(A) at its loudest {where}; "
        f"true {each.true_gain_db:+.1f} dB, matched {each.matched_gain_db:+.1f} dB"
        for each in members
    ]
    write_text(folder / "gains.txt", "\n".join(gains) + "\n")
    with atomic_write(folder / "overview.png") as beside:
        picture(instrument, members, sounds).savefig(beside, dpi=100)
    playable = page([scene(instrument, each) for each in ("bar", "pickup", BOARD)])
    write_text(folder / "rail.html", playable.text)
    made = write_proposal(design, instrument, [SCORE], folder / "proposal", room=room, watch=shown)
    print(f"{len(members)} sounds in {folder}:")
    print(
        f"  true/     all at one gain of {members[0].true_gain_db:+.0f} dB: so that the contrast is heard as it is"
    )
    print("  matched/  the same, matched in loudness; the gain of each stands in gains.txt")
    print("  overview.png")
    print("  rail.html  the rail to be stroked with a mouse, a pen or a finger: open it in a browser")
    print(
        f"  proposal/  what a client gets: index.html, proposal.pdf, {made.sounds} sounds with the hall's, drawings"
    )
    quiet = sum(each.loudness.loudest < QUIET_ROOM for each in members)
    if quiet:
        print(f"{quiet} of them would be lost in a quiet room without the gain.")
    return 0


def rendered(instrument: Instrument, surroundings: Surroundings) -> Iterator[tuple[str, NDArray[Any]]]:
    """Every group, stroked once, through each of bar, pickup and board, in free air or in a room."""
    stick = next(iter(instrument.sticks.values()))
    for through in WAYS:
        listening = scene(instrument, through, surroundings=surroundings)
        for index, group in enumerate(instrument.groups):
            stroke = Stroke(group=index, stick=stick, start=TOUCH, speed=SPEED)
            yield (
                f"{group.name}-{through}",
                perform(listening, [stroke], seconds=SECONDS).sound().astype(np.float32),
            )


def shown(items: Iterable[Any], total: int) -> Iterator[Any]:
    """The same items, with a bar on standard error while a person watches it."""
    from synth.doors.cli.arguments import progress

    yield from progress(items, total=total, what="rendering the demo")


def picture(instrument: Instrument, members: list[SetMember], sounds: dict[str, NDArray[Any]]) -> Any:
    """Levels of all groups through bar, pickup and board, and one group's octaves and sound through each."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, 9.2), layout="constrained")
    top, middle, bottom = np.asarray(figure.subfigures(3, 1, height_ratios=(1.0, 1.0, 1.1)))
    top.suptitle(f"{instrument.name}: every group stroked once at {SPEED * 1e3:.0f} mm/s", fontsize=10)
    _groups(top, instrument, members, sounds)
    group = instrument.groups[len(instrument.groups) // 2]
    one = {way: np.asarray(sounds[f"{group.name}-{way}"], dtype=np.float64) for way in WAYS}
    _octaves(middle, group.name, one)
    _spectrograms(bottom, instrument, group, one)
    return figure


def _groups(
    figure: Any, instrument: Instrument, members: list[SetMember], sounds: dict[str, NDArray[Any]]
) -> None:
    """The level in dB(A) of every group, as it is stroked and a second on."""
    loudest = {each.name: each.loudness.loudest for each in members}
    later = slice(int(1.5 * RATE), int(2.0 * RATE))
    ring = {
        name: measure(np.asarray(sound[:, later], dtype=np.float64), RATE).average
        for name, sound in sounds.items()
    }
    panels = zip(
        figure.subplots(1, 2, sharey=True),
        (loudest, ring),
        ("the stroke", "the ring, a second on"),
        strict=True,
    )
    for position, level, title in panels:
        names = [group.name for group in instrument.groups]
        _bars(position, names, {way: [level[f"{name}-{way}"] for name in names] for way in WAYS})
        position.axhline(QUIET_ROOM, color="black", linewidth=0.8, linestyle=":")
        position.set_title(f"{title} (dotted: a quiet room)", fontsize=9)
    figure.supylabel("dB(A) at 1 m", fontsize=9)
    figure.legend(*position.get_legend_handles_labels(), ncols=3, fontsize=8, loc="outside lower center")


def _octaves(figure: Any, group: str, sounds: dict[str, NDArray[Any]]) -> None:
    """Octave levels of one group through each way, at the attack and a second on, against a quiet room's noise."""
    windows = {"attack": (0.0, ear.ATTACK), "a second on": ear.BODY}
    for position, (title, (since, until)) in zip(
        figure.subplots(1, 2, sharey=True), windows.items(), strict=True
    ):
        levels = {
            way: window_levels(sound, RATE, since=TOUCH + since, until=TOUCH + until).octaves_db
            for way, sound in sounds.items()
        }
        _bars(position, [str(hertz) for hertz in NOMINAL_HZ], levels)
        position.plot(room_spectrum(), color="black", linewidth=0.8, linestyle=":")
        position.plot(ear.THRESHOLD_DB, color="gray", linewidth=0.8, linestyle="--")
        position.set_title(f"{group}, {title} (dotted: a quiet room, dashed: just heard)", fontsize=9)
        position.set_xlabel("octave about Hz", fontsize=9)
    figure.supylabel("dB SPL at 1 m", fontsize=9)


def _bars(position: Any, names: list[str], levels: dict[str, Any]) -> None:
    """A bar for each way beside each name, from 0 dB up."""
    for n, (way, heights) in enumerate(levels.items()):
        at = np.arange(len(names)) + 0.27 * (n - 1)
        position.bar(at, np.maximum(heights, 0.0), width=0.25, label=way)
    position.set_xticks(range(len(names)), names)


def _spectrograms(figure: Any, instrument: Instrument, group: Group, sounds: dict[str, NDArray[Any]]) -> None:
    """One group's sound through each way, on one scale, with its tines' partials at the left."""
    marked = group_partials_hz(solve_row(instrument), group)
    panels = [
        Panel(f"{group.name} through {way}", SECONDS, tone_levels(sound), marked)
        for way, sound in sounds.items()
    ]
    axes = figure.subplots(1, len(panels), sharey=True)
    image = draw_panels(axes, panels, a4_hz=instrument.a4)
    figure.colorbar(image, ax=axes, label="level of a tone, dB SPL")
    figure.supxlabel("seconds (ticks at the left: partials of the tines that are stroked)", fontsize=9)


if __name__ == "__main__":
    try:
        sys.exit(main(Path(sys.argv[1]), *sys.argv[2:3]))
    except InputError as error:
        print(f"error: {error}", file=sys.stderr)
        sys.exit(2)
