"""A page to listen to a comparison: one HTML file beside the sounds, opened from disk, without any network.

In: what was rendered, at which gains. Out: the page's text. A page opened from disk may not fetch the files beside
it, and media elements cannot be kept in step to a sample, so every sound is in the page itself once: 16-bit FLAC,
raised to full scale, with the factors that make its true and its matched level. Decoded by Web Audio, one takes
over from another at the same sample.
"""

from __future__ import annotations

import base64
import html
import importlib.resources
import io
import json
import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen
from synth.sound.audio import FULL_SCALE, RATE
from synth.units import amplitude
from synth.workshop.spectrograms import HIGHEST_HZ, HOP, LOWEST_HZ, SHOWN_DB, Panel, rows_hz, top_of
from synth.workshop.variants import LeftOut
from synth.workshop.varied import key_words, name_of, value_words

LONGEST: Final = 600.0  # s of sound in a page, 30 to 60 MB and decoded 230 MB: more opens slowly
HIGHEST_STEP: Final = 2**15 - 1  # of 16 bits, which are decoded as shares of 2^15
FADE: Final = 20e-3  # s, where a sound is cut to fit
SCRIPTS: Final = ("player.js", "spectrogram.js", "binomial.js", "blind.js", "grid.js")


@frozen
class Heard:
    """A sound of the comparison: pressure (C, N) in Pa, and the gains of its files."""

    chosen: tuple[tuple[str, str], ...]
    pressure: NDArray[np.float32]
    true_db: float
    matched_db: float
    level_dba: float
    panel: Panel


def listening_page(sounds: Sequence[Heard], left: Sequence[LeftOut], *, title: str, a4_hz: float) -> str:
    """The text of `index.html`."""
    frames = min(sounds[0].pressure.shape[1], round(LONGEST / len(sounds) * RATE))
    parts = {
        "TITLE": html.escape(title),
        "STYLE": _file("listening.css"),
        "HEAD": _json(
            _head(sounds, frames)
            | {
                "title": title,
                "a4_hz": a4_hz,
                "left_out": [f"{name_of(each.chosen)}: {each.words}" for each in left],
            }
        ),
        "SCRIPTS": "\n".join(map(_file, SCRIPTS)),
    }
    text = _file("listening.html")
    for name, part in parts.items():
        text = text.replace(f"@{name}@", part)
    return text


def playable(sound: Heard) -> dict[str, Any]:
    """A sound as 16-bit FLAC in letters, raised to full scale, and the factors of its true and matched level."""
    entry = _entry(sound, sound.pressure.shape[1], 0.0)
    return {key: entry[key] for key in ("flac", "true", "matched", "level_dba")}


def _head(sounds: Sequence[Heard], frames: int) -> dict[str, Any]:
    """All but what is the instrument's."""
    keys = [key for key, _ in sounds[0].chosen]
    top = top_of([each.panel.levels for each in sounds])
    rows = rows_hz()
    return {
        "rate": RATE,
        "seconds": frames / RATE,
        "keys": keys,
        "key_words": [key_words(key) for key in keys],
        "across": len({each.chosen[-1] for each in sounds}) if len(keys) > 1 else 1,
        "rows": len(rows),
        "lowest_hz": LOWEST_HZ,
        "highest_hz": HIGHEST_HZ,
        "about": _about(sounds, frames),
        "scale": "From white through blue and black to rust "
        f"{top - SHOWN_DB:.0f} to {top:.0f} dB SPL at the listener, one scale for all; "
        "marks at the left: partials of the tines that are stroked.",
        "sounds": [_entry(each, frames, top) for each in sounds],
    }


def _about(sounds: Sequence[Heard], frames: int) -> str:
    cut = frames < sounds[0].pressure.shape[1]
    held = f" This page holds the first {frames / RATE:.1f} s; the files have all." if cut else ""
    return (
        f"At true level all are {sounds[0].true_db:+z.0f} dB from how loud they are at the listener; matched, "
        f"each is brought to the same loudness (BS.1770).{held}"
    )


def _entry(sound: Heard, frames: int, top: float) -> dict[str, Any]:
    """A sound of at most so many frames, its levels as bytes of the scale that ends at `top`."""
    pressure = sound.pressure[:, :frames].astype(np.float64)
    if frames < sound.pressure.shape[1]:
        pressure[:, -round(FADE * RATE) :] *= np.linspace(1.0, 0.0, round(FADE * RATE))
    peak = float(np.max(np.abs(pressure), initial=0.0)) or 1.0
    raised = peak / FULL_SCALE * 2.0**15 / HIGHEST_STEP
    shown = sound.panel.levels[:, : math.ceil(frames / HOP)]
    steps = np.clip(np.round((shown - top + SHOWN_DB) * (255.0 / SHOWN_DB)), 0.0, 255.0)
    return {
        "name": name_of(sound.chosen),
        "words": sound.panel.title,
        "values": [value_words(key, value) for key, value in sound.chosen],
        "true": raised * amplitude(sound.true_db),
        "matched": raised * amplitude(sound.matched_db),
        "level_dba": sound.level_dba if math.isfinite(sound.level_dba) else None,
        "partials_hz": list(sound.panel.partials_hz),
        "levels": _base64(steps.astype(np.uint8).tobytes()),
        "flac": _base64(_flac(pressure / peak)),
    }


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")


def _flac(samples: NDArray[np.float64]) -> bytes:
    """16-bit FLAC of samples (C, N) at full scale 1."""
    import soundfile

    out = io.BytesIO()
    scaled = np.round(samples.T * HIGHEST_STEP).astype(np.int16)
    soundfile.write(out, scaled, RATE, format="FLAC", subtype="PCM_16")
    return out.getvalue()


def _file(name: str) -> str:
    return (importlib.resources.files("synth.workshop") / "web" / name).read_text(encoding="utf-8")


def _json(value: Any) -> str:
    """For inside a script element, which ends at the first `</script`."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
