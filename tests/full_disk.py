"""A disk that takes so many bytes and no more: for tests of what is written."""

import builtins
import errno
import io
import os


class FullDisk:
    """Every file that is opened for writing below a folder takes `room` bytes more, all together."""

    def __init__(self, monkeypatch, folder, room):
        self.room, self.folder, self.refused = room, str(folder), 0
        real_open, real_io = builtins.open, io.open

        def opened(real):
            def open_(file, mode="r", *words, **more):
                made = real(file, mode, *words, **more)
                inside = isinstance(file, str | os.PathLike) and os.fspath(file).startswith(self.folder)
                return self.filling(made) if inside and set(mode) & set("wax+") else made

            return open_

        monkeypatch.setattr(builtins, "open", opened(real_open))
        monkeypatch.setattr(io, "open", opened(real_io))

    def filling(self, file):
        disk, write = self, file.write

        class Filling:
            def write(self, data):
                disk.room -= len(data)
                if disk.room < 0:
                    disk.refused += 1
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return write(data)

            def writelines(self, lines):
                for line in lines:
                    self.write(line)

            def __getattr__(self, name):
                return getattr(file, name)

            def __enter__(self):
                file.__enter__()
                return self

            def __exit__(self, *words):
                return file.__exit__(*words)

            def __iter__(self):
                return iter(file)

        return Filling()
