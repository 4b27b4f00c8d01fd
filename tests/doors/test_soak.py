"""Two minutes of scripts/soak.py: an hour in short, beside other tests, for what is judged hangs on no clock.

How many strokes of twenty a second the machine keeps up with is told and not judged.
"""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
NOTHING_WRONG = {
    "after a panic dBFS": -300.0,
    "after the last panic dBFS": -300.0,
    "3 s after all keys went up dBFS": -150.0,
    "peak dBFS": -40.0,
    "blocks": 20_000,
    "blocks not finite": 0,
    "exit code": 0,
}
DESIGN = ROOT / "tests" / "data" / "two-tines.toml"  # light: a machine that tests has other work


def test_what_grows_is_told_as_it_grows_and_what_swings_is_not(monkeypatch):
    """Six in a minute, by two minutes and by an hour; one moment alone cannot tell."""
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    import soak

    for seconds in (120, 3600):
        leak = soak.remembered([(at, 100.0 + 0.1 * at) for at in range(60, seconds + 1, 20)])
        assert leak["grew by"] == pytest.approx(0.1 * (seconds - 60))
        assert (leak["at first"], leak["at the end"]) == (106.0, pytest.approx(100.0 + 0.1 * seconds))
    swing = soak.remembered([(at, 100.0 + 8.0 * (at % 60 == 0)) for at in range(60, 3601, 20)])
    assert swing["grew by"] == pytest.approx(0.0)
    assert set(soak.remembered([(60.0, 100.0)]).values()) == {None}
    assert list(soak.faults(NOTHING_WRONG | {"memory MiB": leak})) == ["memory grew by 354.0 MiB"]
    assert list(soak.faults(NOTHING_WRONG | {"memory MiB": swing})) == []


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.skipif(shutil.which("jackd") is None, reason="no JACK server (apt-get install jackd2)")
def test_two_minutes_of_everything_leave_memory_silence_and_no_stuck_note():
    pytest.importorskip("rtmidi", reason="no python-rtmidi")
    try:
        import jack  # noqa: F401 a missing library is an OSError
    except (ImportError, OSError) as missing:
        pytest.skip(f"no JACK-Client: {missing}")
    command = [
        sys.executable,
        str(ROOT / "scripts" / "soak.py"),
        "--minutes",
        "2",
        "--json",
        "--alone",
        "--design",
        str(DESIGN),
    ]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if "does not start here" in done.stderr:
        pytest.skip("the JACK server does not start here")
    assert done.stdout, done.stderr
    data = json.loads(done.stdout)
    assert data["faults"] == [], done.stdout
    assert data["memory MiB"]["grew by"] is not None
    assert done.returncode == 0
    assert data["strokes sent"] > 2000
    assert data["strokes played"] > 50
    assert data["panics"] >= 5
    assert data["peak dBFS"] > -80.0
