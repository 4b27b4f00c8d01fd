"""`python -m synth`: the command line, installed or not."""

from synth.doors.cli import main

if __name__ == "__main__":  # a process started beside this one imports the file again and runs nothing
    main()
