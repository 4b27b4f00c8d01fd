"""Makes `.venv`, installs Tinewright and renders the demo. `python3 scripts/demo.py [folder]`.

Every group of designs/quay-rail.toml is stroked and heard through bar, pickup and board; the files, an overview
picture and a page on which the rail is stroked go to designs/demo unless another folder is named.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import environment


def main(words: list[str]) -> int:
    folder = Path(words[0] if words else environment.ROOT / "designs" / "demo").resolve()
    try:
        python = environment.python()
    except environment.StepError as failure:
        print(failure, file=sys.stderr)
        return 1
    script = Path(__file__).with_name("render_demo.py")
    return subprocess.run([str(python), str(script), str(folder)], check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
