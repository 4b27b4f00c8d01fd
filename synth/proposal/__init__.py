"""What a client gets: one folder about an instrument, to read, to look at, to hear and to play."""
