"""Write the reference of README.md anew from the tables and the schema."""

from pathlib import Path

from synth.doors.reference import written_into

README = Path(__file__).resolve().parent.parent / "README.md"

if __name__ == "__main__":
    README.write_text(written_into(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
