"""Versions of the design under the maker's own names: kept while it is open, and in a folder beside it once saved.

In: a name and the text of the moment. Out: the names and texts. Saved, `rail.toml` has `rail.versions/NAME.toml`,
plain designs that every command takes; a name goes through a file's name and comes back the same.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import quote, unquote

from synth.design.edit import backup
from synth.design.file import read_text
from synth.errors import InputError, nearest
from synth.files import atomic_write, check_folder, make_folder
from synth.sound.file_sets import DEVICE

LONGEST: Final = 60  # letters of a name
KEPT_LETTERS: Final = " +,=()-_#"


class Versions:
    """Names in the order in which they were kept."""

    def __init__(self, path: Path) -> None:
        """With those that were saved beside the design; what cannot be read is left alone."""
        self.folder = path.resolve().with_suffix(".versions")
        self.texts: dict[str, str] = {}
        self._saved: dict[str, str] = {}
        for file in sorted(self.folder.glob("*.toml")) if self.folder.is_dir() else []:
            try:
                self.texts[unquote(file.stem)] = read_text(file)
            except InputError:
                continue
        self._saved.update(self.texts)

    @property
    def unsaved(self) -> int:
        """How many stand in no file as they are."""
        return sum(self._saved.get(name) != text for name, text in self.texts.items())

    def keep(self, name: str, text: str) -> str:
        """Raises `InputError` for a name that is none, or that stands for something else already."""
        name = " ".join(name.split())
        if not 0 < len(name) <= LONGEST or not name.isprintable():
            raise InputError("this is no name for a version", remedy=f"give 1 to {LONGEST} letters")
        taken = next((each for each in self.texts if each.casefold() == name.casefold()), None)
        if taken is not None and self.texts[taken] != text:
            raise InputError(f"a version is called '{taken}' already", remedy="take another name")
        self.texts[taken or name] = text
        return taken or name

    def text(self, name: str) -> str:
        """Raises `InputError` for a name that is not there."""
        if name not in self.texts:
            raise InputError(f"there is no version '{name}'", remedy=nearest(name, self.texts))
        return self.texts[name]

    def forget(self, name: str) -> None:
        """Here; a file that was saved stays. Raises `InputError`."""
        self.text(name)
        del self.texts[name]

    def save(self) -> int:
        """All of them into the folder; gives how many were written. Raises `InputError`.

        What stands there under such a name (of a version that was forgotten, of another program) is kept as a copy.
        """
        check_folder(self.folder)
        make_folder(self.folder)
        written = 0
        for name, text in self.texts.items():
            if self._saved.get(name) == text:
                continue
            file = self.folder / f"{_file_name(name)}.toml"
            with atomic_write(file) as beside:
                beside.write_bytes(text.encode("utf-8"))
                if file.exists() and file.read_bytes() != beside.read_bytes():
                    backup(file)
            self._saved[name] = text
            written += 1
        return written


def _file_name(name: str) -> str:
    """Without what means something else in a path; the first letter too where Windows takes it for a device."""
    plain = quote(name, safe=KEPT_LETTERS)
    return f"%{ord(plain[0]):02X}{plain[1:]}" if DEVICE.match(plain) else plain
