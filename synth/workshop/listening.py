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
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.sound.audio import FULL_SCALE, RATE
from synth.units import amplitude
from synth.workshop.variants import LeftOut, name_of

LONGEST: Final = 600.0  # s of sound in a page, about 70 MB: more opens slowly
FADE: Final = 20e-3  # s, where a sound is cut to fit
SCRIPTS: Final = ("player.js", "spectrogram.js", "binomial.js", "blind.js", "grid.js")


@dataclass(frozen=True)
class Heard:
    """A sound of the comparison: pressure (C, N) in Pa, and the gains of its files."""

    chosen: tuple[tuple[str, str], ...]
    words: str
    pressure: NDArray[np.float32]
    true_db: float
    matched_db: float
    level_dba: float
    partials_hz: Sequence[float]


def listening_page(sounds: Sequence[Heard], left: Sequence[LeftOut], *, title: str, a4_hz: float) -> str:
    """The text of `index.html`."""
    frames = min(sounds[0].pressure.shape[1], round(LONGEST / len(sounds) * RATE))
    parts = {
        "TITLE": html.escape(title),
        "STYLE": _file("listening.css"),
        "HEAD": _json(
            {
                "title": title,
                "rate": RATE,
                "a4_hz": a4_hz,
                "seconds": frames / RATE,
                "cut": frames < sounds[0].pressure.shape[1],
                "keys": [key for key, _ in sounds[0].chosen],
                "left_out": [f"{name_of(each.chosen)}: {each.words}" for each in left],
                "sounds": [_entry(each, frames) for each in sounds],
            }
        ),
        "SCRIPTS": "\n".join(map(_file, SCRIPTS)),
    }
    text = _file("listening.html")
    for name, part in parts.items():
        text = text.replace(f"@{name}@", part)
    return text


def _entry(sound: Heard, frames: int) -> dict[str, Any]:
    """A sound of at most so many frames; a sample of 1 in the page is `pascal` Pa at the listener."""
    pressure = sound.pressure[:, :frames].astype(np.float64)
    if frames < sound.pressure.shape[1]:
        pressure[:, -round(FADE * RATE) :] *= np.linspace(1.0, 0.0, round(FADE * RATE))
    peak = float(np.max(np.abs(pressure), initial=0.0)) or 1.0
    return {
        "name": name_of(sound.chosen),
        "words": sound.words,
        "values": [value for _, value in sound.chosen],
        "pascal": peak,
        "true": peak / FULL_SCALE * amplitude(sound.true_db),
        "matched": peak / FULL_SCALE * amplitude(sound.matched_db),
        "level_dba": sound.level_dba if np.isfinite(sound.level_dba) else None,
        "partials_hz": list(sound.partials_hz),
        "flac": base64.b64encode(_flac(pressure / peak)).decode("ascii"),
    }


def _flac(samples: NDArray[np.float64]) -> bytes:
    """16-bit FLAC of samples (C, N) at full scale 1."""
    import soundfile

    out = io.BytesIO()
    scaled = np.round(samples.T * 32767.0).astype(np.int16)
    soundfile.write(out, scaled, RATE, format="FLAC", subtype="PCM_16")
    return out.getvalue()


def _file(name: str) -> str:
    return (importlib.resources.files("synth.workshop") / "web" / name).read_text(encoding="utf-8")


def _json(value: Any) -> str:
    """For inside a script element, which ends at the first `</script`."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
