"""Which Tinewright this is: the one place of its version, read by the build, the command line and programs.

A file and not the installed package's record: a plain checkout knows its version too.
"""

__version__ = "0.1.0"
