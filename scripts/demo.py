"""Makes `.venv`, installs Tinewright and renders the demo. `python3 scripts/demo.py [folder] [--room ROOM]`.

Every group of designs/quay-rail.toml is stroked and heard through bar, pickup and board, at 1 m or in a room of the
design; the files, an overview picture, a page on which the rail is stroked and a proposal for its client go to
designs/demo unless another folder is named.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

import environment


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=environment.ROOT / "designs" / "demo")
    parser.add_argument("--room", default="")
    wanted = parser.parse_args(words)
    folder = wanted.folder.resolve()
    try:
        python = environment.python()
    except environment.StepError as failure:
        print(failure, file=sys.stderr)
        return 1
    script = Path(__file__).with_name("render_demo.py")
    return subprocess.run([str(python), str(script), str(folder), wanted.room], check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
